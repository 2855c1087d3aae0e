//! Bags from outside that mean harm, or were made badly: nothing is written outside, and time and memory are bounded.

use std::fs;
use std::io::Write;
use std::path::Path;
use std::time::Instant;

use cellkeep::reading::sha256_hex;
use cellkeep::shelf::{Limits, NewJob, Shelf, ShelfError};

use super::common::{Place, act, tree};

type Entries = Vec<(String, Vec<u8>)>;

/// A bag with the given payload, right in every way unless its names are not.
fn bag(payload: &[(&str, &[u8])]) -> Entries {
    let mut manifest = String::new();
    let mut entries = Vec::new();
    for (name, bytes) in payload {
        manifest += &format!("{}  data/{name}\n", sha256_hex(bytes));
        entries.push((format!("bag/data/{name}"), bytes.to_vec()));
    }
    entries.push((
        "bag/bagit.txt".into(),
        b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n".to_vec(),
    ));
    entries.push(("bag/manifest-sha256.txt".into(), manifest.into_bytes()));
    entries
}

fn zip_of(path: &Path, entries: &Entries) {
    let mut zip = zip::ZipWriter::new(fs::File::create(path).unwrap());
    for (name, bytes) in entries {
        zip.start_file(name.as_str(), zip::write::SimpleFileOptions::default())
            .unwrap();
        zip.write_all(bytes).unwrap();
    }
    zip.finish().unwrap();
}

fn new() -> NewJob {
    NewJob {
        name: Some("taken".into()),
        instrument: "Pellow Six".into(),
        ..NewJob::default()
    }
}

/// Takes a bag in; whatever happens, nothing but the shelf may have changed, and nothing at all when it is refused.
fn take(path: &Path, limits: &Limits) -> Result<Vec<String>, ShelfError> {
    let place = Place::new();
    fs::create_dir(place.join("inner")).unwrap();
    let root = place.join("inner/shelf");
    let shelf = Shelf::set_up(&root).unwrap();
    let before = tree(place.path());
    let outcome = shelf.take_in(path, new(), limits, &act(0));
    let after = tree(place.path());
    match outcome {
        Ok(done) => {
            for name in after.keys().filter(|n| !before.contains_key(*n)) {
                let inside = ["jobs/taken/", "parity/taken/", "index/"];
                assert!(
                    inside
                        .iter()
                        .any(|i| name.starts_with(&format!("inner/shelf/{i}"))),
                    "{name}"
                );
            }
            assert!(shelf.audit(None).unwrap().is_clean());
            let stored = shelf.stored(&done.job).unwrap();
            Ok(stored
                .files(1)
                .unwrap()
                .into_iter()
                .map(|f| f.path)
                .collect())
        }
        Err(e) => {
            assert_eq!(after, before, "refused but not untouched: {e}");
            Err(e)
        }
    }
}

fn refused(what: &str, entries: &Entries) {
    let place = Place::new();
    let path = place.join("bag.zip");
    zip_of(&path, entries);
    let outcome = take(&path, &Limits::default());
    assert!(
        matches!(outcome, Err(ShelfError::BadBag { .. })),
        "{what}: {outcome:?}"
    );
}

#[test]
fn names_that_lead_out_of_the_bag_are_refused() {
    for name in [
        "../../evil",
        "a/../../../evil",
        "/../evil",
        "a//b",
        "./a",
        "a/.",
        "nul\u{1}",
        "line\nend",
        "del\u{7f}",
        "a\\..\\b",
    ] {
        refused(name, &bag(&[(name, b"x")]));
    }
    for name in [
        "/etc/evil",
        "../evil",
        "c:/evil",
        "\\\\host\\evil",
        "~root/evil",
    ] {
        let mut entries = bag(&[("a", b"x")]);
        entries.push((name.into(), b"x".to_vec()));
        refused(name, &entries);
    }
    refused("depth", &bag(&[(&"d/".repeat(40), b"x"), ("a", b"x")]));
    refused("length", &bag(&[(&"n".repeat(2000), b"x")]));
}

#[test]
fn names_special_to_some_system_are_kept_under_safe_ones() {
    let place = Place::new();
    let path = place.join("bag.zip");
    // Twins in case, and in normal form (Unicode Standard Annex 15): both of each pair are kept.
    zip_of(
        &path,
        &bag(&[
            ("CON", b"1"),
            ("as-found/aux.bin", b"2"),
            ("as-found/CH1.bin", b"3"),
            ("as-found/ch1.bin", b"4"),
            ("\u{fc}.txt", b"5"),
            ("u\u{308}.txt", b"6"),
            ("dot.", b"7"),
            ("a%0Ab", b"8"),
        ]),
    );
    let files = take(&path, &Limits::default()).unwrap();
    assert_eq!(
        files,
        [
            "as-found/CH1.bin",
            "as-found/_aux.bin",
            "as-found/ch1-2.bin",
            "job.json",
            "paper/_.txt",
            "paper/_CON",
            "paper/a_0Ab",
            "paper/dot_",
            "paper/u_.txt"
        ]
    );
}

