//! The text as a tree of values, each with its place: what TOML says, before it means anything.
//!
//! Inheritance happens on this tree, so every later stage sees one document whose values remember which file
//! they came from.

use toml::de::{DeTable, DeValue};

use super::problem::{At, Log, Problem, REMOVE, SYNTAX, TOO_LARGE, WRONG_TYPE};

/// Longest text read as a layout, in bytes.
pub(super) const MAX_TEXT: usize = 1 << 20;

/// A value and where it stands.
#[derive(Clone, Debug)]
pub(super) struct Node {
    pub(super) at: At,
    pub(super) item: Item,
}

/// What TOML can hold, as far as layouts need it.
#[derive(Clone, Debug)]
pub(super) enum Item {
    Text(String),
    /// `None` where the number is beyond what any key allows.
    Integer(Option<i128>),
    Float(f64),
    Flag(bool),
    /// A date, which no key takes.
    Date,
    Array(Vec<Node>),
    Table(Table),
}

impl Item {
    /// What it is, with an article.
    pub(super) fn kind(&self) -> &'static str {
        match self {
            Item::Text(_) => "a text",
            Item::Integer(_) => "a whole number",
            Item::Float(_) => "a number with a point",
            Item::Flag(_) => "true or false",
            Item::Date => "a date",
            Item::Array(_) => "an array",
            Item::Table(_) => "a table",
        }
    }
}

/// A table in the order of the text.
#[derive(Clone, Debug, Default)]
pub(super) struct Table {
    pub(super) entries: Vec<Entry>,
}

/// One key of a table.
#[derive(Clone, Debug)]
pub(super) struct Entry {
    pub(super) key: String,
    pub(super) key_at: At,
    pub(super) value: Node,
}

impl Table {
    pub(super) fn get(&self, key: &str) -> Option<&Entry> {
        self.entries.iter().find(|e| e.key == key)
    }

    fn text(&self, key: &str) -> Option<&str> {
        match &self.get(key)?.value.item {
            Item::Text(text) => Some(text),
            _ => None,
        }
    }
}

/// Reads a text, reporting every syntax error; what could be read is returned all the same.
pub(super) fn parse(text: &str, file: u16, log: &mut Log) -> Table {
    if text.len() > MAX_TEXT {
        log.push(Problem::new(
            &TOO_LARGE,
            At {
                file,
                ..At::default()
            },
            "text",
            format!(
                "the text is {} bytes long; a layout may have {MAX_TEXT}",
                text.len()
            ),
        ));
        return Table::default();
    }
    let (table, errors) = DeTable::parse_recoverable(text);
    for error in errors {
        let span = error.span().unwrap_or(0..0);
        log.push(
            Problem::new(&SYNTAX, at(file, span), "text", error.message())
                .label("TOML does not allow this"),
        );
    }
    convert_table(table.get_ref(), file)
}

fn at(file: u16, span: std::ops::Range<usize>) -> At {
    // Texts are at most MAX_TEXT bytes long, so offsets fit.
    At {
        file,
        start: u32::try_from(span.start).unwrap_or(u32::MAX),
        end: u32::try_from(span.end).unwrap_or(u32::MAX),
    }
}

fn convert_table(table: &DeTable<'_>, file: u16) -> Table {
    let mut entries: Vec<Entry> = table
        .iter()
        .map(|(key, value)| Entry {
            key: key.get_ref().to_string(),
            key_at: at(file, key.span()),
            value: convert(value.get_ref(), at(file, value.span())),
        })
        .collect();
    // The parser sorts by key; the order of axes matters, so the text's order is restored.
    entries.sort_by_key(|e| e.key_at.start);
    Table { entries }
}

