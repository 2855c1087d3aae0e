//! Gathers the built-in layouts: a table from the name of each file in `formats/` to its text.

use std::fmt::Write;
use std::path::Path;
use std::{env, fs, io};

fn main() -> io::Result<()> {
    let root = env::var("CARGO_MANIFEST_DIR").map_err(io::Error::other)?;
    let out = env::var("OUT_DIR").map_err(io::Error::other)?;
    let formats = Path::new(&root).join("formats");
    println!("cargo::rerun-if-changed=formats");
    println!("cargo::rerun-if-changed=src/build.rs");
    let mut table = String::from("&[\n");
    let mut files = Vec::new();
    for entry in fs::read_dir(&formats)? {
        let path = entry?.path();
        if path.extension().is_some_and(|e| e == "toml") {
            files.push(path);
        }
    }
    files.sort();
    for path in files {
        let id = path.file_stem().unwrap_or_default().to_string_lossy();
        // Raw paths would need escapes on Windows; Debug writes them.
        let path = path.to_string_lossy();
        writeln!(table, "    ({:?}, include_str!({:?})),", id, path).map_err(io::Error::other)?;
    }
    table.push_str("]\n");
    fs::write(Path::new(&out).join("built_in.rs"), table)
}
