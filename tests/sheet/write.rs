//! Writes every kind of sheet, for the demonstration instruments and for a made-up panel of 200 controls, to be
//! looked at: `cargo run --example sheets -- FOLDER`.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod builder;
mod demo;

use std::path::PathBuf;

use builder::{large_panel, page, small_panel, subject};
use cellkeep::sheet::patch::{Options, patch};
use cellkeep::sheet::{Paper, Sheet, form};

fn main() {
    let folder = PathBuf::from(std::env::args().nth(1).expect("a folder to write to"));
    std::fs::create_dir_all(&folder).expect("the folder");
    let write = |name: String, sheet: Sheet| {
        println!(
            "{name}: {} bytes, pages: {:?}",
            sheet.html.len(),
            sheet.pages
        );
        std::fs::write(folder.join(name), sheet.html).expect("a file");
    };
    for (name, paper, per_page) in [
        ("a4", Paper::A4, 1),
        ("letter", Paper::Letter, 1),
        ("two", Paper::A4, 2),
        ("four", Paper::A4, 4),
    ] {
        let pages: Vec<_> = (0..4).map(|p| page(&small_panel(), p, 1, 1)).collect();
        let options = Options { paper, per_page };
        let sheet = patch(&subject("Twenty controls"), &pages, options);
        write(format!("small-{name}.html"), sheet);
    }
    let many = [page(&large_panel(), 0, 1, 1)];
    let sheet = patch(&subject("Two hundred controls"), &many, Options::default());
    write("large.html".to_owned(), sheet);

    for id in demo::INSTRUMENTS {
        let layout = demo::layout(id);
        let patches = |which: &str| demo::patch_sheet(&layout, which, Options::default(), None);
        write(format!("{id}-patch.html"), patches("today-1"));
        write(
            format!("{id}-compare.html"),
            demo::comparison_sheet(&layout, "earlier", "today-1"),
        );
        write(
            format!("{id}-form.html"),
            form::form(&layout, true, Paper::A4),
        );
        for damage in demo::damaged(id) {
            let which = format!("damaged/{damage}");
            write(format!("{id}-patch-{damage}.html"), patches(&which));
            write(
                format!("{id}-memory-{damage}.html"),
                demo::memory_sheet(&layout, &which, "today-1"),
            );
        }
    }
}
