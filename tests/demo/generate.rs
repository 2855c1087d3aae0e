//! Makes `demo-dumps` anew: `cargo run --example generate_dumps`.

#![allow(clippy::expect_used, clippy::panic)]

mod bank;
mod damage;
mod dumps;
mod files;
mod patch;
mod rng;
mod visits;

use std::path::Path;

use cellkeep::layout::{self, model::Layout};

fn main() -> std::io::Result<()> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("demo-dumps");
    let tree = dumps::all(load);
    if root.exists() {
        std::fs::remove_dir_all(&root)?;
    }
    let mut bytes = 0;
    for (path, contents) in &tree {
        let target = root.join(path);
        if let Some(folder) = target.parent() {
            std::fs::create_dir_all(folder)?;
        }
        std::fs::write(&target, contents)?;
        bytes += contents.len();
    }
    println!("{} files, {bytes} bytes in {}", tree.len(), root.display());
    Ok(())
}

/// The layout as it lies in `formats`, whatever a user's folder holds.
fn load(id: &str) -> Layout {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join(format!("formats/{id}.toml"));
    match layout::load(&path.to_string_lossy()) {
        Ok(layout) => layout,
        Err(error) => panic!("{error}"),
    }
}
