//! How likely an entry holds what it holds after the edits of the bench's owners, by what each of its values can be set to.

/// Most times that the owner edits something.
pub(crate) const EDITS: usize = 4;
/// Most values set in one edit of some.
const SET: usize = 4;
/// Chance that an edit is a new patch rather than some values.
const PATCH: f64 = 0.3;
/// Most values set in all.
const PICKS: usize = EDITS * SET;
/// A polynomial in the number of values set, with a power of two taken out.
#[derive(Clone, Copy)]
struct Series {
    of: [f64; PICKS + 1],
    log2: f64,
}

impl Series {
    fn one() -> Self {
        let mut of = [0.0; PICKS + 1];
        of[0] = 1.0;
        Self { of, log2: 0.0 }
    }

    fn times(&mut self, by: &[f64; PICKS + 1]) {
        let mut out = [0.0; PICKS + 1];
        for (i, x) in self.of.iter().enumerate() {
            for (o, y) in out[i..].iter_mut().zip(by) {
                *o += x * y;
            }
        }
        let most = out.iter().copied().fold(0.0, f64::max);
        if most > 0.0 {
            out.iter_mut().for_each(|o| *o /= most);
        }
        // Nothing, where no number of settings leads there.
        self.log2 += most.log2();
        self.of = out;
    }

    /// The sum of what is left after so many values were set, by the chance of setting so many.
    fn at(&self, picks: &[f64; PICKS + 1]) -> f64 {
        let mut factorial = 1.0;
        let mut sum = 0.0;
        for (n, (chance, of)) in picks.iter().zip(self.of).enumerate() {
            factorial *= n.max(1) as f64;
            sum += chance * factorial * of;
        }
        sum
    }
}

/// One value as the observer sees it.
pub(crate) struct Value {
    /// Codes that can be set.
    pub(crate) codes: f64,
    /// Whether it can be set to what it holds now; and whether what it held before can be set.
    pub(crate) legal: (bool, bool),
    pub(crate) changed: bool,
    /// Chance that a new patch holds what it holds now.
    pub(crate) dialled: f64,
}

impl Value {
    /// Chance that setting it so many times, each time to another code than it holds, leads from a code to itself; and to one
    /// other code.
    fn walk(&self, times: usize) -> (f64, f64) {
        let n = self.codes;
        if n < 2.0 {
            // There is nothing else to set it to.
            return (1.0, 0.0);
        }
        let swing = (-1.0 / (n - 1.0)).powi(times as i32);
        (1.0 / n + (1.0 - 1.0 / n) * swing, (1.0 - swing) / n)
    }

    /// Chance that it holds what it does after being set so many times.
    fn set(&self, times: usize) -> f64 {
        let (same, other) = self.walk(times);
        match (self.changed, self.legal) {
            (false, _) if times == 0 => 1.0,
            (_, (false, _)) => 0.0,
            // From a code that cannot be set any that can may come next, all alike.
            (_, (_, false)) if times > 0 => 1.0 / self.codes,
            (true, _) => other,
            (false, _) => same,
        }
    }

    /// The same where a new patch came first.
    fn patched(&self, times: usize) -> f64 {
        if self.codes < 2.0 {
            return self.dialled;
        }
        let (same, other) = self.walk(times);
        self.dialled * same + (f64::from(u8::from(self.legal.0)) - self.dialled) * other
    }
}

/// Chances of setting so many values in so many edits of some values.
fn picks(edits: usize) -> [f64; PICKS + 1] {
    let mut out = [0.0; PICKS + 1];
    out[0] = 1.0;
    for _ in 0..edits {
        let mut next = [0.0; PICKS + 1];
        for (n, chance) in out.iter().enumerate() {
            for more in 1..=SET {
                if n + more <= PICKS {
                    next[n + more] += chance / SET as f64;
                }
            }
        }
        out = next;
    }
    out
}

/// Chance that an entry holds what it holds now after so many edits of it, from none on, with a power of two taken out.
pub(crate) fn edited(values: &[Value]) -> ([f64; EDITS + 1], f64) {
    let n = values.len().max(1) as f64;
    let (mut kept, mut fresh) = (Series::one(), Series::one());
    for v in values {
        let term = |chance: &dyn Fn(usize) -> f64| {
            let mut scale = 1.0;
            std::array::from_fn(|i| {
                scale /= if i > 0 { n * i as f64 } else { 1.0 };
                scale * chance(i)
            })
        };
        kept.times(&term(&|i| v.set(i)));
        fresh.times(&term(&|i| v.patched(i)));
    }
    let log2 = kept.log2.max(fresh.log2);
    if log2 == f64::NEG_INFINITY {
        return ([0.0; EDITS + 1], 0.0);
    }
    let (old, new) = ((kept.log2 - log2).exp2(), (fresh.log2 - log2).exp2());
    let some = 1.0 - PATCH;
    let after = |edits: usize| {
        let untouched = some.powi(edits as i32) * old * kept.at(&picks(edits));
        // The last new patch came so many edits before the end.
        let patched = (0..edits).map(|j| PATCH * some.powi(j as i32) * new * fresh.at(&picks(j)));
        untouched + patched.sum::<f64>()
    };
    (std::array::from_fn(after), log2)
}

/// A polynomial in the number of edits, with a power of two taken out.
#[derive(Clone, Copy)]
pub(crate) struct Edits {
    pub(crate) of: [f64; EDITS + 1],
    pub(crate) log2: f64,
}

impl Edits {
    pub(crate) const NONE: Self = Self {
        of: [1.0, 0.0, 0.0, 0.0, 0.0],
        log2: 0.0,
    };

    pub(crate) fn times(&self, by: &Self) -> Self {
        let mut of = [0.0; EDITS + 1];
        for (i, x) in self.of.iter().enumerate() {
            for (o, y) in of[i..].iter_mut().zip(by.of) {
                *o += x * y;
            }
        }
        let most = of.iter().copied().fold(0.0, f64::max);
        let mut log2 = self.log2 + by.log2;
        if most > 0.0 {
            of.iter_mut().for_each(|o| *o /= most);
            log2 += most.log2();
        }
        Self { of, log2 }
    }

    /// Chance of all this, one to four edits being alike likely.
    pub(crate) fn some(&self) -> f64 {
        let factorial = [1.0, 1.0, 2.0, 6.0, 24.0];
        let each = self.of.iter().zip(factorial).skip(1);
        each.map(|(x, f)| x * f / EDITS as f64).sum()
    }
}
