//! One odd read among several: the wrong chip, a slipped clip, another instrument.

use super::still::{self, Still, What};
use crate::finding::{Finding, Severity};
use crate::image::ChipImage;
use crate::reading::Reading;

/// Share of its bits from which a read may be an odd one: more than noise, less than another bank.
pub(super) const ODD: f64 = 0.02;
/// Least bits by which a read must differ to be an odd one, where a plain mishap explains them.
const MISHAP: u64 = 16;

/// Bits of some data lines on which two images differ, and bits both know.
fn distance(a: &ChipImage, b: &ChipImage, lines: u8) -> (u64, u64) {
    let (mut differ, mut judged) = (0, 0);
    for i in 0..a.values().len().min(b.values().len()) {
        let known = a.known()[i] & b.known()[i] & lines;
        judged += u64::from(known.count_ones());
        differ += u64::from(((a.values()[i] ^ b.values()[i]) & known).count_ones());
    }
    (differ, judged)
}

/// For each read, why it is set aside, if it is. `chips` is by chip, then by read.
///
/// A read is odd when the others agree with each other and it does not with them: of its differences from each of
/// them the middle one is more than one bit in fifty, and eight times the middle one among the others. Middles, since
/// a second odd read must not hide the first. Fewer differences will do where a plain mishap explains them. Where a read
/// shows contents and the others a line that does not move, that difference does not speak against it. With only two
/// reads nobody can say which one is odd. However many there are, those are set aside that agree with nobody while at least three
/// agree ([`agreeing`]).
pub(super) fn set_aside(
    chips: &[Vec<&ChipImage>],
    ids: &[&str],
    stills: &[Still],
) -> Vec<Option<String>> {
    let reads = chips.first().map_or(0, Vec::len);
    let mut out = vec![None; reads];
    if reads < 3 {
        return out;
    }
    let rates: Vec<Vec<f64>> = (0..reads)
        .map(|a| (0..reads).map(|b| rate(chips, a, b)).collect())
        .collect();
    let bits = chips.iter().map(|c| c[0].bits()).sum::<u64>() as f64;
    for (odd, place) in out.iter_mut().enumerate() {
        let others: Vec<usize> = (0..reads).filter(|r| *r != odd).collect();
        let own = middle(others.iter().map(|o| rates[odd][*o]));
        let theirs = middle(
            others
                .iter()
                .enumerate()
                .flat_map(|(i, a)| others[i + 1..].iter().map(|b| rates[*a][*b])),
        );
        let speaks = middle(others.iter().map(|o| {
            rate_where(chips, odd, *o, |chip| {
                lines_that_speak(stills, chip, odd, *o)
            })
        }));
        if own > 8.0 * theirs && speaks > 8.0 * theirs && speaks * bits > MISHAP as f64 {
            // Held against the read that is most like the others.
            let good = others
                .iter()
                .copied()
                .min_by(|a, b| {
                    let of = |r: &usize| middle(others.iter().map(|o| rates[*r][*o]));
                    of(a).total_cmp(&of(b))
                })
                .unwrap_or(odd);
            if speaks > ODD || mishap(chips, ids, odd, good, own).is_some() {
                *place = Some(why(chips, ids, odd, good, own));
            }
        }
    }
    // More than one odd read in two is no odd one out: nothing is set aside, and locating must speak.
    if out.iter().flatten().count() * 2 >= reads {
        out.fill(None);
    }
    if let Some(group) = agreeing(chips, &rates, stills) {
        let others = out.iter_mut().enumerate();
        for (odd, place) in others.filter(|(r, _)| !group.contains(r)) {
            let own = nearest(&group, |r| rates[odd][r]);
            place.get_or_insert_with(|| why(chips, ids, odd, group[0], own));
        }
    }
    out
}

/// Least reads that agree before others, as many or more, are set aside beside them.
const GROUP: usize = 3;

