//! Chips that hold a part of the presets each.

use super::super::explain::Explained;
use super::super::space::Space;
use super::{Depth, Finder, settled, strong, wanting, worth};

impl Finder<'_> {
    /// Chips that show little alone may hold a part of the presets each.
    pub(super) fn shared(&mut self, all: &[Space], out: &mut Vec<Explained>, depth: Depth) {
        // What a chip that holds a part of the presets shows may be taken for all of them, and look as if it were enough. So
        // where one of a shape wants something better, all of it are tried but those that plainly hold every preset.
        let of = |s: &&Space| out.iter().find(|e| e.space == **s);
        let alone = |e: &Explained| strong(e) && e.carried.largely() && !e.carried.parted();
        let little: Vec<&Space> = (all.iter())
            .filter(|s| of(s).is_none_or(|e| !settled(e) && !alone(e)))
            .collect();
        let wants = |e: &Explained| wanting(e, Depth::Words) || e.carried.parted();
        let alike = little.chunk_by(|a, b| a.shape() == b.shape());
        let alike = alike.filter(|some| some.iter().any(|s| of(s).is_none_or(wants)));
        for alike in alike.map(<[_]>::to_vec).collect::<Vec<_>>() {
            // Of pairs, fours and eights those that explain most, beside what the chips show alone; one that is none of them
            // may stand before them, or after.
            let mut most = (0.0, Vec::new());
            let sizes = [2, 4, 8].into_iter().filter(|size| *size <= alike.len());
            let ways = sizes.flat_map(|size| {
                let over = alike.len() % size;
                [0, over]
                    .into_iter()
                    .take(1 + over.min(1))
                    .map(move |from| (size, from))
            });
            for (size, from) in ways {
                let (mut gain, mut together) = (0.0, Vec::new());
                for some in alike[from..].chunks_exact(size) {
                    let space = Space {
                        chips: some.iter().flat_map(|s| s.chips.clone()).collect(),
                        ..some[0].clone()
                    };
                    self.pool(&[&space], depth);
                    let known: Vec<Explained> = out.iter().chain(&together).cloned().collect();
                    let Some(e) = self.best(&space, &known, depth).filter(parted) else {
                        continue;
                    };
                    let parts = out.iter().filter(|o| within(o, &e));
                    let apart: f64 = parts.map(worth).sum();
                    if worth(&e) > apart {
                        gain += worth(&e) - apart;
                        together.push(e);
                    }
                }
                if gain > most.0 {
                    most = (gain, together);
                }
            }
            for e in most.1 {
                out.retain(|o| !within(o, &e));
                out.push(e);
            }
        }
    }
}

/// True where some presets lie in one chip and some in another: chips that hold all of them alike are no more together than
/// each by itself, but for the price of one table instead of several.
fn parted(e: &Explained) -> bool {
    let len = e.space.len();
    let parted = |base: &u32| {
        let cells = (0..e.map.offset.len()).filter_map(|p| e.map.cell(*base, p, len));
        let mut chips = cells.map(|cell| e.space.place(cell).0);
        let first = chips.next();
        chips.any(|chip| Some(chip) != first)
    };
    e.bases.iter().any(parted)
}

/// True where a structure is of chips that another one is of too.
fn within(part: &Explained, whole: &Explained) -> bool {
    let chips = &whole.space.chips;
    part.space.chips.iter().all(|c| chips.contains(c))
}
