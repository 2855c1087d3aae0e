//! Checks: sums, CRCs and the like over an entry or an area.
//!
//! A check that fails is reported, never a reason to stop; encoding updates it by its policy.

use std::collections::HashSet;

use super::{Memory, crc_catalog, low_mask};
use crate::layout::model::{Check, CheckInstance, Layout, Method, Policy};

/// What a check came to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Verdict {
    /// Stored and computed agree.
    Holds,
    /// They differ.
    Fails {
        /// The code stored.
        stored: u64,
        /// The code that the covered words ask for.
        computed: u64,
    },
    /// A covered or stored bit is unknown.
    Undecided,
}

/// One check instance with its verdict.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct CheckResult {
    /// Index of the area.
    pub area: usize,
    /// Index of the check in the area.
    pub check: usize,
    /// Index of the instance in the check.
    pub instance: usize,
    /// The entry it belongs to; `None` for the whole area.
    pub entry: Option<usize>,
    /// What it came to.
    pub verdict: Verdict,
}

/// Verifies every check whose policy is not to be left alone.
pub fn verify(layout: &Layout, memory: &Memory) -> Vec<CheckResult> {
    let mut results = Vec::new();
    for (a, area) in layout.areas.iter().enumerate() {
        for (c, check) in area.checks.iter().enumerate() {
            if check.policy == Policy::Keep {
                continue;
            }
            for (i, instance) in check.instances.iter().enumerate() {
                results.push(CheckResult {
                    area: a,
                    check: c,
                    instance: i,
                    entry: instance.entry,
                    verdict: verdict(check, instance, memory),
                });
            }
        }
    }
    results
}

/// The verdict of one instance.
pub fn verdict(check: &Check, instance: &CheckInstance, memory: &Memory) -> Verdict {
    let (stored, known) = memory.gather(&instance.stored);
    let all_known = known == low_mask(instance.stored.len().min(64) as u8);
    match compute(check, instance, memory) {
        Some(computed) if all_known && stored == computed => Verdict::Holds,
        Some(computed) if all_known => Verdict::Fails { stored, computed },
        _ => Verdict::Undecided,
    }
}

/// The code an instance's covered words ask for; `None` where one of their bits is unknown.
pub fn compute(check: &Check, instance: &CheckInstance, memory: &Memory) -> Option<u64> {
    let mut words = Vec::with_capacity(instance.words.len());
    for places in instance.words.iter() {
        let (value, known) = memory.gather(places);
        if known != low_mask(places.len().min(64) as u8) {
            return None;
        }
        words.push((value, places.len().min(64) as u8));
    }
    compute_over(&check.method, check.width, &words)
}

/// The code of a check of `width` bits over words, each with its own width in bits.
///
/// `None` only for a CRC whose name is not in the catalogue. A CRC takes each word as the least whole number of
/// bytes that holds it, low byte first.
pub fn compute_over(method: &Method, width: u8, words: &[(u64, u8)]) -> Option<u64> {
    let sum = || {
        let mut sum = 0u64;
        for (word, _) in words {
            sum = sum.wrapping_add(*word);
        }
        sum
    };
    let code = match method {
        Method::Sum { add } => sum().wrapping_add(*add),
        Method::SumTwosComplement { add } => add.wrapping_sub(sum()),
        Method::SumOnesComplement => !sum(),
        Method::Xor { with } => words.iter().fold(*with, |x, (word, _)| x ^ word),
        Method::Crc { name } => {
            let bytes: Vec<u8> = words
                .iter()
                .flat_map(|(word, bits)| {
                    let count = usize::from(bits.div_ceil(8));
                    word.to_le_bytes().into_iter().take(count)
                })
                .collect();
            crc_catalog::compute(name, &bytes)?
        }
        Method::ComplementCopy => {
            let mut code = 0u64;
            let mut at = 0u8;
            for (word, bits) in words {
                if at < 64 {
                    code |= word << at;
                }
                at = at.saturating_add(*bits);
            }
            !code
        }
        Method::Parity { odd } => {
            let ones: u32 = words.iter().map(|(word, _)| word.count_ones()).sum();
            u64::from(ones % 2) ^ u64::from(*odd)
        }
        Method::Fixed { value } => *value,
    };
    Some(code & low_mask(width))
}

/// What bringing checks and mirrored copies in line wrote.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct InLine {
    /// The check instances that were rewritten, each once, with the verdict found before it was first rewritten.
    pub rewritten: Vec<CheckResult>,
    /// Bits of mirrored copies written, each write counted.
    pub copied_bits: usize,
}

