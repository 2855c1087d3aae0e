//! Reads the keys of one table with their types, and says what is wrong with each.

use super::keys::{Kind, Shape};
use super::problem::{At, BAD_VALUE, Log, MISSING_KEY, Problem, UNKNOWN_KEY, WRONG_TYPE};
use super::value::{Entry, Item, Node, Table};

/// A value with its place.
#[derive(Clone, Debug)]
pub(super) struct Placed<T> {
    pub(super) value: T,
    pub(super) at: At,
}

impl<T> Placed<T> {
    pub(super) fn new(value: T, at: At) -> Self {
        Self { value, at }
    }
}

/// The keys of one table.
pub(super) struct Fields<'v, 'l> {
    table: &'v Table,
    shape: &'static Shape,
    /// Where the table stands.
    pub(super) at: At,
    /// What messages call it.
    pub(super) subject: String,
    pub(super) log: &'l mut Log,
}

impl<'v, 'l> Fields<'v, 'l> {
    /// Opens a table: unknown keys and missing ones are reported at once.
    pub(super) fn open(
        table: &'v Table,
        shape: &'static Shape,
        at: At,
        subject: impl Into<String>,
        log: &'l mut Log,
    ) -> Self {
        let subject = subject.into();
        for entry in &table.entries {
            if shape.keys.iter().any(|k| k.name == entry.key) {
                continue;
            }
            let mut problem = Problem::new(
                &UNKNOWN_KEY,
                entry.key_at,
                subject.clone(),
                format!("{} has no key `{}`", shape.name, entry.key),
            )
            .label("not a key of the language");
            let names = shape.keys.iter().map(|k| k.name);
            problem.repair = Some(match nearest(&entry.key, names) {
                Some(name) => format!("did you mean `{name}`?"),
                None => {
                    let all: Vec<&str> = shape.keys.iter().map(|k| k.name).collect();
                    format!("its keys are {}", all.join(", "))
                }
            });
            log.push(problem);
        }
        for key in shape.keys.iter().filter(|k| k.required) {
            if table.get(key.name).is_none() {
                log.push(
                    Problem::new(
                        &MISSING_KEY,
                        at,
                        subject.clone(),
                        format!("{} needs the key `{}`", shape.name, key.name),
                    )
                    .repair(format!("add `{} = ...`: {}", key.name, key.about)),
                );
            }
        }
        Self {
            table,
            shape,
            at,
            subject,
            log,
        }
    }

