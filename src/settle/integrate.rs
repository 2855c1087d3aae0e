//! Integrating a likelihood over two unknowns, however narrow its peak or long its ridges.
//!
//! The rectangle of both unknowns is halved again and again, along the side on which the logarithm of the
//! likelihood varies more, until it varies by about a half within each piece; pieces too unlikely to matter are
//! dropped. Each piece that is left is summed by Gauss and Legendre's two points a side.

/// Natural logarithms below the peak at which a piece no longer matters.
const FLOOR: f64 = 24.0;
/// Variation of the logarithm allowed within a piece at the peak, and for each unit below the peak.
const VARIATION: (f64, f64) = (0.5, 0.1);
/// Pieces along each side to begin with.
const FIRST: u32 = 8;
/// Most halvings of a piece: 2^-24 of each side.
const DEEPEST: u32 = 48;

/// A point with its share of the integral.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Point {
    pub x: f64,
    pub y: f64,
    pub weight: f64,
}

#[derive(Clone, Copy)]
struct Piece {
    x: (f64, f64),
    y: (f64, f64),
    depth: u32,
}

/// What the likelihood does on a piece, told from three by three points.
struct Look {
    top: f64,
    along_x: f64,
    along_y: f64,
}

impl Piece {
    fn look(&self, log: &impl Fn(f64, f64) -> f64) -> Look {
        let at = |(low, high): (f64, f64), i: usize| low + (high - low) * i as f64 / 2.0;
        let mut seen = [[0.0; 3]; 3];
        for (i, row) in seen.iter_mut().enumerate() {
            for (j, value) in row.iter_mut().enumerate() {
                *value = log(at(self.x, i), at(self.y, j));
            }
        }
        let range = |values: [f64; 3]| {
            let most = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
            let least = values.iter().copied().fold(f64::INFINITY, f64::min);
            most - least
        };
        let mut look = Look {
            top: f64::NEG_INFINITY,
            along_x: 0.0,
            along_y: 0.0,
        };
        let [first, second, third] = seen;
        for ((a, b), c) in first.into_iter().zip(second).zip(third) {
            look.along_x = look.along_x.max(range([a, b, c]));
        }
        for row in seen {
            look.along_y = look.along_y.max(range(row));
            look.top = row.into_iter().fold(look.top, f64::max);
        }
        look
    }

    fn halves(&self, along_x: bool) -> [Piece; 2] {
        let depth = self.depth + 1;
        let half = |(low, high): (f64, f64)| {
            let middle = f64::midpoint(low, high);
            [(low, middle), (middle, high)]
        };
        if along_x {
            half(self.x).map(|x| Piece { x, depth, ..*self })
        } else {
            half(self.y).map(|y| Piece { y, depth, ..*self })
        }
    }

    fn points(&self, log: &impl Fn(f64, f64) -> f64) -> [Point; 4] {
        let at = |(low, high): (f64, f64), side: f64| {
            f64::midpoint(low, high) + side * (high - low) / 2.0 / 3f64.sqrt()
        };
        let area = (self.x.1 - self.x.0) * (self.y.1 - self.y.0) / 4.0;
        [(-1.0, -1.0), (-1.0, 1.0), (1.0, -1.0), (1.0, 1.0)].map(|(a, b)| {
            let (x, y) = (at(self.x, a), at(self.y, b));
            // The logarithm, until the peak is known.
            let weight = log(x, y) + area.ln();
            Point { x, y, weight }
        })
    }
}

/// Points over a rectangle whose weights add up to 1 and stand for a likelihood given by its natural logarithm.
pub(super) fn points(x: (f64, f64), y: (f64, f64), log: impl Fn(f64, f64) -> f64) -> Vec<Point> {
    let cut = |(low, high): (f64, f64), i: u32| {
        let step = (high - low) / f64::from(FIRST);
        (low + step * f64::from(i), low + step * f64::from(i + 1))
    };
    let mut pieces: Vec<Piece> = (0..FIRST * FIRST)
        .map(|i| Piece {
            x: cut(x, i / FIRST),
            y: cut(y, i % FIRST),
            depth: 0,
        })
        .collect();
    let mut peak = f64::NEG_INFINITY;
    let mut done: Vec<Piece> = Vec::new();
    while !pieces.is_empty() {
        let looks: Vec<Look> = pieces.iter().map(|p| p.look(&log)).collect();
        peak = looks.iter().map(|l| l.top).fold(peak, f64::max);
        let mut next = Vec::new();
        for (piece, look) in pieces.iter().zip(&looks) {
            let varies = look.along_x.max(look.along_y);
            let below = peak - look.top;
            if below > FLOOR + varies {
                continue;
            }
            if varies <= VARIATION.0 + VARIATION.1 * below || piece.depth >= DEEPEST {
                done.push(*piece);
            } else {
                next.extend(piece.halves(look.along_x >= look.along_y));
            }
        }
        pieces = next;
    }
    let mut points: Vec<Point> = done.iter().flat_map(|p| p.points(&log)).collect();
    let most = points
        .iter()
        .map(|p| p.weight)
        .fold(f64::NEG_INFINITY, f64::max);
    for p in &mut points {
        p.weight = (p.weight - most).exp();
    }
    let total: f64 = points.iter().map(|p| p.weight).sum();
    for p in &mut points {
        p.weight /= total;
    }
    points
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A normal distribution of two variables, narrow and leaning: its moments are its parameters.
    #[test]
    fn moments_of_a_narrow_peak() {
        let (a, b, wide, narrow) = (-3.217, 1.391, 0.02, 0.0005);
        let log = |x: f64, y: f64| {
            let (u, v) = (x - a, y - b);
            -((u + v) / wide).powi(2) / 2.0 - ((u - v) / narrow).powi(2) / 2.0
        };
        let points = points((-18.0, -2.0), (-18.0, 5.0), log);
        let mean =
            |f: &dyn Fn(&Point) -> f64| -> f64 { points.iter().map(|p| p.weight * f(p)).sum() };
        assert!((mean(&|p| p.x) - a).abs() < 1e-5);
        assert!((mean(&|p| p.y) - b).abs() < 1e-5);
        let (sum, difference) = (
            mean(&|p| (p.x + p.y - a - b).powi(2)),
            mean(&|p| (p.x - p.y - a + b).powi(2)),
        );
        assert!((sum / wide.powi(2) - 1.0).abs() < 0.01, "{sum}");
        assert!(
            (difference / narrow.powi(2) - 1.0).abs() < 0.01,
            "{difference}"
        );
    }

    #[test]
    fn a_flat_likelihood_is_the_rectangle() {
        let points = points((0.0, 2.0), (0.0, 1.0), |_, _| 0.0);
        let mean: f64 = points.iter().map(|p| p.weight * p.x * p.y * p.y).sum();
        // E[x] E[y^2] of even distributions: 1 * 1/3.
        assert!((mean - 1.0 / 3.0).abs() < 1e-6, "{mean}");
    }
}