/// The reads that agree with each other, where every other read is far from all of them and no other reads, as many, agree: what goes
/// wrong by chance does not go wrong twice in the same way, so that any number of such reads is as nothing beside three that
/// agree. Nothing where that is not so, where the others differ on one data line of a chip only, which is its pin's doing, or
/// where those that agree are blank and the others are not.
fn agreeing(chips: &[Vec<&ChipImage>], rates: &[Vec<f64>], stills: &[Still]) -> Option<Vec<usize>> {
    let reads = rates.len();
    let mut groups: Vec<Vec<usize>> = Vec::new();
    for (read, rates) in rates.iter().enumerate() {
        let near = |g: &&mut Vec<usize>| g.iter().all(|r| rates[*r] <= ODD);
        match groups.iter_mut().find(near) {
            Some(group) => group.push(read),
            None => groups.push(vec![read]),
        }
    }
    groups.sort_by_key(|g| std::cmp::Reverse(g.len()));
    let group = groups.first().filter(|g| g.len() >= GROUP)?.clone();
    if group.len() == reads || groups.get(1).is_some_and(|g| g.len() == group.len()) {
        return None;
    }
    let mut apart = 0.0f64;
    for (i, a) in group.iter().enumerate() {
        let others = group[i + 1..].iter().map(|b| rates[*a][*b]);
        apart = others.fold(apart, f64::max);
    }
    let far = |odd: usize| {
        let speaks = nearest(&group, |r| {
            rate_where(chips, odd, r, |chip| {
                let lines = lines_that_speak(stills, chip, odd, r);
                lines & !dissenting_line(chips[chip][odd], chips[chip][r])
            })
        });
        speaks > ODD.max(8.0 * apart)
    };
    let blank = |odd: usize| {
        let shows = |c: &Vec<&ChipImage>| c[group[0]].is_blank() && !c[odd].is_blank();
        chips.iter().any(shows)
    };
    let mut others = (0..reads).filter(|r| !group.contains(r));
    others.all(|odd| far(odd) && !blank(odd)).then_some(group)
}

/// The least of what holds of the reads of a group.
fn nearest(group: &[usize], of: impl Fn(usize) -> f64) -> f64 {
    group.iter().map(|r| of(*r)).fold(f64::INFINITY, f64::min)
}

/// The data line on which two images of a chip differ most, if it has several lines.
fn dissenting_line(a: &ChipImage, b: &ChipImage) -> u8 {
    let lines = (0..a.width()).map(|line| 1u8 << line);
    match a.width() {
        1 => 0,
        _ => lines
            .max_by_key(|line| distance(a, b, *line).0)
            .unwrap_or(0),
    }
}

/// Share of the bits both know in which two reads differ; a little over none where they are alike, by what they have to
/// show.
fn rate(chips: &[Vec<&ChipImage>], a: usize, b: usize) -> f64 {
    rate_where(chips, a, b, |_| 0xff)
}

/// The same for some data lines of each chip.
fn rate_where(chips: &[Vec<&ChipImage>], a: usize, b: usize, lines: impl Fn(usize) -> u8) -> f64 {
    let (differ, judged) = chips.iter().enumerate().fold((0, 0), |(d, n), (chip, c)| {
        let (x, y) = distance(c[a], c[b], lines(chip));
        (d + x, n + y)
    });
    if judged == 0 {
        return 0.0;
    }
    (differ as f64 + 0.5) / (judged as f64 + 1.0)
}

/// The data lines of a chip on which a difference from another read speaks against a read: not those that it shows
/// moving and the other still.
fn lines_that_speak(stills: &[Still], chip: usize, read: usize, other: usize) -> u8 {
    stills
        .iter()
        .filter(|s| s.chip == chip && s.moves_in.contains(&read) && s.in_reads.contains(&other))
        .fold(0xff, |lines, s| match s.what {
            What::Lines(still) => lines & !still,
            What::Chip | What::Address(_) => 0,
        })
}

/// The middle of some numbers, of two middle ones the lower.
fn middle(of: impl Iterator<Item = f64>) -> f64 {
    let mut all: Vec<f64> = of.collect();
    all.sort_by(f64::total_cmp);
    let at = all.len().saturating_sub(1) / 2;
    all.get(at).copied().unwrap_or(0.0)
}

/// What the odd read looks like beside a good one; `ids` are the chips' ids.
fn why(chips: &[Vec<&ChipImage>], ids: &[&str], odd: usize, good: usize, rate: f64) -> String {
    let percent = rate * 100.0;
    let differs = if percent < 0.1 {
        "it differs from the others".to_owned()
    } else {
        format!("it differs from the others in {percent:.1} % of its bits")
    };
    if let Some(mishap) = mishap(chips, ids, odd, good, rate) {
        format!("{differs}{mishap}")
    } else if let Some(still) = still::beside(chips, ids, odd, good) {
        format!("{differs}: in it {still}")
    } else if let Some(line) = on_one_line(chips, ids, odd, good) {
        format!("{differs}: {line}")
    } else if rate > 0.25 {
        format!("{differs}: another chip or instrument")
    } else {
        format!("{differs}, and they agree")
    }
}