    pub(super) fn entry(&self, key: &str) -> Option<&'v Entry> {
        self.table.get(key)
    }

    pub(super) fn has(&self, key: &str) -> bool {
        self.entry(key).is_some()
    }

    /// Where a key's value stands, or the table where it is not given.
    pub(super) fn at_of(&self, key: &str) -> At {
        self.entry(key).map_or(self.at, |e| e.value.at)
    }

    pub(super) fn wrong_type(&mut self, key: &str, node: &Node, wanted: &str) {
        let says = format!("`{key}` takes {wanted}, and this is {}", node.item.kind());
        self.log
            .push(Problem::new(&WRONG_TYPE, node.at, self.subject.clone(), says).label("here"));
    }

    pub(super) fn bad(&mut self, at: At, says: impl Into<String>) {
        self.log
            .push(Problem::new(&BAD_VALUE, at, self.subject.clone(), says));
    }

    pub(super) fn text(&mut self, key: &str) -> Option<Placed<String>> {
        let node = &self.entry(key)?.value;
        match &node.item {
            Item::Text(text) => Some(Placed::new(text.clone(), node.at)),
            _ => {
                self.wrong_type(key, node, "a text");
                None
            }
        }
    }

    /// A text that is not used for anything but showing.
    pub(super) fn plain(&mut self, key: &str) -> Option<String> {
        self.text(key).map(|t| t.value)
    }

    pub(super) fn integer(&mut self, key: &str, low: i64, high: i64) -> Option<Placed<i64>> {
        let node = &self.entry(key)?.value;
        self.integer_of(key, node, low, high)
            .map(|n| Placed::new(n, node.at))
    }

    pub(super) fn integer_of(
        &mut self,
        key: &str,
        node: &Node,
        low: i64,
        high: i64,
    ) -> Option<i64> {
        let Item::Integer(n) = node.item else {
            self.wrong_type(key, node, "a whole number");
            return None;
        };
        let n = n.and_then(|n| i64::try_from(n).ok());
        match n.filter(|n| (low..=high).contains(n)) {
            Some(n) => Some(n),
            None => {
                self.bad(node.at, format!("`{key}` may be {low} to {high}"));
                None
            }
        }
    }

    /// A whole number from 0 to 2^64 - 1.
    pub(super) fn code(&mut self, key: &str) -> Option<Placed<u64>> {
        let node = &self.entry(key)?.value;
        match node.item {
            Item::Integer(n) => match n.and_then(|n| u64::try_from(n).ok()) {
                Some(n) => Some(Placed::new(n, node.at)),
                None => {
                    self.bad(node.at, format!("`{key}` is a code, a number from 0 on"));
                    None
                }
            },
            _ => {
                self.wrong_type(key, node, "a whole number");
                None
            }
        }
    }

    pub(super) fn unsigned(&mut self, key: &str, low: u32, high: u32) -> Option<Placed<u32>> {
        let n = self.integer(key, i64::from(low), i64::from(high))?;
        u32::try_from(n.value).ok().map(|v| Placed::new(v, n.at))
    }

    pub(super) fn number_of(&mut self, key: &str, node: &Node) -> Option<f64> {
        let x = match node.item {
            Item::Float(x) => x,
            Item::Integer(Some(n)) => n as f64,
            _ => {
                self.wrong_type(key, node, "a number");
                return None;
            }
        };
        if x.is_finite() {
            Some(x)
        } else {
            self.bad(node.at, format!("`{key}` takes a finite number"));
            None
        }
    }

    pub(super) fn number(&mut self, key: &str) -> Option<f64> {
        let node = &self.entry(key)?.value;
        self.number_of(key, node)
    }

    /// A number that cannot be negative.
    pub(super) fn positive(&mut self, key: &str) -> Option<f64> {
        let x = self.number(key)?;
        if x >= 0.0 {
            Some(x)
        } else {
            self.bad(self.at_of(key), format!("`{key}` cannot be negative"));
            None
        }
    }

    pub(super) fn flag(&mut self, key: &str) -> Option<bool> {
        let node = &self.entry(key)?.value;
        match node.item {
            Item::Flag(flag) => Some(flag),
            _ => {
                self.wrong_type(key, node, "true or false");
                None
            }
        }
    }

    /// One of the words the key's kind lists, as its index.
    pub(super) fn word(&mut self, key: &str) -> Option<usize> {
        let words = match self.shape.keys.iter().find(|k| k.name == key)?.kind {
            Kind::Word(words) => words,
            _ => return None,
        };
        let text = self.text(key)?;
        let found = words.iter().position(|w| *w == text.value);
        if found.is_none() {
            let repair = match nearest(&text.value, words.iter().copied()) {
                Some(word) => format!("did you mean {word:?}?"),
                None => format!("it may be {}", words.join(", ")),
            };
            self.log.push(
                Problem::new(
                    &BAD_VALUE,
                    text.at,
                    self.subject.clone(),
                    format!("`{key}` cannot be {:?}", text.value),
                )
                .repair(repair),
            );
        }
        found
    }

    pub(super) fn array(&mut self, key: &str) -> Option<&'v [Node]> {
        let node = &self.entry(key)?.value;
        match &node.item {
            Item::Array(items) => Some(items),
            _ => {
                self.wrong_type(key, node, "an array");
                None
            }
        }
    }

    pub(super) fn texts(&mut self, key: &str) -> Option<Vec<Placed<String>>> {
        let items = self.array(key)?;
        let mut out = Vec::with_capacity(items.len());
        for node in items {
            match &node.item {
                Item::Text(text) => out.push(Placed::new(text.clone(), node.at)),
                _ => self.wrong_type(key, node, "texts"),
            }
        }
        Some(out)
    }

    pub(super) fn plain_texts(&mut self, key: &str) -> Vec<String> {
        self.texts(key)
            .unwrap_or_default()
            .into_iter()
            .map(|t| t.value)
            .collect()
    }

    /// Whole numbers and texts, one or a list, all as texts.
    pub(super) fn names(&mut self, key: &str) -> Option<Vec<Placed<String>>> {
        let node = &self.entry(key)?.value;
        let mut out = Vec::new();
        let items = match &node.item {
            Item::Array(items) => items.as_slice(),
            _ => std::slice::from_ref(node),
        };
        for node in items {
            if let Some(name) = self.name_of(key, node) {
                out.push(Placed::new(name, node.at));
            }
        }
        Some(out)
    }

    pub(super) fn name_of(&mut self, key: &str, node: &Node) -> Option<String> {
        match &node.item {
            Item::Text(text) => Some(text.clone()),
            Item::Integer(Some(n)) => Some(n.to_string()),
            _ => {
                self.wrong_type(key, node, "texts or whole numbers");
                None
            }
        }
    }

    /// Whole numbers within a range; `None` where any is not.
    pub(super) fn integers(&mut self, key: &str, low: i64, high: i64) -> Option<Placed<Vec<i64>>> {
        let items = self.array(key)?;
        let mut out = Vec::with_capacity(items.len());
        for node in items {
            out.push(self.integer_of(key, node, low, high));
        }
        let at = self.at_of(key);
        let all: Option<Vec<i64>> = out.into_iter().collect();
        all.map(|v| Placed::new(v, at))
    }

    pub(super) fn numbers(&mut self, key: &str) -> Option<Vec<f64>> {
        let items = self.array(key)?;
        let mut out = Vec::with_capacity(items.len());
        for node in items {
            out.push(self.number_of(key, node));
        }
        out.into_iter().collect()
    }

    pub(super) fn table(&mut self, key: &str) -> Option<(&'v Table, At)> {
        let entry = self.entry(key)?;
        match &entry.value.item {
            Item::Table(table) => Some((table, entry.key_at)),
            _ => {
                self.wrong_type(key, &entry.value, "a table");
                None
            }
        }
    }

    /// The tables of an array of tables.
    pub(super) fn tables(&mut self, key: &str) -> Vec<(&'v Table, At)> {
        let Some(items) = self.array(key) else {
            return Vec::new();
        };
        let mut out = Vec::with_capacity(items.len());
        for node in items {
            match &node.item {
                Item::Table(table) => out.push((table, node.at)),
                _ => self.wrong_type(key, node, "tables"),
            }
        }
        out
    }
}

