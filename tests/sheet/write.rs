//! Writes sample sheets to a folder, to be looked at: `cargo run --example sheets -- FOLDER`.

mod builder;

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
}
