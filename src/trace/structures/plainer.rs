//! Plainer wirings beside one that was found: slips may make it look better than what it is made of.

use super::super::space::{PresetMap, lines_say};

/// The maps of which one preset bit turns one line less; of a table, the rules that it nearly is.
pub(super) fn maps(map: &PresetMap) -> Vec<PresetMap> {
    if map.tabled() {
        return rules(map);
    }
    let mut less: Vec<(usize, u32)> = Vec::new();
    for (j, delta) in map.deltas.iter().enumerate() {
        let lines = (0..32).map(|l| 1u32 << l).filter(|l| delta & l != 0);
        let some = delta.count_ones() > 1;
        less.extend(lines.filter(|_| some).map(|l| (j, delta ^ l)));
    }
    let with = |(j, delta): (usize, u32)| {
        let mut deltas = map.deltas.clone();
        deltas[j] = delta;
        wired(&deltas, map.offset.len(), lines_say(&deltas))
    };
    less.into_iter().filter_map(with).collect()
}

/// The rules that a table nearly is: what each preset bit turns in most presets.
fn rules(map: &PresetMap) -> Vec<PresetMap> {
    /// Ways to choose where a bit turns one thing in as many presets as another.
    const WAYS: usize = 16;
    let n = map.offset.len();
    let bits = n.next_power_of_two().trailing_zeros();
    let mut ways: Vec<Vec<u32>> = vec![Vec::new()];
    for j in 0..bits {
        let without = (0..n).filter(|p| p >> j & 1 == 0 && p | 1 << j < n);
        let mut turned: Vec<u32> = without
            .map(|p| map.offset[p] ^ map.offset[p | 1 << j])
            .collect();
        turned.sort_unstable();
        let same = || turned.chunk_by(|a, b| a == b);
        let most = same().map(<[u32]>::len).max().unwrap_or(0);
        let likely: Vec<u32> = same().filter(|s| s.len() == most).map(|s| s[0]).collect();
        let longer = |way: &Vec<u32>| -> Vec<Vec<u32>> {
            let with = |delta: &u32| way.iter().copied().chain([*delta]).collect();
            likely.iter().map(with).collect()
        };
        ways = ways.iter().flat_map(longer).take(WAYS).collect();
    }
    let all = ways
        .iter()
        .filter_map(|deltas| wired(deltas, n, lines_say(deltas)));
    all.filter(|rule| rule.nearly(map)).collect()
}

/// Presets on address lines, where no two of them are in one place.
fn wired(deltas: &[u32], presets: usize, says: &str) -> Option<PresetMap> {
    let mut places = PresetMap::wired(deltas, 1 << deltas.len(), says).offset;
    places.sort_unstable();
    places.dedup();
    (places.len() == 1 << deltas.len()).then(|| PresetMap::wired(deltas, presets, says))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By hand: a Gray counter of sixteen presets turns 256 first, then 4, 2 and 8: so its bits turn 256, 256 + 4, 4 + 2 and 2 + 8.
    /// With the first and third preset exchanged, and the second and fourth, twelve lie where it says. Its third bit then turns
    /// 4 + 2 in four presets and 256 + 2 in four: both are tried, and one of them lies near.
    #[test]
    fn a_table_that_nearly_is_a_rule() {
        let gray = PresetMap::wired(&[256, 260, 6, 10], 16, "");
        let mut table = gray.clone();
        table.offset.swap(0, 2);
        table.offset.swap(1, 3);
        assert!(table.tabled());
        let found = maps(&table);
        let deltas: Vec<&[u32]> = found.iter().map(|m| &m.deltas[..]).collect();
        assert!(deltas.contains(&&[256, 260, 6, 10][..]), "{deltas:?}");
        assert!(found.iter().all(|m| !m.tabled() && m.nearly(&table)));
        assert!(found.iter().any(|m| m.says.starts_with("a Gray counter")));
        // Of presets in no order there is no rule: none keeps three in four.
        let mut other = gray.clone();
        other.offset.reverse();
        other.offset.rotate_left(3);
        other.offset.swap(2, 9);
        other.offset.swap(5, 12);
        other.offset.swap(7, 8);
        assert!(maps(&other).is_empty());
    }

    /// By hand: a bit that turns two lines may turn either alone, but not one that another bit turns alone.
    #[test]
    fn one_line_less() {
        let found = maps(&PresetMap::wired(&[1, 2, 6], 8, ""));
        let deltas: Vec<&[u32]> = found.iter().map(|m| &m.deltas[..]).collect();
        assert_eq!(deltas, [&[1, 2, 4][..]]);
    }
}
