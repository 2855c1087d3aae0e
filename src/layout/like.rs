//! `like`: a chip that takes over another's keys.

use std::collections::HashMap;

use super::problem::{At, LIKE, Log, Problem};
use super::value::{Entry, Item, Table};

/// Keys that belong to one chip and are not taken over.
const OWN: &[&str] = &["id", "like", "aliases", "position"];

/// Every chip's table with the keys of the chip it is like filled in.
pub(super) fn expand(tables: &[(&Table, At)], log: &mut Log) -> Vec<(Table, At)> {
    let mut ids: HashMap<&str, usize> = HashMap::new();
    for (i, (table, _)) in tables.iter().enumerate() {
        if let Some(Item::Text(id)) = table.get("id").map(|e| &e.value.item) {
            ids.entry(id).or_insert(i);
        }
    }
    let mut out = Vec::with_capacity(tables.len());
    for (index, (table, at)) in tables.iter().enumerate() {
        let mut whole = (*table).clone();
        let mut seen = vec![index];
        let mut current = *table;
        while let Some(entry) = current.get("like") {
            let Item::Text(name) = &entry.value.item else {
                break; // The walker reports the wrong type.
            };
            let Some(&next) = ids.get(name.as_str()) else {
                log.push(like_problem(entry, format!("no chip is named {name:?}")));
                break;
            };
            if seen.contains(&next) || seen.len() > 64 {
                log.push(like_problem(
                    entry,
                    format!("{name:?} is in the end like itself"),
                ));
                break;
            }
            seen.push(next);
            let Some((base, _)) = tables.get(next) else {
                break;
            };
            current = base;
            for e in &current.entries {
                if !OWN.contains(&e.key.as_str()) && whole.get(&e.key).is_none() {
                    whole.entries.push(e.clone());
                }
            }
        }
        out.push((whole, *at));
    }
    out
}

fn like_problem(entry: &Entry, says: String) -> Problem {
    Problem::new(&LIKE, entry.value.at, "chip", says)
        .repair("`like` names the id of another [[chip]] of this layout")
}
