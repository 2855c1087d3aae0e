//! Bits that an edit leaves as they were read though nobody vouches for them.

use std::collections::HashSet;

use super::Edited;
use crate::layout::model::{BitPlace, Layout};
use crate::reading::{Origin, Reading};

impl Edited {
    /// Makes bits unknown in the new reading, with the checks that were rewritten over them, since those were reckoned from
    /// what nobody vouches for. The chip files go on holding what they held: [`Edited::held`] has it.
    ///
    /// `before` is the reading that was edited, with its chips in the layout's order.
    pub fn leave_unknown(
        &mut self,
        layout: &Layout,
        before: &Reading,
        bits: &[BitPlace],
        origin: &Origin,
    ) {
        if bits.is_empty() {
            return;
        }
        let images = self.reading.chips.iter().map(|c| c.image.clone());
        self.held = images.collect();
        let mut unknown: HashSet<(u16, u32, u8)> =
            bits.iter().map(|p| (p.chip, p.cell, p.line)).collect();
        self.forget(bits, origin);
        let over = Origin {
            why: "a check reckoned over bits that are not known".to_owned(),
            ..origin.clone()
        };
        // A check may cover another.
        loop {
            let mut more: Vec<BitPlace> = Vec::new();
            let checks = layout.areas.iter().flat_map(|a| &a.checks);
            for instance in checks.flat_map(|c| &c.instances) {
                let is_unknown = |p: &BitPlace| unknown.contains(&(p.chip, p.cell, p.line));
                let rewritten = |p: &BitPlace| {
                    let was = before.chips.get(usize::from(p.chip));
                    let is = self.held.get(usize::from(p.chip));
                    was.map(|c| c.image.bit(p.cell, p.line)) != is.map(|i| i.bit(p.cell, p.line))
                };
                if !instance.stored.iter().all(is_unknown)
                    && instance.stored.iter().any(rewritten)
                    && instance.words.bits().iter().any(is_unknown)
                {
                    more.extend(&instance.stored);
                }
            }
            if more.is_empty() {
                break;
            }
            unknown.extend(more.iter().map(|p| (p.chip, p.cell, p.line)));
            self.forget(&more, &over);
        }
        self.record.after = super::record::digests(&self.reading);
    }

    fn forget(&mut self, bits: &[BitPlace], origin: &Origin) {
        for p in bits {
            if let Some(chip) = self.reading.chips.get_mut(usize::from(p.chip)) {
                chip.set_bit(p.cell, p.line, None, origin);
            }
        }
    }
}