#[test]
fn a_link_or_a_device_in_a_zip_is_refused() {
    for mode in [0o120_777_u32, 0o020_666, 0o010_666, 0o060_666, 0o140_666] {
        let place = Place::new();
        let path = place.join("bag.zip");
        zip_of(&path, &bag(&[("a", b"/etc/passwd")]));
        // The mode is in the upper half of the external attributes in the table of names (offset 38), and the system that
        // made the entry (3 is Unix) at offset 5: ZIP File Format Specification 6.3, sections 4.3.12 and 4.4.2; from memory.
        let mut bytes = fs::read(&path).unwrap();
        let at = bytes.windows(4).position(|w| w == b"PK\x01\x02").unwrap();
        bytes[at + 5] = 3;
        bytes[at + 38..at + 42].copy_from_slice(&(mode << 16).to_le_bytes());
        fs::write(&path, bytes).unwrap();
        assert!(
            matches!(
                take(&path, &Limits::default()),
                Err(ShelfError::BadBag { .. })
            ),
            "{mode:o}"
        );
    }
}

#[cfg(unix)]
#[test]
fn a_link_a_pipe_or_a_socket_in_a_folder_is_refused_and_never_opened() {
    let make = |place: &Place| {
        for (name, bytes) in bag(&[("a", b"x")]) {
            let path = place.join(&name);
            fs::create_dir_all(path.parent().unwrap()).unwrap();
            fs::write(path, bytes).unwrap();
        }
        place.join("bag")
    };
    let place = Place::new();
    let folder = make(&place);
    take(&folder, &Limits::default()).unwrap();
    std::os::unix::fs::symlink("/etc/passwd", folder.join("data/b")).unwrap();
    assert!(matches!(
        take(&folder, &Limits::default()),
        Err(ShelfError::BadBag { .. })
    ));
    let place = Place::new();
    let folder = make(&place);
    std::os::unix::fs::symlink("..", folder.join("data/loop")).unwrap();
    assert!(matches!(
        take(&folder, &Limits::default()),
        Err(ShelfError::BadBag { .. })
    ));
    let place = Place::new();
    let folder = make(&place);
    let _socket = std::os::unix::net::UnixListener::bind(folder.join("data/s")).unwrap();
    assert!(matches!(
        take(&folder, &Limits::default()),
        Err(ShelfError::BadBag { .. })
    ));
    // Opening a pipe nobody writes to would wait for ever.
    let place = Place::new();
    let folder = make(&place);
    let made = std::process::Command::new("mkfifo")
        .arg(folder.join("data/p"))
        .status()
        .unwrap();
    assert!(made.success());
    assert!(matches!(
        take(&folder, &Limits::default()),
        Err(ShelfError::BadBag { .. })
    ));
}

#[test]
fn a_zip_bomb_is_stopped_at_the_bound() {
    let place = Place::new();
    let path = place.join("bomb.zip");
    // 64 MiB of zero bytes in some 64 kB; the bound here is 8 MiB.
    zip_of(&path, &bag(&[("zeros", &vec![0; 64 << 20])]));
    assert!(fs::metadata(&path).unwrap().len() < 200_000);
    let limits = Limits {
        files: 100,
        bytes: 8 << 20,
    };
    let begun = Instant::now();
    assert!(matches!(
        take(&path, &limits),
        Err(ShelfError::BadBag { .. })
    ));
    assert!(begun.elapsed().as_secs() < 10);
    // A header that lies about the size changes nothing: what counts is what comes out.
    let mut bytes = fs::read(&path).unwrap();
    for (mark, offset) in [(b"PK\x03\x04", 22), (b"PK\x01\x02", 24)] {
        let at = bytes.windows(4).position(|w| w == mark).unwrap();
        bytes[at + offset..at + offset + 4].copy_from_slice(&10_u32.to_le_bytes());
    }
    fs::write(&path, bytes).unwrap();
    assert!(matches!(
        take(&path, &limits),
        Err(ShelfError::BadBag { .. })
    ));
    let many: Vec<String> = (0..200).map(|n| format!("f{n}")).collect();
    let many: Vec<(&str, &[u8])> = many.iter().map(|n| (n.as_str(), &b"x"[..])).collect();
    let path = place.join("many.zip");
    zip_of(&path, &bag(&many));
    assert!(matches!(
        take(&path, &limits),
        Err(ShelfError::BadBag { .. })
    ));
}

#[test]
fn the_same_name_twice_is_refused() {
    let place = Place::new();
    let path = place.join("bag.zip");
    zip_of(&path, &bag(&[("a", b"x"), ("b", b"y")]));
    let mut bytes = fs::read(&path).unwrap();
    let name = b"bag/data/b";
    let mut from = 0;
    while let Some(at) = bytes[from..].windows(name.len()).position(|w| w == name) {
        bytes[from + at + 9] = b'a';
        from += at + 1;
    }
    fs::write(&path, bytes).unwrap();
    assert!(matches!(
        take(&path, &Limits::default()),
        Err(ShelfError::BadBag { .. })
    ));
}