/// The data line on which at least nine in ten of the bits lie in which an odd read differs from a good one, if there is one; of
/// a chip one bit wide, the chip.
fn on_one_line(chips: &[Vec<&ChipImage>], ids: &[&str], odd: usize, good: usize) -> Option<String> {
    let mut of_lines = Vec::new();
    for (c, id) in chips.iter().zip(ids) {
        for line in 0..c[odd].width() {
            let place = match c[odd].width() {
                1 => (*id).to_owned(),
                _ => format!("data line D{line} of {id}"),
            };
            of_lines.push((distance(c[odd], c[good], 1 << line).0, place));
        }
    }
    let all: u64 = of_lines.iter().map(|l| l.0).sum();
    let lines = of_lines.len();
    let (most, place) = of_lines.into_iter().max_by_key(|l| l.0)?;
    (lines > 1 && all >= MISHAP && 10 * most >= 9 * all)
        .then(|| format!("{most} of these {all} bits are on {place}"))
}

/// The plain mishap that explains how an odd read differs from a good one, if one does.
fn mishap(
    chips: &[Vec<&ChipImage>],
    ids: &[&str],
    odd: usize,
    good: usize,
    rate: f64,
) -> Option<String> {
    match blank_beside(chips, ids, odd, good) {
        Some(blank) => Some(format!(": {blank}")),
        None => relation(chips, ids, odd, good, rate).map(|r| format!(", but agrees {r}")),
    }
}

/// What is blank in one read and not in another, if anything is.
fn blank_beside(
    chips: &[Vec<&ChipImage>],
    ids: &[&str],
    odd: usize,
    good: usize,
) -> Option<String> {
    let blank: Vec<&str> = chips
        .iter()
        .zip(ids)
        .filter(|(c, _)| c[odd].is_blank() && !c[good].is_blank())
        .map(|(_, id)| *id)
        .collect();
    let which = match blank.len() {
        0 => return None,
        n if n == chips.len() => "all its cells".to_owned(),
        _ => format!("all cells of {}", blank.join(", ")),
    };
    Some(format!(
        "{which} read alike, as an empty socket or a chip without supply does"
    ))
}

/// How one read becomes another, where a plain mishap explains at least three quarters of the difference.
fn relation(
    chips: &[Vec<&ChipImage>],
    ids: &[&str],
    odd: usize,
    good: usize,
    rate: f64,
) -> Option<String> {
    if let Some(slipped) = slipped(chips, ids, odd, good) {
        return Some(slipped);
    }
    for x in 0..chips.len() {
        for y in x + 1..chips.len() {
            let (a, b) = (chips[x][odd], chips[y][odd]);
            if a.words() != b.words() || a.width() != b.width() {
                continue;
            }
            let (differ, judged) = (0..chips.len()).fold((0, 0), |(d, n), c| {
                let from = match c {
                    c if c == x => y,
                    c if c == y => x,
                    c => c,
                };
                let (x, y) = distance(chips[from][odd], chips[c][good], 0xff);
                (d + x, n + y)
            });
            if judged > 0 && (differ as f64) < 0.25 * rate * judged as f64 {
                return Some(format!("when {} and {} are exchanged", ids[x], ids[y]));
            }
        }
    }
    None
}

/// Whether chips of a read agree with another once they are shifted by one cell, from some cell on.
fn slipped(chips: &[Vec<&ChipImage>], ids: &[&str], odd: usize, good: usize) -> Option<String> {
    let (mut differ, mut left) = (0, 0);
    let mut slipped: Vec<(&str, usize)> = Vec::new();
    for (c, id) in chips.iter().zip(ids) {
        let plain = distance(c[odd], c[good], 0xff).0;
        let best = [1, usize::MAX]
            .into_iter()
            .map(|step| slip(c[odd], c[good], step))
            .min()
            .filter(|(shifted, _)| plain > 0 && 4 * shifted < plain);
        differ += plain;
        left += best.map_or(plain, |b| b.0);
        slipped.extend(best.map(|b| (*id, b.1)));
    }
    // A handful of bits may come together by chance.
    if differ - left < MISHAP || 4 * left >= differ {
        return None;
    }
    let names: Vec<&str> = slipped.iter().map(|s| s.0).collect();
    let which = if names.len() == chips.len() {
        String::new()
    } else {
        let verb = if names.len() == 1 { "is" } else { "are" };
        format!("{} {verb} ", names.join(", "))
    };
    let from = match slipped.as_slice() {
        [(_, from), ..] if *from > 1 => format!(" from about cell {from:#06x} on"),
        _ => String::new(),
    };
    Some(format!("when {which}shifted by one cell{from}"))
}

