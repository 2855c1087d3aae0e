//! What `layout check` reports: named rules under stable codes, each finding with its place in the file, the
//! other culprit, the physical bits and a suggested repair.

use std::fmt;

/// A place in a layout's text: bytes `start..end` of one of its files.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct At {
    /// 0 is the layout itself, 1 the layout it extends, and so on.
    pub file: u16,
    /// First byte.
    pub start: u32,
    /// One past the last byte.
    pub end: u32,
}

/// Whether a layout may be used in spite of a problem.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Level {
    /// The layout means what it says, but look again; it may be waived one by one with a reason.
    Caution,
    /// The layout cannot be used until this is mended.
    Error,
}

impl Level {
    /// The word used in listings.
    pub fn word(self) -> &'static str {
        match self {
            Level::Caution => "caution",
            Level::Error => "error",
        }
    }
}

/// A named rule.
#[derive(Debug, PartialEq, Eq)]
pub struct Rule {
    /// Stable code, `subject.defect`.
    pub code: &'static str,
    /// Errors stop a layout from being used; only cautions may be waived.
    pub level: Level,
    /// What the rule asks for, one sentence.
    pub asks: &'static str,
}

macro_rules! rules {
    ($($name:ident $level:ident $code:literal $asks:literal;)*) => {
        $(#[doc = $asks] pub static $name: Rule = Rule { code: $code, level: Level::$level, asks: $asks };)*
        /// Every rule, in the order the reference lists them.
        pub static RULES: &[&Rule] = &[$(&$name),*];
    };
}

rules! {
    SYNTAX Error "text.syntax" "The text is TOML.";
    UNKNOWN_KEY Error "text.unknown-key" "Every key is one the language knows.";
    MISSING_KEY Error "text.missing-key" "Every required key is given.";
    WRONG_TYPE Error "text.wrong-type" "Every value has the type its key asks for.";
    BAD_VALUE Error "text.bad-value" "Every value is one its key allows.";
    TOO_LARGE Error "text.too-large" "Texts, chips and areas stay within the limits this program states.";
    VERSION Error "layout.version" "The layout names the version of the language it is written in.";
    EXTENDS Error "layout.extends" "The layout it extends exists, and no layout extends itself.";
    REMOVE Error "layout.remove" "What is removed was there.";
    DUPLICATE Error "name.duplicate" "Names are given once.";
    NAME Error "name.form" "Ids, names and keys have the form that lets commands name them.";
    NO_CHIPS Error "chip.none" "There is at least one chip.";
    SHAPE Error "chip.shape" "A chip has a shape this program can hold.";
    PACKING Error "chip.file" "The way files hold a chip fits its width.";
    LIKE Error "chip.like" "The chip that another is like exists.";
    PART Caution "chip.part" "A well-known part has the shape its data sheet gives.";
    IDLE Caution "chip.idle" "Every chip holds something.";
    SIGNAL Error "pin.signal" "What drives a pin is a signal that exists.";
    PIN_COUNT Error "pin.count" "As many pins are described as the chip has.";
    PIN_REPEAT Error "pin.repeat" "A chip drives each bus line from one pin.";
    IN_OUT Caution "pin.in-out" "Data-in and data-out pins carry the same lines.";
    LOST Error "pin.lost" "Every counter bit that changes reaches a pin of the chip.";
    AXIS Error "axis.form" "An axis has a count, labels and an order that agree.";
    HOLDS Error "axis.holds" "What a chip holds is a part of an axis, and every part is held once.";
    SLOT Error "bits.form" "Bits are written as the language writes them.";
    WORD Error "bits.outside" "Bits lie inside the word of their slot.";
    TWICE Error "bits.twice" "A value uses each bit once.";
    WIDTH Error "bits.width" "A value has 1 to 64 bits, and its code can have that many.";
    NO_HOME Error "place.none" "Every bit has a chip that answers for it.";
    CONTENTION Error "place.contention" "Only one chip answers for a bit.";
    OUTSIDE Error "place.outside" "Every bit lies inside its chip.";
    OVERLAP Error "place.overlap" "Every bit has one owner, unless one is an alias or both are exclusive by a selector.";
    RANGE Error "parameter.range" "Legal numbers are numbers the code can express.";
    SCALE Error "parameter.scale" "The scale fits the numbers.";
    WHEN Error "parameter.when" "A selector is a parameter of the same area, and its numbers can occur.";
    ALIAS Error "parameter.alias" "An alias shows bits of the parameter it names.";
    BLANK Error "parameter.blank" "The blank code fits the value.";
    CHARSET Error "parameter.charset" "A character set has one code a character and fits the width.";
    LABEL Caution "parameter.label" "No two controls of one kind in a group carry the same label.";
    CONSTANT Error "constant.value" "A constant fits its bits.";
    METHOD Error "check.method" "A check names a method and what the method needs.";
    OVER Error "check.over" "A check covers words that exist and that its method can take.";
    STORED Error "check.stored" "A check is stored somewhere, in as many bits as its method makes.";
    SELF Error "check.self" "A check does not cover its own bits.";
    UNCOVERED Caution "check.uncovered" "Where an area has checks that cover most of an entry, they cover every parameter.";
    COPY Error "copy.form" "A copy says where it lives.";
    ABSENT Error "absent.form" "Absent cells lie inside their chip.";
    WAIVE Error "waive.form" "A waiver names a caution, the place it is waived at, and a reason.";
    STALE Caution "waive.stale" "A waiver waives something.";
}

/// The rule of a code.
pub fn rule(code: &str) -> Option<&'static Rule> {
    RULES.iter().find(|r| r.code == code).copied()
}