#[test]
fn a_bag_is_held_to_its_standard() {
    // RFC 8493, sections 2.1.1 (declaration), 2.1.3 (manifests), 2.2.1 (tag manifests), 2.2.3 (fetch), 3 (valid).
    let change = |file: &str, to: &dyn Fn(&str) -> String| {
        let mut entries = bag(&[("a", b"x"), ("b", b"y")]);
        for (name, bytes) in &mut entries {
            if name == &format!("bag/{file}") {
                *bytes = to(std::str::from_utf8(bytes).unwrap()).into_bytes();
            }
        }
        entries
    };
    let with = |name: &str, text: &str| {
        let mut entries = bag(&[("a", b"x")]);
        entries.push((format!("bag/{name}"), text.into()));
        entries
    };
    let without = |file: &str| {
        let mut entries = bag(&[("a", b"x"), ("b", b"y")]);
        entries.retain(|(name, _)| name != &format!("bag/{file}"));
        entries
    };
    let x = sha256_hex(b"x");
    let cases = [
        ("no declaration", without("bagit.txt")),
        ("no manifest", without("manifest-sha256.txt")),
        ("missing file", without("data/b")),
        (
            "mark of byte order",
            change("bagit.txt", &|t| format!("\u{feff}{t}")),
        ),
        (
            "unknown version",
            change("bagit.txt", &|t| t.replace("1.0", "2.0")),
        ),
        (
            "other character set",
            change("bagit.txt", &|t| t.replace("UTF-8", "UTF-16")),
        ),
        ("altered file", change("data/a", &|_| "z".into())),
        (
            "unlisted file",
            change("manifest-sha256.txt", &|t| {
                t.lines().next().unwrap().to_owned() + "\n"
            }),
        ),
        (
            "listed twice",
            change("manifest-sha256.txt", &|t| format!("{t}{t}")),
        ),
        (
            "unreadable line",
            change("manifest-sha256.txt", &|t| format!("{t}what is this\n")),
        ),
        (
            "line without a path",
            change("manifest-sha256.txt", &|t| format!("{t}{x}\n")),
        ),
        (
            "path outside data",
            change("manifest-sha256.txt", &|t| format!("{t}{x}  bagit.txt\n")),
        ),
        (
            "files to fetch",
            with("fetch.txt", "http://example.org/x 1 data/x\n"),
        ),
        (
            "second manifest incomplete",
            with("manifest-sha512.txt", ""),
        ),
        (
            "tag manifest without the manifest",
            with("tagmanifest-sha256.txt", ""),
        ),
        (
            "wrong size told",
            with("bag-info.txt", "Payload-Oxum: 5.1\n"),
        ),
        ("only weak digests", {
            let mut entries = without("manifest-sha256.txt");
            entries.push(("bag/manifest-md5.txt".into(), b"9dd4e461268c8034f5c8564e155c67a6  data/a\n415290769594460e2e485922904f345d  data/b\n".to_vec()));
            entries
        }),
        ("something beside it", {
            let mut entries = bag(&[("a", b"x")]);
            entries.push(("other/file".into(), b"x".to_vec()));
            entries
        }),
    ];
    for (what, entries) in cases {
        refused(what, &entries);
    }
    let place = Place::new();
    let path = place.join("bag.zip");
    for good in [
        with("bag-info.txt", "Payload-Oxum: 1.1\n"),
        change("manifest-sha256.txt", &|t| {
            t.to_uppercase()
                .replace("DATA/A", "data/a")
                .replace("DATA/B", "data/b")
        }),
        change("manifest-sha256.txt", &|t| {
            t.replace('\n', "\r\n").replace("  ", "\t")
        }),
    ] {
        zip_of(&path, &good);
        take(&path, &Limits::default()).unwrap();
    }
}

#[test]
fn what_is_no_zip_is_refused() {
    let place = Place::new();
    for (name, bytes) in [
        ("empty", &b""[..]),
        ("text", b"PK but no zip"),
        (
            "end only",
            b"PK\x05\x06\0\0\0\0\xff\xff\xff\xff\xff\xff\xff\xff\xff\xff\xff\xff\0\0",
        ),
    ] {
        let path = place.join(name);
        fs::write(&path, bytes).unwrap();
        assert!(
            matches!(
                take(&path, &Limits::default()),
                Err(ShelfError::BadBag { .. })
            ),
            "{name}"
        );
    }
    // Cut off anywhere, it is refused; nothing panics.
    let whole = place.join("whole.zip");
    zip_of(&whole, &bag(&[("a", b"some bytes"), ("b", b"others")]));
    let bytes = fs::read(&whole).unwrap();
    for cut in (0..bytes.len()).step_by(7) {
        let path = place.join("cut.zip");
        fs::write(&path, &bytes[..cut]).unwrap();
        assert!(take(&path, &Limits::default()).is_err(), "cut at {cut}");
    }
}