/// Bits that differ once cells are held against their neighbours from some cell on, at the best such cell, with that
/// cell.
fn slip(odd: &ChipImage, good: &ChipImage, step: usize) -> (u64, usize) {
    let words = odd.values().len().min(good.values().len());
    let differ = |i: usize, j: usize| -> i64 {
        if j >= words {
            return 0;
        }
        let known = odd.known()[i] & good.known()[j];
        i64::from(((odd.values()[i] ^ good.values()[j]) & known).count_ones())
    };
    // From the last cell down: what the shift adds to, or takes from, the plain difference.
    let (mut plain, mut gain, mut best) = (0, 0, (0, words));
    for i in (0..words).rev() {
        let here = differ(i, i);
        plain += here;
        gain += differ(i, i.wrapping_add(step)) - here;
        if gain <= best.0 {
            best = (gain, i);
        }
    }
    ((plain + best.0).unsigned_abs(), best.1)
}

/// Two reads that differ by more than noise does.
pub(super) struct Strangers {
    /// Share of the bits that differ.
    rate: f64,
    /// Which of the two is blank where the other is not, and how.
    blank: Option<(usize, String)>,
    /// How one becomes the other, where a plain mishap explains it.
    relation: Option<String>,
}

/// Whether two reads differ so much that they are hardly reads of the same thing; `chips` is by chip, then by read.
pub(super) fn of_two(chips: &[Vec<&ChipImage>], ids: &[&str]) -> Option<Strangers> {
    if chips.iter().any(|c| c.len() != 2) {
        return None;
    }
    let rate = rate(chips, 0, 1);
    let differ: u64 = chips.iter().map(|c| distance(c[0], c[1], 0xff).0).sum();
    if differ < MISHAP {
        return None;
    }
    let blank = |odd: usize| blank_beside(chips, ids, odd, 1 - odd).map(|says| (odd, says));
    let strangers = Strangers {
        rate,
        blank: blank(0).or_else(|| blank(1)),
        relation: relation(chips, ids, 1, 0, rate),
    };
    (rate > ODD || strangers.is_explained()).then_some(strangers)
}

impl Strangers {
    /// Whether what they are to each other is known.
    pub(super) fn is_explained(&self) -> bool {
        self.blank.is_some() || self.relation.is_some()
    }

    /// The finding about them; `reads` are the two reads' names.
    pub(super) fn finding(&self, reads: [&str; 2]) -> Finding {
        let [one, other] = reads;
        let percent = 100.0 * self.rate;
        let mut says = format!("{one} and {other} differ in {percent:.1} % of their bits");
        if let Some((odd, blank)) = &self.blank {
            let finding = format!("{says}; of {}, {blank}", reads[*odd]);
            return Finding::new("settle.two-differ", Severity::Caution, finding)
                .act("Check how that chip sat and whether it had its supply; read it again in place of that read.");
        }
        if let Some(relation) = &self.relation {
            says.push_str(&format!(", but agree {relation}"));
        }
        Finding::new("settle.two-differ", Severity::Caution, says)
            .means("With two reads nobody can say which one is the odd one.")
            .act("Check which chip was clipped and how it sat; read at least once more, and settle all reads together.")
    }
}

/// All reads blank alike: they agree, and prove nothing.
pub(super) fn all_blank(chips: &[Vec<&ChipImage>]) -> Option<Finding> {
    let blank = chips.iter().flatten().all(|image| image.is_blank());
    (blank && !chips.is_empty()).then(|| {
        Finding::new("settle.all-blank", Severity::Caution, "all cells of all reads read alike")
            .means("Reads of an empty socket, or of chips without supply, agree with each other too.")
            .act("Check that the chips were seated and powered, and that the right part was chosen; then read again.")
    })
}

/// The findings about reads set aside.
pub(super) fn findings(reads: &[(String, Reading)], aside: &[Option<String>]) -> Vec<Finding> {
    reads
        .iter()
        .zip(aside)
        .filter_map(|((name, _), why)| {
            let why = why.as_ref()?;
            Some(
                Finding::new(
                    "settle.odd-read",
                    Severity::Caution,
                    format!("{name} is set aside: {why}"),
                )
                .act("Check which chip was clipped and how it sat; read it again if it should count."),
            )
        })
        .collect()
}
