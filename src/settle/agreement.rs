//! Where the reads agree: bits per chip, data line, address line and area.

use super::{Agreement, counts};
use crate::image::ChipImage;
use crate::layout::model::Layout;

/// Agreement of every place.
pub(super) fn agreement(
    images: &[Vec<&ChipImage>],
    ids: &[&str],
    layout: Option<&Layout>,
) -> Vec<Agreement> {
    let mut out = Vec::new();
    // One bit set for each line all reads agree on, and for each line at least two reads know.
    let maps: Vec<Vec<(u8, u8)>> = images
        .iter()
        .map(|reads| {
            (0..reads[0].words())
                .map(|cell| {
                    let (mut agreed, mut judged) = (0, 0);
                    for line in 0..reads[0].width() {
                        let (ones, zeros) = counts(reads, cell, line);
                        if ones + zeros > 1 {
                            judged |= 1 << line;
                            agreed |= u8::from(ones == 0 || zeros == 0) << line;
                        }
                    }
                    (agreed, judged)
                })
                .collect()
        })
        .collect();
    let tally = |place: String, cells: &mut dyn Iterator<Item = (u8, u8)>| {
        let (mut bits, mut agreed) = (0, 0);
        for (a, j) in cells {
            bits += u64::from(j.count_ones());
            agreed += u64::from(a.count_ones());
        }
        Agreement {
            place,
            bits,
            agreed,
        }
    };
    for (map, (id, reads)) in maps.iter().zip(ids.iter().zip(images)) {
        out.push(tally((*id).to_owned(), &mut map.iter().copied()));
        for line in 0..reads[0].width() {
            let m = 1u8 << line;
            let mut cells = map.iter().map(|(a, j)| (a & m, j & m));
            out.push(tally(format!("{id} D{line}"), &mut cells));
        }
        for line in 0..map.len().next_power_of_two().trailing_zeros() {
            for level in [0, 1] {
                let mut cells = map
                    .iter()
                    .enumerate()
                    .filter(|(c, _)| (c >> line) & 1 == level)
                    .map(|(_, m)| *m);
                out.push(tally(format!("{id} A{line}={level}"), &mut cells));
            }
        }
    }
    for area in layout.iter().flat_map(|l| &l.areas) {
        let mut bits = area.places.iter().filter_map(|p| {
            let m = 1u8.checked_shl(p.line.into()).unwrap_or(0);
            let (a, j) = maps.get(usize::from(p.chip))?.get(p.cell as usize)?;
            Some((a & m, j & m))
        });
        out.push(tally(area.name.clone(), &mut bits));
    }
    out
}
