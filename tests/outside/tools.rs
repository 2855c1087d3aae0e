//! What the outside checks share: how programs are found and asked, and a source of numbers.
#![allow(dead_code, reason = "each check uses its part")]

use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};

use serde_json::Value as Json;

/// A program of the Python environment that `tests/run` makes; a missing one fails the check and says how to get it.
pub(crate) fn venv(program: &str) -> PathBuf {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/.cache/venv");
    [
        format!("bin/{program}"),
        format!("Scripts/{program}.exe"),
        format!("Scripts/{program}"),
    ]
    .iter()
    .map(|p| root.join(p))
    .find(|p| p.exists())
    .unwrap_or_else(|| {
        panic!(
            "{program} is missing: run tests/run, or\n  python3 -m venv tests/.cache/venv && \
             tests/.cache/venv/bin/pip install -r tests/outside/requirements.txt"
        )
    })
}

/// Runs a program of a Debian package on some input; a missing one fails the check and says how to get it. Debian keeps
/// some programs where only root looks.
pub(crate) fn run(program: &str, package: &str, arguments: &[&str], input: &[u8]) -> Output {
    let mut path = std::env::var_os("PATH").unwrap_or_default();
    path.push(":/usr/sbin");
    let how = format!("on Debian: apt-get install {package}");
    fed(
        Command::new(program).args(arguments).env("PATH", path),
        input,
        &how,
    )
}

/// What a Python program of `tests/outside` answers to a question, both in JSON.
pub(crate) fn ask(program: &str, arguments: &[&Path], question: &Json) -> Json {
    let program = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("tests/outside")
        .join(program);
    let out = fed(
        Command::new(venv("python")).arg(&program).args(arguments),
        question.to_string().as_bytes(),
        "run tests/run",
    );
    assert!(
        out.status.success(),
        "{} failed: {}",
        program.display(),
        String::from_utf8_lossy(&out.stderr)
    );
    serde_json::from_slice(&out.stdout).expect("JSON")
}

fn fed(command: &mut Command, input: &[u8], how_to_get_it: &str) -> Output {
    let mut child = command
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap_or_else(|e| panic!("{command:?} cannot be run ({e}); {how_to_get_it}"));
    let mut stdin = child.stdin.take().expect("piped");
    stdin.write_all(input).expect("the input is read");
    drop(stdin);
    child.wait_with_output().expect("the program ends")
}

/// xorshift64 (Marsaglia, "Xorshift RNGs", 2003); the seed is not 0.
pub(crate) struct Random(pub(crate) u64);

impl Random {
    pub(crate) fn next(&mut self) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0 >> 11
    }

    pub(crate) fn below(&mut self, n: u64) -> u64 {
        self.next() % n
    }

    /// From `low` to `high`, both included.
    pub(crate) fn within(&mut self, low: u64, high: u64) -> u64 {
        low + self.below(high - low + 1)
    }

    pub(crate) fn often(&mut self, of: u64) -> bool {
        self.below(of) == 0
    }

    pub(crate) fn shuffle<T>(&mut self, list: &mut [T]) {
        for i in (1..list.len()).rev() {
            list.swap(i, self.below(i as u64 + 1) as usize);
        }
    }

    pub(crate) fn bytes(&mut self, n: usize) -> Vec<u8> {
        (0..n).map(|_| self.next() as u8).collect()
    }
}
