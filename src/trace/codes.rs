//! The ways a control's positions could become codes.

use super::panel::{DIAL, Kind, Lane, Panel, PanelControl};

/// A way a control's positions become codes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub(crate) enum Code {
    /// Counting up in plain binary from the lowest position.
    Binary,
    /// Plain binary that does not begin with nought: so much is added to the position above the lowest.
    Plus(u16),
    /// Plain binary of the number on the display, in two's complement where it is negative.
    Value,
    /// Reflected Gray code.
    Gray,
    /// Sign in the top bit, magnitude below.
    SignMagnitude,
    /// One's complement.
    Ones,
    /// Binary-coded decimal.
    Bcd,
    /// Exactly one bit a position.
    OneHot,
    /// Characters, ASCII.
    Ascii,
    /// Characters, ASCII less 32.
    AsciiLess32,
}

/// One coding with its width.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub(crate) struct Hypothesis {
    pub(crate) code: Code,
    pub(crate) width: u32,
}

impl Hypothesis {
    /// The coding as part of a sentence: "Gray code of 7 bits".
    pub(crate) fn says(self) -> String {
        let word = match self.code {
            Code::Binary => "plain binary",
            Code::Plus(n) => {
                return format!("plain binary in {} bits that begins with {n}", self.width);
            }
            Code::Value => "two's complement",
            Code::Gray => "Gray code",
            Code::SignMagnitude => "sign and magnitude",
            Code::Ones => "one's complement",
            Code::Bcd => "decimal digits (BCD)",
            Code::OneHot => "a bit for each position",
            Code::Ascii => "ASCII characters",
            Code::AsciiLess32 => "ASCII characters less 32",
        };
        match self.width {
            1 => format!("{word} in 1 bit"),
            n => format!("{word} in {n} bits"),
        }
    }
}

/// Widest field that is looked for.
pub(crate) const WIDEST: u32 = 10;

/// The codings a lane could have.
pub(crate) fn hypotheses(panel: &Panel, lane: Lane) -> Vec<Hypothesis> {
    let c = &panel.controls[lane.control];
    let span = c.span();
    let needed = (32 - span.leading_zeros()).max(1);
    let mut out = Vec::new();
    let mut add = |code, width| out.push(Hypothesis { code, width });
    match c.kind {
        Kind::Knob | Kind::Slider => {
            for w in 1..=WIDEST {
                add(Code::Binary, w);
            }
            for w in 2..=WIDEST {
                add(Code::Gray, w);
            }
            for w in 3..=WIDEST {
                add(Code::SignMagnitude, w);
                add(Code::Ones, w);
            }
            add(Code::Bcd, 8);
        }
        Kind::Switch => add(Code::Binary, 1),
        Kind::Selector => {
            add(Code::Binary, needed);
            if span > 1 {
                add(Code::Gray, needed);
                if span < 16 {
                    add(Code::OneHot, span + 1);
                }
            }
        }
        Kind::Number => {
            add(Code::Binary, needed);
            let (low, high) = (c.low.unwrap_or(0), c.high.unwrap_or(0));
            if low > 0 {
                add(Code::Value, 64 - high.leading_zeros());
            }
            if low < 0 {
                let most = high.max(-low - 1).max(1);
                let w = 65 - most.leading_zeros();
                for w in w..=w.max(8) {
                    add(Code::Value, w);
                }
                let w = 65 - high.max(-low).leading_zeros();
                add(Code::SignMagnitude, w);
                add(Code::Ones, w);
            } else {
                let digits = high.max(1).ilog10() + 1;
                if digits > 1 {
                    add(Code::Bcd, 4 * digits);
                }
            }
            if needed > 1 {
                add(Code::Gray, needed);
            }
        }
        Kind::Text => {
            add(Code::Ascii, 7);
            add(Code::AsciiLess32, 7);
        }
    }
    out
}

/// The ways in which a number's codes could be plain binary that does not begin with nought. Each turns all of its
/// bits, and none is another coding's by another name.
pub(crate) fn offset_hypotheses(panel: &Panel, lane: Lane) -> Vec<Hypothesis> {
    /// Numbers that count further are not looked at: as many offsets as positions would fit by chance.
    const MOST_POSITIONS: u32 = 256;
    let c = &panel.controls[lane.control];
    let span = c.span();
    if c.kind != Kind::Number || !(2..MOST_POSITIONS).contains(&span) {
        return Vec::new();
    }
    let needed = 32 - span.leading_zeros();
    let low = c.low.unwrap_or(0);
    let mut out = Vec::new();
    for width in [needed, needed + 1] {
        let half = 1u32 << (width - 1);
        for n in 1..half.min(2 * half - span) {
            let at = i64::from(n);
            let by_value = at == low || at == i64::from(half) + low;
            if n + span >= half && !by_value {
                let code = Code::Plus(n as u16);
                out.push(Hypothesis { code, width });
            }
        }
    }
    out
}

/// The code of the step at `number` steps above the lowest, and how many steps there are above the lowest.
pub(crate) fn steps(h: Hypothesis, c: &PanelControl) -> i64 {
    match h.code {
        _ if c.exact() => i64::from(c.span()),
        Code::SignMagnitude | Code::Ones => (1 << h.width) - 2,
        Code::Bcd => 10i64.pow(h.width / 4) - 1,
        _ => (1 << h.width) - 1,
    }
}