fn convert(value: &DeValue<'_>, at_: At) -> Node {
    let item = match value {
        DeValue::String(text) => Item::Text(text.to_string()),
        DeValue::Integer(n) => Item::Integer(i128::from_str_radix(n.as_str(), n.radix()).ok()),
        DeValue::Float(x) => Item::Float(x.as_str().parse().unwrap_or(f64::NAN)),
        DeValue::Boolean(flag) => Item::Flag(*flag),
        DeValue::Datetime(_) => Item::Date,
        DeValue::Array(items) => Item::Array(
            items
                .iter()
                .map(|v| convert(v.get_ref(), at(at_.file, v.span())))
                .collect(),
        ),
        DeValue::Table(table) => Item::Table(convert_table(table, at_.file)),
    };
    Node { at: at_, item }
}

/// The key by which the tables of an array are told apart, for the arrays that inheritance merges.
fn identity(array: &str) -> Option<&'static str> {
    Some(match array {
        "chip" => "id",
        "area" | "constant" | "reserved" | "copy" => "name",
        "parameter" | "check" | "hand-set" => "key",
        "absent" | "waive" => "",
        _ => return None,
    })
}

/// Lays `over` on `base`: tables are merged key by key, the arrays of named things by name, anything else is
/// replaced. `remove` takes named things out of `base` first.
pub(super) fn extend(mut base: Table, over: Table, log: &mut Log) -> Table {
    if let Some(entry) = over.get("remove") {
        remove(&mut base, entry, log);
    }
    for entry in over.entries {
        if entry.key == "remove" {
            continue;
        }
        let Some(old) = base.entries.iter_mut().find(|e| e.key == entry.key) else {
            base.entries.push(entry);
            continue;
        };
        old.key_at = entry.key_at;
        let old_node = std::mem::replace(
            &mut old.value,
            Node {
                at: entry.value.at,
                item: Item::Date,
            },
        );
        old.value.item = match (old_node.item, entry.value.item) {
            (Item::Table(a), Item::Table(b)) => Item::Table(extend(a, b, log)),
            (Item::Array(a), Item::Array(b)) => match identity(&entry.key) {
                Some(id) => Item::Array(extend_array(a, b, id, log)),
                None => Item::Array(b),
            },
            (_, new) => new,
        };
    }
    base
}

fn extend_array(mut base: Vec<Node>, over: Vec<Node>, id: &str, log: &mut Log) -> Vec<Node> {
    for node in over {
        let name = match &node.item {
            Item::Table(table) => table.text(id).map(str::to_owned),
            _ => None,
        };
        let old = name.and_then(|name| {
            base.iter_mut().find(|n| match &n.item {
                Item::Table(table) => table.text(id) == Some(name.as_str()),
                _ => false,
            })
        });
        match (old, node) {
            (
                Some(Node {
                    at,
                    item: Item::Table(a),
                }),
                Node {
                    at: new_at,
                    item: Item::Table(b),
                },
            ) => {
                *at = new_at;
                *a = extend(std::mem::take(a), b, log);
            }
            (_, node) => base.push(node),
        }
    }
    base
}

fn remove(base: &mut Table, entry: &Entry, log: &mut Log) {
    let names = match &entry.value.item {
        Item::Array(names) => names.as_slice(),
        _ => std::slice::from_ref(&entry.value),
    };
    for name in names {
        let Item::Text(text) = &name.item else {
            log.push(Problem::new(
                &WRONG_TYPE,
                name.at,
                "remove",
                format!("`remove` lists names, and this is {}", name.item.kind()),
            ));
            continue;
        };
        let mut found = false;
        for e in &mut base.entries {
            let (Some(id), Item::Array(nodes)) = (identity(&e.key), &mut e.value.item) else {
                continue;
            };
            nodes.retain(|n| {
                let hit = matches!(&n.item, Item::Table(t) if t.text(id) == Some(text));
                found |= hit;
                !hit
            });
        }
        if !found {
            log.push(
                Problem::new(
                    &REMOVE,
                    name.at,
                    text.clone(),
                    format!("nothing here is named {text:?}, so nothing can be removed"),
                )
                .repair("take the name out of `remove`, or correct its spelling"),
            );
        }
    }
}
