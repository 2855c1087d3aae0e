//! Decoding and encoding against general-purpose bit libraries, in one run.
//!
//! The record: 40 fields of 1 to 10 bits in 28 bytes, 1 MiB of such records, one thread. Ratios travel between
//! machines; times do not.
//!
//! Run with `cargo bench --bench codec`.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

#[path = "../codec/builder.rs"]
mod builder;

use bitvec::prelude::*;
use cellkeep::codec::{Codec, Codes, Memory};
use cellkeep::image::ChipImage;
use cellkeep::layout::model::{BitPlace, Layout};
use deku::prelude::*;
use divan::Bencher;
use divan::counter::BytesCount;

fn main() {
    check();
    divan::main();
}

const RECORD: usize = 28;
const RECORDS: usize = (1 << 20) / RECORD;
/// 40 widths of 1 to 10 bits that add up to 224.
const WIDTHS: [u8; 40] = [
    7, 3, 10, 1, 6, 8, 2, 9, 5, 4, 7, 6, 1, 10, 8, 3, 5, 7, 2, 9, 4, 6, 8, 1, 7, 10, 3, 5, 6, 2, 8,
    4, 9, 7, 1, 6, 5, 8, 4, 7,
];

/// The same record for `deku`, least significant bit first.
#[derive(DekuRead)]
#[deku(bit_order = "lsb")]
#[rustfmt::skip]
#[allow(dead_code)]
struct Record {
    #[deku(bits = 7)] a0: u16, #[deku(bits = 3)] a1: u16, #[deku(bits = 10)] a2: u16, #[deku(bits = 1)] a3: u16,
    #[deku(bits = 6)] a4: u16, #[deku(bits = 8)] a5: u16, #[deku(bits = 2)] a6: u16, #[deku(bits = 9)] a7: u16,
    #[deku(bits = 5)] a8: u16, #[deku(bits = 4)] a9: u16, #[deku(bits = 7)] b0: u16, #[deku(bits = 6)] b1: u16,
    #[deku(bits = 1)] b2: u16, #[deku(bits = 10)] b3: u16, #[deku(bits = 8)] b4: u16, #[deku(bits = 3)] b5: u16,
    #[deku(bits = 5)] b6: u16, #[deku(bits = 7)] b7: u16, #[deku(bits = 2)] b8: u16, #[deku(bits = 9)] b9: u16,
    #[deku(bits = 4)] c0: u16, #[deku(bits = 6)] c1: u16, #[deku(bits = 8)] c2: u16, #[deku(bits = 1)] c3: u16,
    #[deku(bits = 7)] c4: u16, #[deku(bits = 10)] c5: u16, #[deku(bits = 3)] c6: u16, #[deku(bits = 5)] c7: u16,
    #[deku(bits = 6)] c8: u16, #[deku(bits = 2)] c9: u16, #[deku(bits = 8)] d0: u16, #[deku(bits = 4)] d1: u16,
    #[deku(bits = 9)] d2: u16, #[deku(bits = 7)] d3: u16, #[deku(bits = 1)] d4: u16, #[deku(bits = 6)] d5: u16,
    #[deku(bits = 5)] d6: u16, #[deku(bits = 8)] d7: u16, #[deku(bits = 4)] d8: u16, #[deku(bits = 7)] d9: u16,
}

fn bytes() -> Vec<u8> {
    let mut state = 0x9e37_79b9_7f4a_7c15u64;
    (0..RECORDS * RECORD)
        .map(|_| {
            state ^= state << 13;
            state ^= state >> 7;
            state ^= state << 17;
            (state >> 32) as u8
        })
        .collect()
}

fn layout(order: &[usize]) -> Layout {
    let bits: usize = WIDTHS.iter().map(|w| usize::from(*w)).sum();
    let mut places = Vec::with_capacity(RECORDS * bits);
    for record in 0..RECORDS {
        places.extend((0..bits).map(|k| BitPlace {
            chip: 0,
            cell: (record * RECORD + order[k] / 8) as u32,
            line: (order[k] % 8) as u8,
            inverted: false,
        }));
    }
    let chip = builder::chip("U1", (RECORDS * RECORD) as u32, 8);
    builder::layout(vec![chip], vec![builder::area(RECORDS, &WIDTHS, places)])
}

fn contiguous() -> Vec<usize> {
    (0..RECORD * 8).collect()
}

/// Every bit of the record anywhere in it: a fixed permutation, 61 being prime to 224.
fn scattered() -> Vec<usize> {
    (0..RECORD * 8)
        .map(|k| (k * 61 + 17) % (RECORD * 8))
        .collect()
}

/// That all three read the same: a benchmark of different work would say nothing.
fn check() {
    let bytes = bytes();
    let b = prepare(&contiguous());
    for (r, record) in bytes.chunks_exact(RECORD).enumerate() {
        let bits = record.view_bits::<Lsb0>();
        let mut at = 0;
        for (f, &width) in WIDTHS.iter().enumerate() {
            let code = bits[at..at + usize::from(width)].load_le::<u64>();
            assert_eq!(b.codes.areas[0].get(r, f).0, code);
            at += usize::from(width);
        }
        let (_, deku) = Record::from_bytes((record, 0)).expect("28 bytes");
        assert_eq!(b.codes.areas[0].get(r, 39).0, u64::from(deku.d9));
        assert_eq!(b.codes.areas[0].get(r, 2).0, u64::from(deku.a2));
    }
}

