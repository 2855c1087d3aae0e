//! Chips whose presets lie on the same places by a table, in an order that is nearly but not quite the same.
//!
//! One table orders the presets of all chips; common practice, no source. Slips and noise may let one chip show it otherwise than
//! another, since a save that slipped speaks in all of a chip's columns, and chips in two orders would share no area. So the order
//! is taken that all of them together bear out best, unless it leaves one of them with less than half of its columns explained.

use super::super::explain::Explained;
use super::super::space::PresetMap;
use super::Finder;

impl Finder<'_> {
    /// Gives chips whose presets lie on the same places the one order that all of them bear out best.
    pub(super) fn one_order(&self, all: &mut [Explained]) {
        for i in 0..all.len() {
            let like = |j: &usize| {
                all[*j].space.len() == all[i].space.len() && same_places(&all[i].map, &all[*j].map)
            };
            let group: Vec<usize> = (i..all.len()).filter(like).collect();
            let mut orders: Vec<PresetMap> = Vec::new();
            for &j in &group {
                if orders.iter().all(|o| o.offset != all[j].map.offset) {
                    orders.push(all[j].map.clone());
                }
            }
            if orders.len() < 2 {
                continue;
            }
            let by = |order: &PresetMap| -> Option<(f64, Vec<Explained>)> {
                let each = group.iter().map(|j| self.told_by(&all[*j], order));
                let each: Vec<Explained> = each.collect::<Option<_>>()?;
                let mut pairs = each.iter().zip(&group);
                let explained = pairs.all(|(e, j)| e.hits * 2 >= all[*j].hits);
                explained.then_some(())?;
                Some((each.iter().map(said).sum(), each))
            };
            let best = orders.iter().filter_map(by);
            let best = best.max_by(|a, b| a.0.total_cmp(&b.0));
            if let Some((_, each)) = best {
                for (j, e) in group.into_iter().zip(each) {
                    all[j] = e;
                }
            }
        }
    }
}

/// What speaks for a structure, whatever it takes to tell it.
fn said(e: &Explained) -> f64 {
    e.weight + e.carried.odds()
}

/// True for tables that give presets the same places, in whatever order.
fn same_places(a: &PresetMap, b: &PresetMap) -> bool {
    let places = |map: &PresetMap| {
        let mut places = map.places();
        places.sort_unstable();
        places
    };
    a.tabled() && b.tabled() && a.xor == b.xor && a.pins == b.pins && places(a) == places(b)
}
