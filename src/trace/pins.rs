//! Address pins that are swapped or inverted.

/// Which pin carries each bit of an address, and which pins are inverted; where no pins are named, each carries its own.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(crate) struct Pins {
    pub(crate) pins: Vec<u8>,
    pub(crate) invert: u32,
}

impl Pins {
    /// Every pin carries its own bit.
    pub(crate) fn straight(bits: u32) -> Self {
        Self {
            pins: (0..bits as u8).collect(),
            invert: 0,
        }
    }

    /// True where no pins are named and none is inverted.
    pub(crate) fn straight_through(&self) -> bool {
        *self == Self::default()
    }

    /// The address at a cell.
    #[cfg(test)]
    pub(crate) fn logical(&self, cell: u32) -> u32 {
        let cell = cell ^ self.invert;
        if self.pins.is_empty() {
            return cell;
        }
        let bit = |(bit, pin): (usize, &u8)| (cell >> pin & 1) << bit;
        self.pins.iter().enumerate().map(bit).sum()
    }

    /// The cell at an address.
    pub(crate) fn physical(&self, address: u32) -> u32 {
        if self.pins.is_empty() {
            return address ^ self.invert;
        }
        let bit = |(bit, pin): (usize, &u8)| (address >> bit & 1) << pin;
        self.invert ^ self.pins.iter().enumerate().map(bit).sum::<u32>()
    }

    /// The cell at each of the first addresses.
    pub(crate) fn cells(&self, len: u32) -> Vec<u32> {
        let mut out = Vec::with_capacity(len as usize);
        out.push(self.invert);
        let mut bit = 0;
        while out.len() < len as usize {
            let turned = match self.pins.get(bit) {
                Some(pin) => 1 << pin,
                None if self.pins.is_empty() => 1 << bit,
                None => 0,
            };
            let more = out.len().min(len as usize - out.len());
            out.extend_from_within(..more);
            let half = out.len() - more;
            out[half..].iter_mut().for_each(|c| *c ^= turned);
            bit += 1;
        }
        out.truncate(len as usize);
        out
    }

    /// The same with one more pin inverted, or one less.
    pub(crate) fn inverted(&self, pin: u32) -> Self {
        let mut next = self.clone();
        next.invert ^= 1 << pin;
        next
    }

    /// All that differ in one exchange of two pins, or in one inversion.
    pub(crate) fn changes(&self, inversions: bool) -> Vec<Self> {
        let mut out = Vec::new();
        for i in 0..self.pins.len() {
            for j in 0..i {
                let mut next = self.clone();
                next.pins.swap(i, j);
                out.push(next);
            }
            if inversions {
                out.push(self.inverted(i as u32));
            }
        }
        out
    }
}

/// Bits of a number that one table of [`Halves`] turns.
const HALF: u32 = 7;

/// What an exclusive-or of lines makes of numbers of up to fourteen bits, in two tables: for a few numbers behind many
/// wirings.
struct Halves {
    low: [u32; 1 << HALF],
    high: [u32; 1 << HALF],
}

impl Halves {
    /// Each bit of a number turns these lines.
    fn of(turns: impl Iterator<Item = u32>) -> Self {
        let mut out = Self {
            low: [0; 1 << HALF],
            high: [0; 1 << HALF],
        };
        for (bit, turned) in turns.enumerate().take(2 * HALF as usize) {
            let (table, bit) = match bit < HALF as usize {
                true => (&mut out.low, bit),
                false => (&mut out.high, bit - HALF as usize),
            };
            for i in 0..1 << bit {
                table[i | 1 << bit] = table[i] ^ turned;
            }
        }
        out
    }

    fn turned(&self, number: u32) -> u32 {
        let mask = (1 << HALF) - 1;
        self.low[(number & mask) as usize] ^ self.high[(number >> HALF & mask) as usize]
    }
}

/// A wiring of up to fourteen lines, each of which carries a bit: there and back.
pub(crate) struct Wiring {
    there: Halves,
    back: Halves,
    invert: u32,
}

impl Wiring {
    pub(crate) fn of(pins: &Pins) -> Self {
        let line = |bit: u32| pins.pins.iter().position(|p| u32::from(*p) == bit);
        Self {
            there: Halves::of(pins.pins.iter().map(|p| 1 << p)),
            back: Halves::of((0..2 * HALF).map(|pin| line(pin).map_or(0, |bit| 1 << bit))),
            invert: pins.invert,
        }
    }

    /// The address at a cell.
    pub(crate) fn logical(&self, cell: u32) -> u32 {
        self.back.turned(cell ^ self.invert)
    }

    /// As [`Pins::physical`].
    pub(crate) fn physical(&self, address: u32) -> u32 {
        self.invert ^ self.there.turned(address)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By hand: bits 0, 1, 2 on pins 2, 0, 1, pin 1 inverted: address 1 turns pin 2, and 6 turns pins 0 and 1.
    #[test]
    fn tables_turn_what_pins_turn() {
        let pins = Pins {
            pins: vec![2, 0, 1],
            invert: 2,
        };
        let wiring = Wiring::of(&pins);
        assert_eq!((wiring.physical(1), wiring.physical(6)), (6, 1));
        assert_eq!(
            pins.cells(8),
            (0..8).map(|a| pins.physical(a)).collect::<Vec<_>>()
        );
        for a in 0..8 {
            assert_eq!(wiring.physical(a), pins.physical(a));
            assert_eq!(wiring.logical(a), pins.logical(a));
            assert_eq!(wiring.logical(wiring.physical(a)), a);
        }
        // Without pins named each carries its own, and a length that is no power of two is met.
        let own = Pins {
            pins: Vec::new(),
            invert: 1,
        };
        assert_eq!(own.cells(5), [1, 0, 3, 2, 5]);
    }
}
