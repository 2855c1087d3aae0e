//! Writes sample sheets to a folder, to be looked at: `cargo run --example sheets -- FOLDER`.

mod builder;
mod demo;
mod layouts;

use builder::*;
use cellkeep::sheet::Paper;
use cellkeep::sheet::patch::{Options, patch};

fn main() {
    let folder = std::path::PathBuf::from(std::env::args().nth(1).expect("a folder"));
    std::fs::create_dir_all(&folder).expect("the folder");
    let write = |name: &str, sheet: cellkeep::sheet::Sheet| {
        println!(
            "{name}: {} bytes, {:?} pages",
            sheet.html.len(),
            sheet.pages
        );
        std::fs::write(folder.join(name), sheet.html).expect("a file");
    };
    let at = |paper, per_page| Options { paper, per_page };

    let small = small_panel();
    let mut pages: Vec<_> = (0..8).map(|p| page(&small, p, 1, 1)).collect();
    for p in &mut pages {
        p.groups.push(hand_group());
    }
    pages[0].name = "Harbour lights".to_owned();
    mark(&mut pages[1]);
    pages[1].name = "<script>alert(1)</script>".to_owned();
    pages[1].remarks = vec!["The check of this preset fails: stored 3A, computed 3B.".to_owned()];
    let s = subject("Pellow Six");
    write("small.html", patch(&s, &pages, at(Paper::A4, 1)));
    write("small-letter.html", patch(&s, &pages, at(Paper::Letter, 1)));
    write("small-4.html", patch(&s, &pages, at(Paper::A4, 4)));
    write("small-2.html", patch(&s, &pages, at(Paper::A4, 2)));

    let voices: Vec<_> = (0..4).map(|p| page(&small, p, 4, 3)).collect();
    write(
        "voices.html",
        patch(&subject("Aldermoor Four"), &voices, at(Paper::A4, 1)),
    );

    let large = large_panel();
    let many: Vec<_> = (0..2).map(|p| page(&large, p, 1, 1)).collect();
    write(
        "large.html",
        patch(&subject("Tessaly Nine"), &many, at(Paper::A4, 1)),
    );

    let worst: Vec<_> = (0..64).map(|p| page(&small, p, 6, 1)).collect();
    let start = std::time::Instant::now();
    let sheet = patch(&subject("Pellow Six"), &worst, at(Paper::A4, 1));
    println!("{:?}", start.elapsed());
    write("worst.html", sheet);

    use cellkeep::finding::*;
    for (name, layout) in [
        ("memory-serial.html", layouts::serial()),
        ("memory-packed.html", layouts::packed()),
    ] {
        let before = layouts::reading(&layout, 1);
        let mut after = before.clone();
        for cell in 300..420 {
            after.chips[0].image.set_bit(cell, 0, Some(cell % 3 == 0));
        }
        for cell in 0x100..0x140 {
            after.chips[0].image.set_bit(cell, 0, None);
        }
        let mut stuck = Finding::new("line.stuck", Severity::Damage, "D3 reads 1 in every cell.");
        stuck.place.chips = vec![ChipPlace {
            chip: "U7".into(),
            data_lines: vec![3],
            ..ChipPlace::default()
        }];
        let mut run = Finding::new(
            "cells.noise",
            Severity::Caution,
            "Cells 200h to 2FFh read differently each time.",
        );
        run.place.chips = vec![ChipPlace {
            chip: layout.chips[0].id.clone(),
            cells: vec![CellRun {
                first: 0x200,
                last: 0x2ff,
            }],
            ..ChipPlace::default()
        }];
        if layout.chips[0].width == 8 {
            for cell in 0..2048 {
                after.chips[0].image.set_bit(cell, 3, Some(true));
            }
        }
        let findings = [stuck, run];
        {
            use cellkeep::bank::{Bank, Decoded};
            let mut small = before.clone();
            for cell in [300u32, 310, 611, 1200, 1210, 1230, 1501] {
                let bit = small.chips[0].image.bit(cell, 0).unwrap();
                small.chips[0].image.set_bit(cell, 0, Some(!bit));
            }
            let (b, a) = (
                Decoded::new(&layout, &before).unwrap(),
                Decoded::new(&layout, &small).unwrap(),
            );
            let c = cellkeep::compare::compare(&b, &a);
            write(
                &name.replace("memory", "compare"),
                cellkeep::sheet::compare::comparison(
                    &subject(&layout.name),
                    &layout,
                    &c,
                    Paper::A4,
                ),
            );
            let bank = Bank::new(&b);
            let pages = cellkeep::sheet::arrange::pages(cellkeep::sheet::arrange::Source {
                layout: &layout,
                bank: &bank,
                findings: &[],
                form: None,
                only: None,
            });
            write(
                &name.replace("memory", "patch"),
                patch(&subject(&layout.name), &pages, at(Paper::A4, 1)),
            );
        }
        let start = std::time::Instant::now();
        let sheet = cellkeep::sheet::memory::memory(
            &subject(&layout.name),
            cellkeep::sheet::memory::Source {
                layout: &layout,
                reading: Some(&after),
                before: Some(&before),
                findings: &findings,
            },
            Paper::A4,
        );
        println!("{:?}", start.elapsed());
        write(name, sheet);
    }

    for id in demo::INSTRUMENTS {
        let layout = demo::layout(id);
        write(
            &format!("{id}-patch.html"),
            demo::patch_sheet(&layout, "today-1", at(Paper::A4, 1)),
        );
        write(
            &format!("{id}-compare.html"),
            demo::comparison_sheet(&layout, "earlier", "today-1"),
        );
        let mut damaged: Vec<_> = std::fs::read_dir(demo::folder(id).join("damaged"))
            .expect("damaged")
            .map(|e| e.expect("entry").file_name().into_string().expect("name"))
            .collect();
        damaged.sort();
        for d in damaged {
            write(
                &format!("{id}-memory-{d}.html"),
                demo::memory_sheet(&layout, &format!("damaged/{d}"), "today-1"),
            );
            write(
                &format!("{id}-patch-{d}.html"),
                demo::patch_sheet(&layout, &format!("damaged/{d}"), at(Paper::A4, 1)),
            );
        }
    }
}