/// Brings the checks and mirrored copies that the policy says to update in line with an edit, whatever covers what.
///
/// A check may cover a copy or another check, and a copy the bits of a check, in any order of their declaration; so both
/// are gone through until nothing changes. Checks that cover each other in a ring may have no code that suits all: then
/// it ends after as many rounds as there are checks and copies, and decoding names what fails.
pub fn bring_in_line(layout: &Layout, before: &Memory, memory: &mut Memory) -> InLine {
    let kinds: usize = layout
        .areas
        .iter()
        .map(|a| a.checks.len() + a.copies.len())
        .sum();
    let mut done = InLine::default();
    let mut told = HashSet::new();
    for _ in 0..=kinds {
        let copied = update_copies(layout, before, memory);
        let rewritten = update(layout, before, memory);
        if copied == 0 && rewritten.is_empty() {
            break;
        }
        done.copied_bits += copied;
        let first = rewritten
            .into_iter()
            .filter(|r| told.insert((r.area, r.check, r.instance)));
        done.rewritten.extend(first);
    }
    done
}

/// Recomputes the checks that the policy says to update, where their words changed or they held before.
///
/// `before` is the memory before the edit: a check that failed there and whose words are untouched is left
/// failing, since setting it right would hide damage. Returns the instances that were rewritten.
fn update(layout: &Layout, before: &Memory, memory: &mut Memory) -> Vec<CheckResult> {
    let mut rewritten = Vec::new();
    for (a, area) in layout.areas.iter().enumerate() {
        for (c, check) in area.checks.iter().enumerate() {
            if check.policy != Policy::Update {
                continue;
            }
            for (i, instance) in check.instances.iter().enumerate() {
                let changed = instance
                    .words
                    .iter()
                    .any(|places| before.gather(places) != memory.gather(places));
                if !changed {
                    continue;
                }
                let Some(computed) = compute(check, instance, memory) else {
                    continue;
                };
                let verdict = verdict(check, instance, memory);
                if verdict == Verdict::Holds {
                    continue;
                }
                memory.scatter(&instance.stored, computed);
                rewritten.push(CheckResult {
                    area: a,
                    check: c,
                    instance: i,
                    entry: instance.entry,
                    verdict,
                });
            }
        }
    }
    rewritten
}

/// Brings the mirrored copies that the policy says to update in line with their areas.
///
/// Only bits whose original changed are copied, so that a difference that was there before stays visible.
/// Returns how many bits were written.
fn update_copies(layout: &Layout, before: &Memory, memory: &mut Memory) -> usize {
    let mut written = 0;
    for area in &layout.areas {
        for copy in area.copies.iter().filter(|c| c.policy == Policy::Update) {
            for (&original, &mirror) in area.places.iter().zip(&copy.places) {
                let now = memory.bit(original);
                if now == before.bit(original) {
                    continue;
                }
                if let Some(bit) = now
                    && memory.bit(mirror) != now
                {
                    memory.set_bit(mirror, bit);
                    written += 1;
                }
            }
        }
    }
    written
}

#[cfg(test)]
mod tests {
    use super::*;

    fn bytes(text: &str) -> Vec<(u64, u8)> {
        text.bytes().map(|b| (u64::from(b), 8)).collect()
    }

    /// Check values over "123456789", worked out by hand: the characters add up to 0x1dd, their exclusive-or is
    /// 0x31, the two's complement of the low byte is 0x23, the one's complement 0x22.
    #[test]
    fn sums_over_the_customary_test_string() {
        let words = bytes("123456789");
        let rows = [
            (Method::Sum { add: 0 }, 8, 0xdd),
            (Method::Sum { add: 0 }, 16, 0x01dd),
            (Method::Sum { add: 5 }, 8, 0xe2),
            (Method::SumTwosComplement { add: 0 }, 8, 0x23),
            (Method::SumTwosComplement { add: 0 }, 16, 0xfe23),
            (Method::SumTwosComplement { add: 0 }, 7, 0x23),
            (Method::SumOnesComplement, 8, 0x22),
            (Method::Xor { with: 0 }, 8, 0x31),
            (Method::Xor { with: 0xff }, 8, 0xce),
            (Method::Fixed { value: 0x55aa }, 16, 0x55aa),
        ];
        for (method, width, want) in rows {
            assert_eq!(
                compute_over(&method, width, &words),
                Some(want),
                "{method:?}"
            );
        }
    }

    /// The usual slip in a seven-bit two's complement is 0x80 for an all-zero body; it must be 0.
    #[test]
    fn seven_bit_complement_of_nothing_is_nothing() {
        let zero = Method::SumTwosComplement { add: 0 };
        assert_eq!(compute_over(&zero, 7, &[(0, 8); 5]), Some(0));
        assert_eq!(compute_over(&zero, 7, &[(0x7f, 8); 4]), Some(4));
    }

    #[test]
    fn parity_counts_itself_in() {
        let words = [(0b1011_0001, 8), (0b100, 8)]; // five ones
        assert_eq!(
            compute_over(&Method::Parity { odd: false }, 1, &words),
            Some(1)
        );
        assert_eq!(
            compute_over(&Method::Parity { odd: true }, 1, &words),
            Some(0)
        );
    }

    #[test]
    fn complement_copy_joins_words_low_first() {
        let words = [(0b01, 2), (0b110, 3)];
        assert_eq!(
            compute_over(&Method::ComplementCopy, 5, &words),
            Some(0b00110)
        );
    }

