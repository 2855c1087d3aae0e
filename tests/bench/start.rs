//! `decode` from process start to its last line, on demonstration readings, and with many more layouts to choose
//! from. The reference in the same run is a process that does nothing: `cellkeep --version`.
//!
//! Run with `cargo bench --bench start`.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use divan::Bencher;

fn main() {
    divan::main();
}

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).to_owned()
}

fn run(args: &[&str], layouts: Option<&Path>) {
    let mut command = Command::new(env!("CARGO_BIN_EXE_cellkeep"));
    command
        .args(args)
        .current_dir(root())
        .stdout(Stdio::null())
        .stderr(Stdio::null());
    if let Some(folder) = layouts {
        command.env("CELLKEEP_LAYOUTS", folder);
    }
    let status = command.status().expect("the program starts");
    assert!(status.code().is_some_and(|c| c < 2), "{args:?}: {status}");
}

#[divan::bench]
fn nothing_but_the_version() {
    run(&["--version"], None);
}

#[divan::bench(args = ["aldermoor-four", "aldermoor-eight", "pellow-six", "quillon-72", "wrenfield-strings", "tessaly-nine"])]
fn decode(layout: &str) {
    let reading = format!("demo-dumps/{layout}/today-1");
    run(&["decode", &reading, "-l", layout], None);
}

/// The same with a thousand other layouts in the user's folder.
#[divan::bench]
fn decode_among_a_thousand_layouts(bencher: Bencher<'_, '_>) {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let text = std::fs::read_to_string(root().join("formats/quillon-72.toml")).expect("a layout");
    for i in 0..1000 {
        let text = text.replace("\"quillon-72\"", &format!("\"other-{i}\""));
        std::fs::write(folder.path().join(format!("other-{i}.toml")), text).expect("written");
    }
    let reading = "demo-dumps/pellow-six/today-1";
    bencher.bench_local(|| {
        run(
            &["decode", reading, "-l", "pellow-six"],
            Some(folder.path()),
        )
    });
}
