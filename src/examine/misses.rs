//! Comparing predictions with what is seen, eight cells at a time.

use crate::image::ChipImage;

/// How a prediction of one chip compares with what is seen of it, in bits.
#[derive(Clone, Copy, Default)]
pub(super) struct Compared {
    /// Seen but not predicted.
    pub open: u64,
    /// Seen and predicted.
    pub judged: u64,
    /// Of those, predicted wrongly.
    pub missed: u64,
}

pub(super) fn compare(predicted: &ChipImage, seen: &ChipImage) -> Compared {
    let mut out = Compared::default();
    let mut add = |pv: u64, pk: u64, sv: u64, sk: u64| {
        let both = pk & sk;
        out.judged += u64::from(both.count_ones());
        if sk != both {
            out.open += u64::from((sk & !pk).count_ones());
        }
        let missed = (pv ^ sv) & both;
        if missed != 0 {
            out.missed += u64::from(missed.count_ones());
        }
    };
    // Eight cells at a time.
    let n = predicted.values().len().min(seen.values().len());
    let columns = [
        predicted.values(),
        predicted.known(),
        seen.values(),
        seen.known(),
    ]
    .map(|c| c[..n].as_chunks::<8>());
    let [pv, pk, sv, sk] = columns.map(|c| c.0.iter().map(|b| u64::from_le_bytes(*b)));
    for (((pv, pk), sv), sk) in pv.zip(pk).zip(sv).zip(sk) {
        add(pv, pk, sv, sk);
    }
    let [pv, pk, sv, sk] = columns.map(|c| c.1.iter().map(|b| u64::from(*b)));
    for (((pv, pk), sv), sk) in pv.zip(pk).zip(sv).zip(sk) {
        add(pv, pk, sv, sk);
    }
    out
}

/// For each cell the bits predicted wrongly.
pub(super) fn misses<'i>(
    predicted: &'i ChipImage,
    seen: &'i ChipImage,
) -> impl Iterator<Item = u8> + 'i {
    let p = predicted.values().iter().zip(predicted.known());
    let s = seen.values().iter().zip(seen.known());
    p.zip(s).map(|((pv, pk), (sv, sk))| (sv ^ pv) & sk & pk)
}

/// Known bits that differ, and all known bits.
pub(super) fn changed_bits(now: &[ChipImage], before: &[ChipImage]) -> (u64, u64) {
    let chips = now.iter().zip(before).map(|(n, b)| compare(n, b));
    chips.fold((0, 0), |(changed, all), c| {
        (changed + c.missed, all + c.judged)
    })
}

/// Fills unknown bits from an earlier reading.
pub(super) fn fill(chips: &mut [ChipImage], earlier: &[ChipImage]) {
    for (chip, before) in chips.iter_mut().zip(earlier) {
        chip.edit(|cell, v, k| {
            let c = cell as usize;
            let (bv, bk) = (before.values()[c], before.known()[c]);
            (v & k | bv & bk & !k, k | bk)
        });
    }
}
