//! The stages in order: text, tree, document, places, rules.

use super::document::{self, Document, Waive};
use super::fields::nearest;
use super::model::{Layout, Source};
use super::problem::{
    At, EXTENDS, LIKE, Level, Log, MISSING_KEY, NO_CHIPS, PART, Problem, Problems, SHAPE, STALE,
    SYNTAX, SourceText, WAIVE, rule,
};
use super::value::{self, Item, Table};
use super::{overlap, resolve};
use crate::digest::sha256;

/// Where the texts of extended layouts come from.
pub trait Library {
    /// The text of a layout's id; `None` where there is none.
    ///
    /// # Errors
    /// When it is there and cannot be read, in words.
    fn text(&self, id: &str) -> Result<Option<SourceText>, String>;
}

/// The outcome of checking a text.
#[derive(Debug)]
pub struct Checked {
    /// The layout, where no error stops it from being used.
    pub layout: Option<Layout>,
    /// Everything that was noticed, waived cautions left out.
    pub problems: Problems,
    /// Cautions that the layout waives, each with its reason.
    pub waived: Vec<(Problem, String)>,
}

/// Longest chain of layouts that extend each other.
const MAX_CHAIN: usize = 8;

/// Checks a layout's text: everything wrong is reported at once.
pub fn check(source: SourceText, library: &dyn Library) -> Checked {
    let mut log = Log::default();
    let mut sources = vec![source];
    let mut bases = Vec::new();
    let table = tree(&mut sources, &mut bases, library, &mut log);
    let broken_text = log.errors() > 0;
    let Some(table) = table else {
        return stopped(log, sources);
    };
    let document = document::read(&table, 0, &mut log);
    if broken_text {
        // What TOML could not read is missing too; only what is there can be judged.
        let follows = [&MISSING_KEY, &NO_CHIPS, &SHAPE, &LIKE];
        log.problems
            .retain(|p| *p.rule == SYNTAX || (p.at.end > 0 && !follows.contains(&p.rule)));
        return stopped(log, sources);
    }
    let (layout, fields) = resolve::resolve(&document, describe(&sources, bases), &mut log);
    if log.errors() == 0 {
        overlap::check(&document, &layout, &fields, &mut log);
        parts(&document, &mut log);
    }
    let sound = log.errors() == 0;
    let mut problems = log.problems;
    let waived = waive(&document.waive, &mut problems, sound);
    problems.sort_by_key(|p| p.at);
    let problems = Problems {
        list: problems,
        sources,
    };
    Checked {
        layout: (problems.errors() == 0).then_some(layout),
        problems,
        waived,
    }
}

/// The outcome where the later stages would only repeat what the earlier ones found.
fn stopped(log: Log, sources: Vec<SourceText>) -> Checked {
    let mut list = log.problems;
    list.sort_by_key(|p| p.at);
    Checked {
        layout: None,
        problems: Problems { list, sources },
        waived: Vec::new(),
    }
}

/// The layout's tree laid on those it extends; `None` where one of those cannot be had.
/// The ids of those come with their texts.
fn tree(
    sources: &mut Vec<SourceText>,
    bases: &mut Vec<String>,
    library: &dyn Library,
    log: &mut Log,
) -> Option<Table> {
    let mut trees: Vec<Table> = Vec::new();
    let mut ids: Vec<String> = Vec::new();
    while let Some(source) = sources.get(trees.len()) {
        let file = u16::try_from(trees.len()).unwrap_or(u16::MAX);
        let tree = value::parse(&source.text, file, log);
        if let Some(Item::Text(id)) = tree.get("id").map(|e| &e.value.item) {
            ids.push(id.clone());
        }
        let base = tree.get("extends").map(|e| e.value.clone());
        trees.push(tree);
        let Some(base) = base else { break };
        let Item::Text(id) = &base.item else { break };
        let problem = |says: String| Problem::new(&EXTENDS, base.at, "layout", says);
        if ids.contains(id) {
            log.push(problem(format!("{id:?} in the end extends itself")));
            return None;
        }
        if trees.len() == MAX_CHAIN {
            log.push(problem(format!(
                "more than {MAX_CHAIN} layouts extend each other"
            )));
            return None;
        }
        match library.text(id) {
            Ok(Some(text)) => {
                sources.push(text);
                bases.push(id.clone());
            }
            Ok(None) => {
                log.push(
                    problem(format!("there is no layout {id:?} to start from"))
                        .repair("put it beside this file, as ID.toml, or into the folder of your layouts; `cellkeep layout list` shows those known"),
                );
                return None;
            }
            Err(says) => {
                log.push(problem(says));
                return None;
            }
        }
    }
    let mut whole = Table::default();
    let last = trees.len().saturating_sub(1);
    for (i, tree) in trees.into_iter().enumerate().rev() {
        whole = if i == last {
            tree
        } else {
            value::extend(whole, tree, log)
        };
    }
    Some(whole)
}

