//! Questions to Python programs beside the outside checks: JSON in, JSON out.

use std::io::Write;
use std::path::Path;
use std::process::{Command, Stdio};

use serde_json::Value as Json;

/// What a program of `tests/outside` answers.
pub(crate) fn ask(program: &str, question: &Json) -> Json {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let venv = root.join("tests/.cache/venv");
    let python = ["bin/python", "Scripts/python.exe"]
        .map(|p| venv.join(p))
        .into_iter()
        .find(|p| p.exists())
        .unwrap_or_else(|| {
            panic!(
                "Python is needed: run tests/run, or\n  python3 -m venv tests/.cache/venv && \
                 tests/.cache/venv/bin/pip install -r tests/outside/requirements.txt"
            )
        });
    let mut child = Command::new(python)
        .arg(root.join("tests/outside").join(program))
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .expect("Python starts");
    let mut stdin = child.stdin.take().expect("piped");
    stdin
        .write_all(question.to_string().as_bytes())
        .expect("the question is read");
    drop(stdin);
    let out = child.wait_with_output().expect("Python ends");
    assert!(out.status.success(), "{program} failed");
    serde_json::from_slice(&out.stdout).expect("JSON")
}
