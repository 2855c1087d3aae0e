//! What a plan leaves open however well it is dialled: bits that stand alike in all its settings, and codings that give
//! the same bits.

use super::super::codes::{self, Code, Hypothesis};
use super::super::panel::Lane;
use super::{Kind, Plan};

/// The width that dials are judged by; common practice, no source.
const USUAL: u32 = 7;

impl Plan {
    /// What nobody could tell from the settings of this plan, however well they are dialled, a sentence a kind of thing,
    /// with how many controls it is true of (a voice's or a character's part counted by itself). Dials are judged as if
    /// they had 7 bits, names not at all.
    pub fn left_open(&self) -> Vec<(String, usize)> {
        let mut out: Vec<(String, usize)> = Vec::new();
        for (l, lane) in self.panel.lanes().into_iter().enumerate() {
            for says in self.open_of(l, lane) {
                match out.iter_mut().find(|o| o.0 == says) {
                    Some(o) => o.1 += 1,
                    None => out.push((says, 1)),
                }
            }
        }
        out.sort_by(|a, b| b.1.cmp(&a.1).then_with(|| a.0.cmp(&b.0)));
        out
    }

    fn open_of(&self, l: usize, lane: Lane) -> Vec<String> {
        let control = &self.panel.controls[lane.control];
        if control.kind == Kind::Text {
            return Vec::new();
        }
        let likely = |h: &Hypothesis| control.exact() || h.width == USUAL || h.code == Code::Bcd;
        let all: Vec<Hypothesis> = codes::hypotheses(&self.panel, lane)
            .into_iter()
            .filter(likely)
            .collect();
        let bits: Vec<Vec<Vec<bool>>> = all.iter().map(|h| self.bits(l, lane, *h)).collect();
        let mut out = Vec::new();
        // The commonest coding comes first.
        if let Some((h, bits)) = all.first().zip(bits.first()) {
            let still = |b: &Vec<bool>| !b.contains(&true);
            let alike: Vec<String> = (0..bits.len())
                .filter(|k| !still(&bits[*k]))
                .filter(|k| (0..bits.len()).any(|o| o != *k && bits[o] == bits[*k]))
                .map(|k| k.to_string())
                .collect();
            if !alike.is_empty() {
                out.push(format!(
                    "which is which of bits {} of {}",
                    alike.join(", "),
                    h.says()
                ));
            }
            let still: Vec<String> = (0..bits.len())
                .filter(|k| still(&bits[*k]))
                .map(|k| k.to_string())
                .collect();
            if !still.is_empty() {
                out.push(format!(
                    "bits {} of {}, which never move",
                    still.join(", "),
                    h.says()
                ));
            }
        }
        for (i, a) in all.iter().enumerate() {
            for (b, other) in all.iter().zip(&bits).skip(i + 1) {
                let mut sorted = [bits[i].clone(), other.clone()];
                sorted.iter_mut().for_each(|s| s.sort_unstable());
                if a.width == b.width && a.width > 1 && sorted[0] == sorted[1] {
                    out.push(format!("{} or {}", a.says(), b.says()));
                }
            }
        }
        out
    }

    /// What each bit of a control holds in every setting, as it differs from the first one: a bit that is inverted looks
    /// the same.
    fn bits(&self, l: usize, lane: Lane, h: Hypothesis) -> Vec<Vec<bool>> {
        let code = |s: &super::Setting| codes::code(h, &self.panel, lane, s.positions[l]);
        let condition = self.panel.conditions().swap_remove(l);
        let means = |s: &&super::Setting| {
            (condition.as_ref()).is_none_or(|c| c.positions.contains(&s.positions[c.lane]))
        };
        let codes: Vec<u64> = self.settings.iter().filter(means).map(code).collect();
        let first = codes.first().copied().unwrap_or(0);
        (0..h.width)
            .map(|k| codes.iter().map(|c| (c ^ first) >> k & 1 == 1).collect())
            .collect()
    }
}
