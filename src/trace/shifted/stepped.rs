//! Presets in equal steps: by agreement at a distance.

use rayon::prelude::*;

use super::super::space::PresetMap;
use super::{HAND_ON, Shifted};

impl Shifted {
    /// Maps of equal steps from almost every preset to the next, up or down.
    pub(super) fn stepped(&self) -> Vec<PresetMap> {
        let n = self.presets() as u32;
        let most = (self.len - 1) / (n - 1);
        let near: Vec<[f64; 2]> = (1..=most).into_par_iter().map(|d| self.along(d)).collect();
        (1..=most)
            .flat_map(|stride| [(stride, false), (stride, true)])
            .filter(|&(stride, down)| {
                near[stride as usize - 1][usize::from(down)] > 0.6 * self.total.sqrt()
            })
            .map(|(stride, down)| {
                let order: Vec<u32> = if down {
                    (0..n).rev().collect()
                } else {
                    (0..n).collect()
                };
                let says = if down { "down" } else { "up" };
                PresetMap::stepped(
                    stride,
                    &order,
                    format!("counting {says} in steps of {stride}"),
                )
            })
            .collect()
    }

    /// Maps of equal steps in Gray order.
    pub(super) fn stepped_otherwise(&self) -> Vec<PresetMap> {
        let n = self.presets() as u32;
        let most = (self.len - 1) / (n - 1);
        // Agreement at every distance, up and down.
        let along: Vec<[f64; 2]> = (0..self.len)
            .into_par_iter()
            .map(|d| if d == 0 { [0.0; 2] } else { self.along(d) })
            .collect();
        let orders: [(&str, Vec<u32>); 3] = [
            ("counting up", (0..n).collect()),
            ("counting down", (0..n).rev().collect()),
            ("in Gray order", (0..n).map(|p| p ^ p >> 1).collect()),
        ];
        let mut found: Vec<(f64, u32, usize)> = Vec::new();
        for stride in 1..=most {
            for (o, (_, order)) in orders.iter().enumerate() {
                let top = order.iter().max().copied().unwrap_or(0);
                if top * stride >= self.len {
                    continue;
                }
                // Every step of the order has its share of the agreement.
                let share = 1.0 / f64::from(n);
                let mut by: std::collections::BTreeMap<i64, f64> =
                    std::collections::BTreeMap::new();
                for p in 0..n as usize {
                    let to = order[(p + 1) % n as usize];
                    *by.entry(i64::from(to) - i64::from(order[p])).or_default() += share;
                }
                let z = |k: i64| {
                    let d = (k.unsigned_abs() as u32 * stride) as usize;
                    along[d][usize::from(k < 0)]
                };
                let score: f64 = by
                    .iter()
                    .map(|(k, w)| {
                        let e = w * self.total.sqrt();
                        e * z(*k) - e * e / 2.0
                    })
                    .sum();
                found.push((score, stride, o));
            }
        }
        found.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(&b.1)));
        found
            .iter()
            .take(HAND_ON)
            .filter(|f| f.0 > 0.0)
            .map(|&(_, stride, o)| {
                let (says, order) = &orders[o];
                PresetMap::stepped(stride, order, format!("{says} in steps of {stride}"))
            })
            .collect()
    }

    /// Standard deviations of the agreement at a distance, up and down.
    fn along(&self, d: u32) -> [f64; 2] {
        let d = d as usize;
        let cells = self.len as usize - d;
        let mut sum = [0i64; 2];
        for plane in &self.planes {
            let [before, after, changed] = &plane.packed;
            // Each cell with the one that far on, and that far back.
            for (sum, (here, there)) in sum.iter_mut().zip([(0, d), (d, 0)]) {
                for at in (0..cells).step_by(64) {
                    let mask = changed.from(at + here) & u64::MAX >> (64 - (cells - at).min(64));
                    let agree = mask & !(after.from(at + here) ^ before.from(at + there));
                    *sum += 2 * i64::from(agree.count_ones()) - i64::from(mask.count_ones());
                }
            }
        }
        sum.map(|s| s as f64 / self.total.sqrt())
    }
}