struct Bench {
    codec: Codec,
    memory: Memory,
    codes: Codes,
}

fn prepare(order: &[usize]) -> Bench {
    let layout = layout(order);
    let image = ChipImage::from_cells(8, &bytes()).expect("a shape that exists");
    let memory = Memory::of_images(&layout, &[&image]).expect("the layout's shape");
    let codec = Codec::new(&layout);
    let codes = codec.decode(&memory);
    Bench {
        codec,
        memory,
        codes,
    }
}

fn counter() -> BytesCount {
    BytesCount::new(RECORDS * RECORD)
}

fn decode(bencher: Bencher<'_, '_>, bits: &[usize]) {
    let mut b = prepare(bits);
    bencher.counter(counter()).bench_local(|| {
        b.codec
            .decode_into(&b.memory, divan::black_box(&mut b.codes))
    });
}

fn encode(bencher: Bencher<'_, '_>, bits: &[usize]) {
    let mut b = prepare(bits);
    bencher.counter(counter()).bench_local(|| {
        b.codec
            .encode(&b.codes, divan::black_box(&mut b.memory))
            .is_ok()
    });
}

mod contiguous_fields {
    use super::*;

    #[divan::bench]
    fn cellkeep_decode(bencher: Bencher<'_, '_>) {
        decode(bencher, &contiguous());
    }

    #[divan::bench]
    fn cellkeep_encode_onto_an_old_image(bencher: Bencher<'_, '_>) {
        encode(bencher, &contiguous());
    }

    #[divan::bench]
    fn bitvec_decode(bencher: Bencher<'_, '_>) {
        let bytes = bytes();
        let mut out = vec![0u64; RECORDS * WIDTHS.len()];
        bencher.counter(counter()).bench_local(|| {
            let bits = bytes.view_bits::<Lsb0>();
            let mut at = 0;
            for codes in divan::black_box(&mut out).chunks_exact_mut(WIDTHS.len()) {
                for (code, &width) in codes.iter_mut().zip(&WIDTHS) {
                    *code = bits[at..at + usize::from(width)].load_le::<u64>();
                    at += usize::from(width);
                }
            }
        });
    }

    #[divan::bench(sample_count = 5)]
    fn deku_decode(bencher: Bencher<'_, '_>) {
        let bytes = bytes();
        bencher.counter(counter()).bench_local(|| {
            let mut sum = 0u64;
            for record in bytes.chunks_exact(RECORD) {
                if let Ok((_, record)) = Record::from_bytes((record, 0)) {
                    sum += u64::from(record.d9);
                }
            }
            sum
        });
    }
}

mod scattered_bits {
    use super::*;

    #[divan::bench]
    fn cellkeep_decode(bencher: Bencher<'_, '_>) {
        decode(bencher, &scattered());
    }

    #[divan::bench]
    fn cellkeep_encode_onto_an_old_image(bencher: Bencher<'_, '_>) {
        encode(bencher, &scattered());
    }

    /// The plain way: one bit at a time, from a list of places.
    #[divan::bench]
    fn bit_at_a_time_gather(bencher: Bencher<'_, '_>) {
        let bytes = bytes();
        let order: Vec<(u32, u8)> = scattered()
            .iter()
            .map(|b| ((b / 8) as u32, (b % 8) as u8))
            .collect();
        let mut out = vec![0u64; RECORDS * WIDTHS.len()];
        bencher.counter(counter()).bench_local(|| {
            let records = bytes.chunks_exact(RECORD);
            for (codes, record) in divan::black_box(&mut out)
                .chunks_exact_mut(WIDTHS.len())
                .zip(records)
            {
                let mut places = order.iter();
                for (code, &width) in codes.iter_mut().zip(&WIDTHS) {
                    *code = 0;
                    for (k, &(byte, line)) in places.by_ref().take(usize::from(width)).enumerate() {
                        *code |= u64::from(record[byte as usize] >> line & 1) << k;
                    }
                }
            }
        });
    }

    #[divan::bench]
    fn bitvec_decode(bencher: Bencher<'_, '_>) {
        let bytes = bytes();
        let order = scattered();
        let mut out = vec![0u64; RECORDS * WIDTHS.len()];
        bencher.counter(counter()).bench_local(|| {
            let records = bytes.chunks_exact(RECORD);
            for (codes, record) in divan::black_box(&mut out)
                .chunks_exact_mut(WIDTHS.len())
                .zip(records)
            {
                let bits = record.view_bits::<Lsb0>();
                let mut places = order.iter();
                for (code, &width) in codes.iter_mut().zip(&WIDTHS) {
                    let mut value = BitArray::<u64, Lsb0>::ZERO;
                    for (k, &place) in places.by_ref().take(usize::from(width)).enumerate() {
                        value.set(k, bits[place]);
                    }
                    *code = value.load_le();
                }
            }
        });
    }
}