    /// Every CRC a layout can name, against the check value its catalogue publishes for "123456789".
    #[test]
    fn every_crc_of_the_catalogue_gives_its_check_value() {
        let names = crc_catalog::names();
        assert!(names.len() > 100, "{}", names.len());
        // Published in the catalogue of parametrised CRC algorithms; a spread of widths.
        let published: &[(&str, u64)] = &[
            ("CRC_8_AUTOSAR", 0xdf),
            ("CRC_8_BLUETOOTH", 0x26),
            ("CRC_8_CDMA2000", 0xda),
            ("CRC_8_DARC", 0x15),
            ("CRC_8_DVB_S2", 0xbc),
            ("CRC_8_GSM_A", 0x37),
            ("CRC_8_GSM_B", 0x94),
            ("CRC_8_HITAG", 0xb4),
            ("CRC_8_I_432_1", 0xa1),
            ("CRC_8_I_CODE", 0x7e),
            ("CRC_8_LTE", 0xea),
            ("CRC_8_MAXIM_DOW", 0xa1),
            ("CRC_8_MIFARE_MAD", 0x99),
            ("CRC_8_NRSC_5", 0xf7),
            ("CRC_8_OPENSAFETY", 0x3e),
            ("CRC_8_ROHC", 0xd0),
            ("CRC_8_SAE_J1850", 0x4b),
            ("CRC_8_SMBUS", 0xf4),
            ("CRC_8_TECH_3250", 0x97),
            ("CRC_8_WCDMA", 0x25),
            ("CRC_16_ARC", 0xbb3d),
            ("CRC_16_CDMA2000", 0x4c06),
            ("CRC_16_CMS", 0xaee7),
            ("CRC_16_DDS_110", 0x9ecf),
            ("CRC_16_DECT_R", 0x007e),
            ("CRC_16_DECT_X", 0x007f),
            ("CRC_16_DNP", 0xea82),
            ("CRC_16_EN_13757", 0xc2b7),
            ("CRC_16_GENIBUS", 0xd64e),
            ("CRC_16_GSM", 0xce3c),
            ("CRC_16_IBM_3740", 0x29b1),
            ("CRC_16_IBM_SDLC", 0x906e),
            ("CRC_16_ISO_IEC_14443_3_A", 0xbf05),
            ("CRC_16_KERMIT", 0x2189),
            ("CRC_16_LJ1200", 0xbdf4),
            ("CRC_16_M17", 0x772b),
            ("CRC_16_MAXIM_DOW", 0x44c2),
            ("CRC_16_MCRF4XX", 0x6f91),
            ("CRC_16_MODBUS", 0x4b37),
            ("CRC_16_NRSC_5", 0xa066),
            ("CRC_16_OPENSAFETY_A", 0x5d38),
            ("CRC_16_OPENSAFETY_B", 0x20fe),
            ("CRC_16_PROFIBUS", 0xa819),
            ("CRC_16_RIELLO", 0x63d0),
            ("CRC_16_SPI_FUJITSU", 0xe5cc),
            ("CRC_16_T10_DIF", 0xd0db),
            ("CRC_16_TELEDISK", 0x0fb3),
            ("CRC_16_TMS37157", 0x26b1),
            ("CRC_16_UMTS", 0xfee8),
            ("CRC_16_USB", 0xb4c8),
            ("CRC_16_XMODEM", 0x31c3),
            ("CRC_32_AIXM", 0x3010_bf7f),
            ("CRC_32_AUTOSAR", 0x1697_d06a),
            ("CRC_32_BASE91_D", 0x8731_5576),
            ("CRC_32_BZIP2", 0xfc89_1918),
            ("CRC_32_CD_ROM_EDC", 0x6ec2_edc4),
            ("CRC_32_CKSUM", 0x765e_7680),
            ("CRC_32_ISCSI", 0xe306_9283),
            ("CRC_32_ISO_HDLC", 0xcbf4_3926),
            ("CRC_32_JAMCRC", 0x340b_c6d9),
            ("CRC_32_MEF", 0xd2c2_2f51),
            ("CRC_32_MPEG_2", 0x0376_e6e7),
            ("CRC_32_XFER", 0xbd0b_e338),
        ];
        let words = bytes("123456789");
        for (name, check) in published {
            let method = Method::Crc {
                name: (*name).to_owned(),
            };
            let width = names.iter().find(|n| n.0 == *name).map_or(0, |n| n.1);
            assert_eq!(compute_over(&method, width, &words), Some(*check), "{name}");
        }
        // The rest against the check value each catalogue entry carries.
        for (name, width) in names {
            let method = Method::Crc {
                name: name.to_owned(),
            };
            let want = crc_catalog::check_value(name);
            assert_eq!(compute_over(&method, width, &words), want, "{name}");
            assert!(want.is_some(), "{name}");
        }
    }
}