/// One finding of `layout check`.
#[derive(Clone, Debug)]
pub struct Problem {
    /// The rule that was broken.
    pub rule: &'static Rule,
    /// What it is about, as a waiver would name it: "chip CH12", "presets filter.cutoff".
    pub subject: String,
    /// What is wrong, one sentence with figures.
    pub says: String,
    /// Where in the text.
    pub at: At,
    /// A few words to stand beside the excerpt; may be empty.
    pub label: String,
    /// Further places concerned, each with a few words.
    pub also: Vec<(At, String)>,
    /// Physical bits concerned, as CHIP:CELL:LINE, with what each is.
    pub bits: Vec<String>,
    /// A suggested repair.
    pub repair: Option<String>,
}

impl Problem {
    /// A problem at a place; what else is known is added by the methods below.
    pub fn new(
        rule: &'static Rule,
        at: At,
        subject: impl Into<String>,
        says: impl Into<String>,
    ) -> Self {
        Self {
            rule,
            subject: subject.into(),
            says: says.into(),
            at,
            label: String::new(),
            also: Vec::new(),
            bits: Vec::new(),
            repair: None,
        }
    }

    /// With a few words beside the excerpt.
    #[must_use]
    pub fn label(mut self, label: impl Into<String>) -> Self {
        self.label = label.into();
        self
    }

    /// With another culprit.
    #[must_use]
    pub fn also(mut self, at: At, label: impl Into<String>) -> Self {
        self.also.push((at, label.into()));
        self
    }

    /// With a physical bit.
    #[must_use]
    pub fn bit(mut self, bit: impl Into<String>) -> Self {
        self.bits.push(bit.into());
        self
    }

    /// With a suggested repair.
    #[must_use]
    pub fn repair(mut self, repair: impl Into<String>) -> Self {
        self.repair = Some(repair.into());
        self
    }
}

/// The text of one file of a layout.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SourceText {
    /// Where it came from: a path as given, or "built in: ID".
    pub origin: String,
    /// The text.
    pub text: String,
}

impl SourceText {
    /// Line and column of a byte, both from 1; columns count characters.
    pub fn line_column(&self, byte: u32) -> (usize, usize) {
        let mut end = (byte as usize).min(self.text.len());
        while !self.text.is_char_boundary(end) {
            end -= 1;
        }
        let before = &self.text[..end];
        let line = before.matches('\n').count() + 1;
        let column = before.rsplit('\n').next().map_or(0, |l| l.chars().count()) + 1;
        (line, column)
    }
}

/// Everything wrong with a layout, in the order of the text, with the texts the places are in.
#[derive(Clone, Debug)]
pub struct Problems {
    /// The problems.
    pub list: Vec<Problem>,
    /// The layout's text and those it extends.
    pub sources: Vec<SourceText>,
}

impl Problems {
    /// How many stop the layout from being used.
    pub fn errors(&self) -> usize {
        self.list
            .iter()
            .filter(|p| p.rule.level == Level::Error)
            .count()
    }

    /// A place as "path:line:column".
    pub fn place(&self, at: At) -> String {
        match self.sources.get(usize::from(at.file)) {
            Some(source) => {
                let (line, column) = source.line_column(at.start);
                format!("{}:{line}:{column}", source.origin)
            }
            None => "?".to_owned(),
        }
    }
}

impl fmt::Display for Problems {
    /// One line a problem, with its place, code, physical bits and repair.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (i, p) in self.list.iter().enumerate() {
            if i > 0 {
                writeln!(f)?;
            }
            let level = p.rule.level.word();
            write!(
                f,
                "{}: {level}[{}]: {}",
                self.place(p.at),
                p.rule.code,
                p.says
            )?;
            for (at, label) in &p.also {
                write!(f, "\n    {}: {label}", self.place(*at))?;
            }
            for bit in &p.bits {
                write!(f, "\n    bit {bit}")?;
            }
            if let Some(repair) = &p.repair {
                write!(f, "\n    repair: {repair}")?;
            }
        }
        Ok(())
    }
}

/// Collects problems while the stages run.
#[derive(Debug, Default)]
pub(super) struct Log {
    pub(super) problems: Vec<Problem>,
}

/// Enough to mend a layout by; a broken text of a megabyte need not say more.
const MAX_PROBLEMS: usize = 500;

impl Log {
    pub(super) fn push(&mut self, problem: Problem) {
        if self.problems.len() < MAX_PROBLEMS {
            self.problems.push(problem);
        }
    }

    pub(super) fn errors(&self) -> usize {
        self.problems
            .iter()
            .filter(|p| p.rule.level == Level::Error)
            .count()
    }
}
