//! Where settings are saved.

use super::super::space::gcd;
use super::Save;

/// Where each setting is saved. The first reading takes as many settings as there are presets; what is left over holds
/// earlier settings again in another order, so that no two presets have the same neighbour. The second reading holds
/// all of the first, one preset further back: it shows the way from each preset to the next. Further readings take
/// what settings remain.
pub(super) fn saves(alike: &[usize], presets: usize) -> Vec<Save> {
    let settings = alike.len();
    let mut out = Vec::new();
    let mut save = |reading, preset, setting| {
        out.push(Save {
            reading,
            preset,
            setting,
        });
    };
    let walk = walk(alike, presets);
    for (preset, &setting) in walk.iter().enumerate() {
        save(0, preset, setting);
    }
    let mut reading = 1;
    if presets > 1 {
        for preset in 0..presets {
            save(reading, preset, walk[(preset + 1) % presets]);
        }
        reading += 1;
    }
    let mut first = presets;
    while first < settings {
        let here = presets.min(settings - first);
        let steps: Vec<usize> = (1..=here).filter(|s| gcd(*s, here) == 1).collect();
        for preset in 0..presets {
            let (round, at) = (preset / here, preset % here);
            let step = steps[(round * 3) % steps.len()];
            save(reading, preset, first + (at * step + round * 5) % here);
        }
        first += here;
        reading += 1;
    }
    out
}

/// Settings for a row of presets: each in turn, then again in wider and wider steps, so that a pair of neighbours
/// comes once. `alike[s]` names the setting that setting `s` repeats, or itself.
pub(super) fn walk(alike: &[usize], presets: usize) -> Vec<usize> {
    let settings = alike.len().min(presets);
    let steps: Vec<usize> = (1..=settings).filter(|s| gcd(*s, settings) == 1).collect();
    let mut walk: Vec<usize> = (0..settings).collect();
    // Presets that hold the same and are followed by the same could be exchanged.
    let open = |walk: &[usize]| {
        let round = if walk.len() < presets { 0 } else { 1 };
        let next = walk[1..].iter().chain(&walk[..round]);
        let pairs = walk.iter().zip(next).map(|(a, b)| (alike[*a], alike[*b]));
        let mut pairs: Vec<(usize, usize)> = pairs.collect();
        pairs.sort_unstable();
        pairs.windows(2).filter(|w| w[0] == w[1]).count()
    };
    while (1..presets).contains(&walk.len()) {
        let step = steps[walk.len() / settings % steps.len()];
        let from = |start: usize| -> Vec<usize> {
            let more = (start..start + settings).map(|at| at * step % settings);
            walk.iter().copied().chain(more).take(presets).collect()
        };
        walk = (0..settings)
            .map(from)
            .min_by_key(|w| open(w))
            .unwrap_or_default();
    }
    walk
}