/// The bits of a step.
pub(crate) fn code_at(h: Hypothesis, c: &PanelControl, step: i64) -> u64 {
    let mask = (1u64 << h.width) - 1;
    // The signed number of the step: what the display says, or the distance from the middle of a dial.
    let signed = if c.exact() {
        step + c.low.unwrap_or(0)
    } else {
        step - ((1 << (h.width - 1)) - 1)
    };
    (match h.code {
        Code::Binary | Code::Ascii => step as u64,
        Code::Plus(n) => (step + i64::from(n)) as u64,
        Code::AsciiLess32 => (step - 32) as u64,
        Code::Value => (step + c.low.unwrap_or(0)) as u64,
        Code::Gray => (step ^ step >> 1) as u64,
        Code::SignMagnitude => {
            signed.unsigned_abs() | if signed < 0 { 1 << (h.width - 1) } else { 0 }
        }
        Code::Ones => {
            if signed < 0 {
                !signed.unsigned_abs()
            } else {
                signed as u64
            }
        }
        Code::Bcd => {
            let mut n = if c.exact() {
                signed.unsigned_abs()
            } else {
                step as u64
            };
            let mut out = 0;
            for digit in 0..h.width / 4 {
                out |= (n % 10) << (4 * digit);
                n /= 10;
            }
            out
        }
        Code::OneHot => 1 << step.clamp(0, 63),
    }) & mask
}

/// The code a position should give.
pub(crate) fn code(h: Hypothesis, panel: &Panel, lane: Lane, position: u32) -> u64 {
    let c = &panel.controls[lane.control];
    code_at(h, c, step(h, c, position))
}

pub(crate) fn step(h: Hypothesis, c: &PanelControl, position: u32) -> i64 {
    if c.exact() {
        return i64::from(position);
    }
    let top = steps(h, c);
    (i64::from(position) * top * 2 + i64::from(DIAL)) / (2 * i64::from(DIAL))
}

/// The step nearest to a code, for telling how far a reading is off; `None` where no step has the code.
pub(crate) fn step_of(h: Hypothesis, panel: &Panel, lane: Lane, code: u64) -> Option<i64> {
    let c = &panel.controls[lane.control];
    (0..=steps(h, c)).find(|&s| code_at(h, c, s) == code)
}

/// The step a position should give.
pub(crate) fn step_at(h: Hypothesis, panel: &Panel, lane: Lane, position: u32) -> i64 {
    step(h, &panel.controls[lane.control], position)
}

/// The position on the panel that a step stands for, as it is written on the sheet.
pub(crate) fn shown(h: Hypothesis, panel: &Panel, lane: Lane, step: i64) -> String {
    let c = &panel.controls[lane.control];
    let position = if c.exact() {
        step
    } else {
        step * i64::from(DIAL) / steps(h, c).max(1)
    };
    c.position(position.clamp(0, i64::from(u32::MAX)) as u32)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]
    use super::*;
    use crate::trace::panel::PanelControl;

    fn number(low: i64, high: i64) -> Panel {
        Panel {
            name: "Test".into(),
            presets: 4,
            voices: 1,
            axis: "preset".into(),
            chips: vec![],
            controls: vec![PanelControl {
                key: "n".into(),
                label: String::new(),
                group: None,
                kind: Kind::Number,
                per_voice: false,
                positions: vec![],
                low: Some(low),
                high: Some(high),
                chars: None,
                when: None,
            }],
        }
    }

    /// By hand: 0 to 24 in five bits can begin with 1 to 7, of which 27 is the highest code for 3; in six bits with 8 to 31.
    /// Where the display begins with 3, beginning with 3 is plain binary of what it says.
    #[test]
    fn offsets_by_hand() {
        let begins = |low, high, width| -> Vec<u16> {
            let p = number(low, high);
            let all = offset_hypotheses(&p, p.lanes()[0]).into_iter();
            let of = all.filter(|h| h.width == width).map(|h| match h.code {
                Code::Plus(n) => n,
                other => panic!("{other:?}"),
            });
            of.collect()
        };
        assert_eq!(begins(0, 24, 5), (1..=7).collect::<Vec<_>>());
        assert_eq!(begins(0, 24, 6), (8..=31).collect::<Vec<_>>());
        assert_eq!(begins(3, 27, 5), [1, 2, 4, 5, 6, 7]);
        // Offset binary of -12 to 12 begins with 4.
        assert_eq!(begins(-12, 12, 5), [1, 2, 3, 5, 6, 7]);
        let p = number(0, 24);
        let (code, width) = (Code::Plus(3), 5);
        let h = Hypothesis { code, width };
        assert_eq!(super::code(h, &p, p.lanes()[0], 24), 0b11011);
        assert_eq!(h.says(), "plain binary in 5 bits that begins with 3");
    }

    /// By hand: -3 in four bits is 1011 signed, 1100 in one's and 1101 in two's complement; 47 in BCD is 0x47;
    /// step 5 in Gray is 111.
    #[test]
    fn codes_by_hand() {
        let p = number(-7, 7);
        let lane = p.lanes()[0];
        let at =
            |code, width, position| super::code(Hypothesis { code, width }, &p, lane, position);
        assert_eq!(at(Code::SignMagnitude, 4, 4), 0b1011);
        assert_eq!(at(Code::Ones, 4, 4), 0b1100);
        assert_eq!(at(Code::Value, 4, 4), 0b1101);
        assert_eq!(at(Code::Gray, 4, 5), 0b111);
        let p = number(10, 99);
        let lane = p.lanes()[0];
        assert_eq!(
            super::code(
                Hypothesis {
                    code: Code::Bcd,
                    width: 8
                },
                &p,
                lane,
                37
            ),
            0x47
        );
    }
}