/// The name a misspelt one most likely meant: at most a third of its letters may differ.
pub fn nearest<'n>(word: &str, names: impl IntoIterator<Item = &'n str>) -> Option<&'n str> {
    let word = word.to_lowercase();
    names
        .into_iter()
        .map(|name| (distance(&word, &name.to_lowercase()), name))
        .filter(|(d, name)| *d <= name.chars().count().div_ceil(3))
        .min_by_key(|(d, _)| *d)
        .map(|(_, name)| name)
}

/// Letters to insert, drop, change or swap with the next, to make one word of the other.
fn distance(a: &str, b: &str) -> usize {
    // Longer words are not compared: suggestions are for misspelt names, and hostile texts are long.
    let a: Vec<char> = a.chars().take(64).collect();
    let b: Vec<char> = b.chars().take(64).collect();
    let mut rows = vec![vec![0usize; b.len() + 1]; a.len() + 1];
    for (i, row) in rows.iter_mut().enumerate() {
        row[0] = i;
    }
    for (j, cell) in rows[0].iter_mut().enumerate() {
        *cell = j;
    }
    for i in 1..=a.len() {
        for j in 1..=b.len() {
            let change = usize::from(a[i - 1] != b[j - 1]);
            let mut best = (rows[i - 1][j] + 1)
                .min(rows[i][j - 1] + 1)
                .min(rows[i - 1][j - 1] + change);
            if i > 1 && j > 1 && a[i - 1] == b[j - 2] && a[i - 2] == b[j - 1] {
                best = best.min(rows[i - 2][j - 2] + 1);
            }
            rows[i][j] = best;
        }
    }
    rows[a.len()][b.len()]
}