fn describe(sources: &[SourceText], bases: Vec<String>) -> Source {
    let first = sources.first();
    let text = first.map_or_else(String::new, |s| s.text.clone());
    let digests = sources.iter().map(|s| sha256(s.text.as_bytes()));
    let sha256 = match sources.len() {
        0 | 1 => sha256(text.as_bytes()),
        _ => sha256(digests.map(|d| d + "\n").collect::<String>().as_bytes()),
    };
    let texts = sources.iter().skip(1).map(|s| s.text.clone());
    Source {
        origin: first.map_or_else(String::new, |s| s.origin.clone()),
        sha256,
        text,
        extends: bases.into_iter().zip(texts).collect(),
    }
}

/// The id of the layout that a text extends, where it says one.
pub(super) fn base_of(text: &str) -> Option<String> {
    let tree = value::parse(text, 0, &mut Log::default());
    match &tree.get("extends")?.value.item {
        Item::Text(id) => Some(id.clone()),
        _ => None,
    }
}

/// Takes waived cautions out of the list; what a waiver gets wrong is reported in its turn.
fn waive(waivers: &[Waive], problems: &mut Vec<Problem>, complete: bool) -> Vec<(Problem, String)> {
    let mut waived = Vec::new();
    let mut more = Vec::new();
    for w in waivers {
        let subject = format!("waive {}", w.rule.value);
        let wrong = |at: At, says: String| Problem::new(&WAIVE, at, subject.clone(), says);
        match rule(&w.rule.value) {
            None => {
                let all = super::problem::RULES.iter().map(|r| r.code);
                let mut problem = wrong(
                    w.rule.at,
                    format!("no rule has the code {:?}", w.rule.value),
                );
                problem.repair =
                    nearest(&w.rule.value, all).map(|c| format!("did you mean {c:?}?"));
                more.push(problem);
                continue;
            }
            Some(r) if r.level == Level::Error => {
                more.push(
                    wrong(
                        w.rule.at,
                        format!("{} is an error and cannot be waived", r.code),
                    )
                    .repair("only cautions can be waived; mend what the rule reports"),
                );
                continue;
            }
            Some(_) => {}
        }
        if w.reason.value.trim().is_empty() {
            more.push(wrong(w.reason.at, "a waiver gives its reason".to_owned()));
        }
        let hit = problems
            .iter()
            .position(|p| p.rule.code == w.rule.value && p.subject == w.place.value);
        match hit {
            Some(i) => waived.push((problems.remove(i), w.reason.value.clone())),
            None if complete => more.push(
                Problem::new(
                    &STALE,
                    w.at,
                    subject.clone(),
                    format!("nothing breaks {} at {:?}", w.rule.value, w.place.value),
                )
                .repair("drop the waiver, or write `where` as the finding names it"),
            ),
            None => {}
        }
    }
    problems.append(&mut more);
    waived
}

/// Shapes of parts of the trade: part number, words, width.
///
/// Common practice, no source: the shapes are those the numbers stand for in the trade.
const PARTS: &[(&str, u32, u8)] = &[
    ("2101", 256, 4),
    ("5101", 256, 4),
    ("2102", 1024, 1),
    ("6508", 1024, 1),
    ("2114", 1024, 4),
    ("5514", 1024, 4),
    ("6514", 1024, 4),
    ("4044", 4096, 1),
    ("6504", 4096, 1),
    ("2147", 4096, 1),
    ("4016", 2048, 8),
    ("6116", 2048, 8),
    ("6264", 8192, 8),
    ("62256", 32768, 8),
];

fn parts(document: &Document, log: &mut Log) {
    for chip in &document.chips {
        let Some(part) = &chip.model.part else {
            continue;
        };
        // HM6116LP-3: the number stands among letters and suffixes.
        let digits: String = part
            .chars()
            .skip_while(|c| !c.is_ascii_digit())
            .take_while(char::is_ascii_digit)
            .collect();
        let Some((_, words, width)) = PARTS.iter().find(|(n, ..)| *n == digits) else {
            continue;
        };
        if (chip.model.words, chip.model.width) != (*words, *width) {
            log.push(
                Problem::new(
                    &PART,
                    chip.at,
                    format!("chip {}", chip.model.id),
                    format!(
                        "a {digits} has {words} words of {width} bits, and {} is said to have {} of {}",
                        chip.model.id, chip.model.words, chip.model.width
                    ),
                )
                .repair("correct `words` and `width` or the part; waive this where another part is fitted under that number"),
            );
        }
    }
}
