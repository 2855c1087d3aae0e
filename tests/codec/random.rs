use bitvec::prelude::*;
use cellkeep::codec::{Codec, Memory};
use cellkeep::image::ChipImage;
use cellkeep::layout::model::*;
use proptest::prelude::*;

use super::builder;

/// How the bits of an entry lie.
#[derive(Clone, Copy, Debug)]
enum Lie {
    /// Fields one after the other, bit 0 first.
    Contiguous,
    /// Every bit anywhere in the entry, the same in every entry.
    Scattered,
    /// Every bit of every entry anywhere at all.
    Wild,
}

#[derive(Debug)]
struct Case {
    layout: Layout,
    images: Vec<ChipImage>,
    /// Every place in the order of the area.
    places: Vec<BitPlace>,
}

fn case() -> impl Strategy<Value = Case> {
    let shape = (
        prop_oneof![Just(1u8), Just(4), Just(8), 1u8..=8],
        1usize..=3,
        prop::collection::vec(1u8..=20, 1..=12),
        prop_oneof![3 => 1usize..=24, 1 => Just(700usize)],
        prop_oneof![Just(Lie::Contiguous), Just(Lie::Scattered), Just(Lie::Wild)],
        any::<bool>(),
        any::<u64>(),
    );
    shape.prop_map(|(width, chips, widths, entries, lie, unknowns, seed)| {
        let mut random = Random(seed | 1);
        let bits: usize = widths.iter().map(|w| usize::from(*w)).sum();
        // An entry takes whole cells, so that entries lie alike; the cells are dealt out to the chips in turn.
        let cells_each = bits.div_ceil(usize::from(width));
        let per_chip = entries.div_ceil(chips) * cells_each;
        let place_of = |entry: usize, bit: usize| BitPlace {
            chip: (entry % chips) as u16,
            cell: (entry / chips * cells_each + bit / usize::from(width)) as u32,
            line: (bit % usize::from(width)) as u8,
            inverted: false,
        };
        let slots = cells_each * usize::from(width);
        let mut order: Vec<usize> = (0..slots).collect();
        if !matches!(lie, Lie::Contiguous) {
            random.shuffle(&mut order);
        }
        let flips: Vec<bool> = (0..slots)
            .map(|_| random.next().is_multiple_of(3))
            .collect();
        let mut places = Vec::new();
        for entry in 0..entries {
            places.extend((0..bits).map(|b| BitPlace {
                inverted: flips[b],
                ..place_of(entry, order[b])
            }));
        }
        if matches!(lie, Lie::Wild) {
            random.shuffle(&mut places);
        }
        let chips: Vec<Chip> = (0..chips)
            .map(|i| builder::chip(&format!("U{i}"), per_chip as u32, width))
            .collect();
        let images = chips
            .iter()
            .map(|chip| {
                let mut image = ChipImage::unknown(chip.words, width).unwrap();
                for cell in 0..chip.words {
                    let known = if unknowns { random.next() as u8 } else { 0xff };
                    image.set_cell(cell, random.next() as u8, known);
                }
                image
            })
            .collect();
        let area = builder::area(entries, &widths, places.clone());
        Case {
            layout: builder::layout(chips, vec![area]),
            images,
            places,
        }
    })
}

/// A small generator for shaping cases from one seed; its quality does not matter.
struct Random(u64);

impl Random {
    fn next(&mut self) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0 >> 11
    }

    fn shuffle<T>(&mut self, items: &mut [T]) {
        for i in (1..items.len()).rev() {
            items.swap(i, self.next() as usize % (i + 1));
        }
    }
}

/// The chips as `bitvec` sees them: line `n` of cell `c` is bit `8 c + n` of its bytes, least significant first.
fn bits(images: &[ChipImage], of: fn(&ChipImage) -> &[u8]) -> Bits {
    images.iter().map(|i| BitVec::from_slice(of(i))).collect()
}

/// One chip after the other, as `bitvec` sees it.
type Bits = Vec<BitVec<u8, Lsb0>>;

fn reference(
    case: &Case,
    (value, known): (&Bits, &Bits),
    entry: usize,
    field: &Field,
    per_entry: usize,
) -> (u64, u64) {
    let mut code = bitvec![u64, Lsb0; 0; 64];
    let mut mask = bitvec![u64, Lsb0; 0; 64];
    for k in 0..usize::from(field.width) {
        let p = case.places[entry * per_entry + field.first + k];
        let at = p.cell as usize * 8 + usize::from(p.line);
        let is_known = known[usize::from(p.chip)][at];
        mask.set(k, is_known);
        code.set(k, is_known && value[usize::from(p.chip)][at] != p.inverted);
    }
    (code.load_le(), mask.load_le())
}

fn memory(case: &Case, images: &[ChipImage]) -> Memory {
    let images: Vec<&ChipImage> = images.iter().collect();
    Memory::of_images(&case.layout, &images).unwrap()
}

/// Cases of each property: few enough for every run, or as many as `PROPTEST_CASES` says.
fn cases() -> u32 {
    std::env::var("PROPTEST_CASES")
        .ok()
        .and_then(|n| n.parse().ok())
        .unwrap_or(150)
}

proptest! {
    #![proptest_config(ProptestConfig { cases: cases(), ..ProptestConfig::default() })]

    #[test]
    fn decodes_as_bitvec_does(case in case()) {
        let codec = Codec::new(&case.layout);
        let codes = codec.decode(&memory(&case, &case.images));
        let area = &case.layout.areas[0];
        let value = bits(&case.images, ChipImage::values);
        let known = bits(&case.images, ChipImage::known);
        let step = (area.entries() / 40).max(1);
        for entry in (0..area.entries()).step_by(step) {
            for (f, field) in area.fields.iter().enumerate() {
                let want = reference(&case, (&value, &known), entry, field, area.bits_per_entry);
                prop_assert_eq!(codes.areas[0].get(entry, f), want, "entry {} field {}", entry, f);
            }
        }
    }

    #[test]
    fn encoding_what_was_decoded_changes_nothing(case in case()) {
        let codec = Codec::new(&case.layout);
        let before = memory(&case, &case.images);
        let mut after = before.clone();
        codec.encode(&codec.decode(&before), &mut after).unwrap();
        prop_assert_eq!(after.images().unwrap(), case.images.clone());
    }

    #[test]
    fn an_edit_lands_where_bitvec_puts_it_and_nowhere_else(case in case(), seed in any::<u64>()) {
        let codec = Codec::new(&case.layout);
        let area = &case.layout.areas[0];
        let mut random = Random(seed | 1);
        let entry = random.next() as usize % area.entries();
        let f = random.next() as usize % area.fields.len();
        let field = &area.fields[f];
        let code = random.next() & ((1 << field.width) - 1);

        let mut memory = memory(&case, &case.images);
        let mut codes = codec.decode(&memory);
        codes.areas[0].set(entry, f, code);
        codec.encode(&codes, &mut memory).unwrap();

        let mut value = bits(&case.images, ChipImage::values);
        let mut known = bits(&case.images, ChipImage::known);
        let wanted = code.view_bits::<Lsb0>();
        for k in 0..usize::from(field.width) {
            let p = case.places[entry * area.bits_per_entry + field.first + k];
            let at = p.cell as usize * 8 + usize::from(p.line);
            value[usize::from(p.chip)].set(at, wanted[k] != p.inverted);
            known[usize::from(p.chip)].set(at, true);
        }
        for (i, image) in memory.images().unwrap().iter().enumerate() {
            prop_assert_eq!(image.values(), value[i].as_raw_slice());
            prop_assert_eq!(image.known(), known[i].as_raw_slice());
        }
    }
}
