//! Disks that refuse: a full one, and a folder without rights. Needs root on Linux, to mount a small tmpfs and to
//! run the program as somebody else; `tests/run` as root has both.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::fs;
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use cellkeep::image::ChipImage;
use cellkeep::reading::{ChipReading, Reading, WriteOptions, write};

fn output(command: &mut Command) -> Output {
    command
        .output()
        .unwrap_or_else(|e| panic!("{command:?}: {e}"))
}

fn run(program: &str, arguments: &[&str]) {
    let out = output(Command::new(program).args(arguments));
    let errors = String::from_utf8_lossy(&out.stderr);
    assert!(
        out.status.success(),
        "{program} {arguments:?} failed; this check must run as root: {errors}"
    );
}

/// A tmpfs of 64 KiB, gone at the end.
struct SmallDisk(PathBuf);

impl SmallDisk {
    fn mount(at: &Path) -> Self {
        fs::create_dir(at).unwrap();
        run(
            "mount",
            &[
                "-t",
                "tmpfs",
                "-o",
                "size=64k",
                "tmpfs",
                at.to_str().unwrap(),
            ],
        );
        Self(at.to_owned())
    }

    fn names(&self) -> Vec<String> {
        let entries = fs::read_dir(&self.0).unwrap();
        entries
            .map(|e| e.unwrap().file_name().into_string().unwrap())
            .collect()
    }
}

impl Drop for SmallDisk {
    fn drop(&mut self) {
        run("umount", &[self.0.to_str().unwrap()]);
    }
}

fn reading(size: usize) -> Reading {
    let image = ChipImage::from_cells(8, &vec![0x5a; size]).unwrap();
    Reading::new(vec![
        ChipReading::new("A", image.clone()),
        ChipReading::new("B", image),
    ])
}

#[test]
fn a_full_disk_loses_nothing_and_keeps_no_litter() {
    let dir = tempfile::tempdir().unwrap();
    let disk = SmallDisk::mount(&dir.path().join("small"));
    let place = disk.0.join("reading");
    write(&reading(4096), &place, &WriteOptions::default()).unwrap();
    let before = fs::read(place.join("A.bin")).unwrap();
    let record = fs::read(place.join("reading.json")).unwrap();
    let replace = WriteOptions {
        replace: true,
        ..WriteOptions::default()
    };
    let error = write(&reading(40_000), &place, &replace).unwrap_err();
    assert!(error.to_string().contains("cannot write"), "{error}");
    assert_eq!(fs::read(place.join("A.bin")).unwrap(), before);
    assert_eq!(fs::read(place.join("reading.json")).unwrap(), record);
    assert_eq!(disk.names(), ["reading"]);
    // The same for one file.
    let input = dir.path().join("in.bin");
    fs::write(&input, vec![1; 100_000]).unwrap();
    let target = disk.0.join("out.hex");
    let arguments = [
        "convert",
        input.to_str().unwrap(),
        "-o",
        target.to_str().unwrap(),
    ];
    let out = output(Command::new(env!("CARGO_BIN_EXE_cellkeep")).args(arguments));
    let errors = String::from_utf8_lossy(&out.stderr);
    assert_eq!(out.status.code(), Some(2));
    assert!(
        errors.starts_with("cellkeep: disk: cannot write") && errors.contains("free some space"),
        "{errors}"
    );
    assert_eq!(disk.names(), ["reading"]);
}

#[test]
fn a_folder_without_rights_is_said_to_be_one() {
    let dir = tempfile::tempdir().unwrap();
    let open = |path: &Path| fs::set_permissions(path, fs::Permissions::from_mode(0o755)).unwrap();
    open(dir.path());
    // The user nobody may not look into the build folder; a copy does.
    let program = dir.path().join("cellkeep");
    fs::copy(env!("CARGO_BIN_EXE_cellkeep"), &program).unwrap();
    open(&program);
    fs::write(dir.path().join("in.bin"), [1, 2, 3]).unwrap();
    let closed = dir.path().join("closed");
    fs::create_dir(&closed).unwrap();
    fs::write(closed.join("secret.bin"), [1]).unwrap();
    fs::set_permissions(&closed, fs::Permissions::from_mode(0o700)).unwrap();
    let as_nobody = |from: PathBuf, to: PathBuf| {
        let nobody = ["--reuid", "65534", "--regid", "65534", "--clear-groups"];
        let mut command = Command::new("setpriv");
        command
            .args(nobody)
            .arg(&program)
            .arg("convert")
            .arg(from)
            .arg("-o")
            .arg(to);
        let out = output(&mut command);
        assert_eq!(
            out.status.code(),
            Some(2),
            "{}",
            String::from_utf8_lossy(&out.stderr)
        );
        String::from_utf8(out.stderr).unwrap()
    };
    let read = as_nobody(closed.join("secret.bin"), dir.path().join("out.hex"));
    let write = as_nobody(dir.path().join("in.bin"), closed.join("out.hex"));
    for said in [read, write] {
        assert!(said.starts_with("cellkeep: disk: cannot"), "{said}");
        assert!(said.contains("check the rights"), "{said}");
    }
}
