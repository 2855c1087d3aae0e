//! The layout kept with a job: whole, with all it extends, and before this computer's own.

use std::fs;
use std::path::Path;
use std::process::Output;

use cellkeep::layout;
use cellkeep::shelf::NewJob;

use super::common::{Place, Rng, act, program, sample, text};

const PITCH: &str = "linear = [-24, 24]";

/// A shelf, and beside it a folder of layouts in which `mine` extends `base-72`, and a reading.
struct Bench(Place);

impl Bench {
    fn new() -> Self {
        let bench = Self(Place::new());
        drop(cellkeep::shelf::Shelf::set_up(&bench.0.join("shelf")).unwrap());
        fs::create_dir(bench.0.join("layouts")).unwrap();
        fs::create_dir(bench.0.join("empty")).unwrap();
        bench.layout("base-72", &base());
        bench.layout("mine", &mine());
        fs::create_dir(bench.0.join("reading")).unwrap();
        let mut rng = Rng(3);
        for chip in ["IC4.bin", "IC5.bin"] {
            let nibbles: Vec<u8> = rng.bytes(256).iter().map(|b| b & 15).collect();
            fs::write(bench.0.join("reading").join(chip), nibbles).unwrap();
        }
        bench
    }

    fn layout(&self, id: &str, text: &str) {
        fs::write(self.0.join("layouts").join(format!("{id}.toml")), text).unwrap();
    }

    /// Runs the program, with the folder of layouts known by name or with none.
    fn run(&self, layouts: &str, args: &[&str]) -> Output {
        program(&self.0.join("shelf"))
            .env("CELLKEEP_LAYOUTS", self.0.join(layouts))
            .current_dir(self.0.path())
            .args(args)
            .output()
            .unwrap()
    }

    /// What a command prints that ends well, or with findings.
    fn good(&self, layouts: &str, args: &[&str]) -> String {
        let output = self.run(layouts, args);
        let said = text(&output.stderr);
        assert_ne!(output.status.code(), Some(2), "{args:?}: {said}");
        text(&output.stdout)
    }

    fn opened(&self) -> String {
        let layout = "layouts/mine.toml";
        let open = ["shelf", "open", "--name", "rook", "--instrument", "Rook"];
        let with = ["--layout", layout, "--as-found", "reading"];
        self.good("empty", &[&open[..], &with].concat());
        self.good("empty", &["decode", "reading", "-l", layout, "--as", "csv"])
    }
}

fn base() -> String {
    let text = include_str!("../../formats/quillon-72.toml");
    text.replacen("\"quillon-72\"", "\"base-72\"", 1)
}

fn mine() -> String {
    "cellkeep = 1\nid = \"mine\"\nname = \"Mine\"\nextends = \"base-72\"\nrevision = \"1\"\n".into()
}

#[test]
fn a_job_is_decoded_by_all_of_its_layout_where_nobody_else_has_it() {
    let bench = Bench::new();
    let wanted = bench.opened();
    assert!(wanted.lines().count() > 72);
    let csv = |more: &[&str]| {
        let decode = ["decode", "shelf:rook/as-found", "--as", "csv"];
        bench.good("empty", &[&decode[..], more].concat())
    };
    assert_eq!(csv(&[]), wanted);
    assert_eq!(csv(&["-l", "shelf:rook/layout/mine.toml"]), wanted);
    // The customer's copy has it too, as files that stand beside each other.
    bench.good("empty", &["shelf", "hand-over", "rook", "out.zip"]);
    let taken = ["shelf", "take", "rook/layout", "taken"];
    bench.good("empty", &taken);
    for (name, text) in [("mine", mine()), ("base-72", base())] {
        let file = bench.0.join("taken").join(format!("{name}.toml"));
        assert_eq!(fs::read_to_string(file).unwrap(), text);
    }
    let again = ["decode", "reading", "-l", "taken/mine.toml", "--as", "csv"];
    assert_eq!(bench.good("empty", &again), wanted);
    assert_eq!(
        bench.good(
            "empty",
            &[
                "decode",
                "shelf:rook/as-found",
                "--shelf",
                "rook",
                "--as",
                "csv"
            ]
        ),
        wanted
    );
}

/// A layout put in later does not become the job's by itself; what to do is said, and a broken one is not kept in silence.
#[test]
fn a_layout_put_in_later_is_told_how_to_be_gone_by() {
    let bench = Bench::new();
    let put = |name: &str, text: &str| {
        bench.layout(name, text);
        let file = format!("layouts/{name}.toml");
        bench.run("empty", &["shelf", "put", "rook", "--as", "layout", &file])
    };
    let open = ["shelf", "open", "--name", "rook", "--instrument", "Rook"];
    bench.good("empty", &[&open[..], &["--as-found", "reading"]].concat());
    let first = put("base-72", &base());
    assert_eq!(first.status.code(), Some(0));
    let said = text(&first.stdout);
    assert!(
        said.contains("`cellkeep decode shelf:rook/as-found` goes by base-72"),
        "{said}"
    );

    let other = base().replacen("\"base-72\"", "\"rook-2\"", 1);
    let second = text(&put("rook-2", &other).stdout);
    assert!(
        second.contains("the job does not say which of its layouts"),
        "{second}"
    );
    assert!(
        second.contains("`--layout shelf:rook/layout/rook-2.toml`"),
        "{second}"
    );
    bench.good(
        "empty",
        &[
            "decode",
            "shelf:rook/as-found",
            "--layout",
            "shelf:rook/layout/rook-2.toml",
        ],
    );

    let broken = put("torn", &base().replacen("words", "wurds", 1));
    assert_eq!(broken.status.code(), Some(1));
    let said = text(&broken.stderr);
    assert!(
        said.contains("caution: torn.toml is kept as it is, but nothing can be decoded by it"),
        "{said}"
    );
    let check = "layout check shelf:rook/layout/torn.toml";
    assert!(said.contains(check), "{said}");
    let words: Vec<&str> = check.split(' ').collect();
    let shown = text(&bench.run("empty", &words).stdout);
    assert!(shown.contains("wurds"), "{shown}");
}

#[test]
fn a_job_opened_with_a_layout_goes_by_it_still() {
    let bench = Bench::new();
    bench.opened();
    let other = base().replacen("\"base-72\"", "\"rook-2\"", 1);
    bench.layout("rook-2", &other);
    let put = [
        "shelf",
        "put",
        "rook",
        "--as",
        "layout",
        "layouts/rook-2.toml",
    ];
    let said = bench.good("empty", &put);
    assert!(
        said.contains("the job goes by layout mine still; to go by another, give a command `--layout shelf:rook/layout/rook-2.toml`"),
        "{said}"
    );
}

/// Aldermoor Eight is the Four with more boards: the Four's text belongs to it.
#[test]
fn a_shipped_layout_is_kept_with_what_it_extends() {
    let bench = Bench::new();
    let open = ["shelf", "open", "--name", "eight", "--instrument", "Eight"];
    bench.good(
        "empty",
        &[&open[..], &["--layout", "aldermoor-eight"]].concat(),
    );
    let folder = bench.0.join("shelf/jobs/eight/v1/content/layout");
    for id in ["aldermoor-eight", "aldermoor-four"] {
        let shipped = Path::new(env!("CARGO_MANIFEST_DIR")).join("formats");
        let file = format!("{id}.toml");
        assert_eq!(
            fs::read(folder.join(&file)).unwrap(),
            fs::read(shipped.join(&file)).unwrap()
        );
    }
    let stored = super::common::open(&bench.0.join("shelf")).unwrap();
    let held = stored.stored("eight").unwrap().layout(1).unwrap().unwrap();
    assert_eq!(held.load().unwrap(), {
        let mut shipped = layout::load("aldermoor-eight").unwrap();
        shipped.source.origin = "aldermoor-eight.toml".into();
        shipped
    });
}

#[test]
fn a_revised_base_is_a_revised_layout() {
    let bench = Bench::new();
    let load = || layout::load(bench.0.join("layouts/mine.toml").to_str().unwrap()).unwrap();
    let first = load().source;
    let own = cellkeep::reading::sha256_hex(mine().as_bytes());
    let whole = [
        own.clone(),
        cellkeep::reading::sha256_hex(base().as_bytes()),
    ]
    .join("\n")
        + "\n";
    assert_eq!(
        first.sha256,
        cellkeep::reading::sha256_hex(whole.as_bytes())
    );
    // Nothing changes for a layout that extends nothing, and a digest of the own text alone raises no alarm.
    let quillon = layout::load("quillon-72").unwrap().source;
    assert_eq!(
        quillon.sha256,
        cellkeep::reading::sha256_hex(quillon.text.as_bytes())
    );
    assert!(first.is(&own) && first.is(&first.sha256) && !first.is(&quillon.sha256));

    let edited = ["encode", "bank.json", "--onto", "reading", "-o", "stored"];
    let layout = ["-l", "layouts/mine.toml"];
    bench.good(
        "empty",
        &[
            &["decode", "reading", "--json", "-o", "bank.json"],
            &layout[..],
        ]
        .concat(),
    );
    bench.good("empty", &[&edited[..], &layout].concat());
    let said = |layout: &str| {
        let args = ["decode", "stored", "-l", layout];
        text(&bench.run("empty", &args).stderr)
    };
    assert!(!said("layouts/mine.toml").contains("revised"));
    bench.layout("base-72", &base().replacen(PITCH, "linear = [-12, 12]", 1));
    assert!(said("layouts/mine.toml").contains("has been revised"));
    // A record of before has the digest of the own text alone.
    let record = bench.0.join("stored/reading.json");
    let old = fs::read_to_string(&record)
        .unwrap()
        .replace(&first.sha256, &own);
    fs::write(&record, old).unwrap();
    assert!(!said("layouts/mine.toml").contains("revised"));
}

#[test]
fn a_stored_reading_is_decoded_by_the_layout_of_its_job() {
    let bench = Bench::new();
    let wanted = bench.opened();
    let settle = [
        "settle",
        "shelf:rook/as-found",
        "reading2",
        "--shelf",
        "rook",
    ];
    fs::create_dir(bench.0.join("reading2")).unwrap();
    for chip in ["IC4.bin", "IC5.bin"] {
        let from = bench.0.join("reading").join(chip);
        fs::copy(from, bench.0.join("reading2").join(chip)).unwrap();
    }
    bench.good("empty", &settle);
    // This computer now has other ones under the same names.
    bench.layout("base-72", &base().replacen(PITCH, "linear = [-12, 12]", 1));
    bench.layout("mine", &format!("{}\nnotes = \"revised\"\n", mine()));
    let output = bench.run("layouts", &["decode", "shelf:rook/settled", "--as", "csv"]);
    let said = text(&output.stderr);
    assert!(!said.contains("revised"), "{said}");
    assert_eq!(text(&output.stdout), wanted);
}

/// What can fail is done before a version is made.
#[test]
fn a_decode_that_cannot_be_leaves_the_job_alone() {
    let place = Place::new();
    let root = place.join("shelf");
    let shelf = sample(&root);
    let new = NewJob {
        name: Some("rook".into()),
        instrument: "Rook".into(),
        ..NewJob::default()
    };
    shelf.open_job(new, Vec::new(), &act(900)).unwrap();
    let taken = place.join("taken.txt");
    fs::write(&taken, "mine").unwrap();
    let folder = place.join("reading");
    fs::create_dir(&folder).unwrap();
    for chip in ["IC4.bin", "IC5.bin"] {
        fs::write(folder.join(chip), [0; 256]).unwrap();
    }
    for more in [["--only", "step=99"], ["-o", taken.to_str().unwrap()]] {
        let output = program(&root)
            .arg("decode")
            .arg(&folder)
            .args(["-l", "quillon-72", "--shelf", "rook"])
            .args(more)
            .output()
            .unwrap();
        assert_eq!(output.status.code(), Some(2), "{more:?}");
        assert_eq!(shelf.stored("rook").unwrap().head(), 1, "{more:?}");
    }
    assert_eq!(fs::read(&taken).unwrap(), b"mine");
}

/// The line `next: ...` of what was printed, its command as it can be pasted, without the program's name.
fn next(said: &str) -> Vec<String> {
    let line = said.lines().find(|l| l.starts_with("next: `cellkeep "));
    let line = line.unwrap_or_else(|| panic!("no next line in {said}"));
    let command = line.split('`').nth(1).unwrap();
    command.split(' ').skip(1).map(str::to_owned).collect()
}

#[test]
fn what_is_made_of_a_job_can_be_read_by_its_layout_as_the_next_line_says() {
    let bench = Bench::new();
    // Two reads that nothing is found in.
    let dump = Path::new(env!("CARGO_MANIFEST_DIR")).join("demo-dumps/quillon-72/today-1");
    fs::create_dir(bench.0.join("again")).unwrap();
    fs::remove_dir_all(bench.0.join("reading")).unwrap();
    fs::create_dir(bench.0.join("reading")).unwrap();
    for chip in ["IC4.hex", "IC5.hex"] {
        for folder in ["reading", "again"] {
            fs::copy(dump.join(chip), bench.0.join(folder).join(chip)).unwrap();
        }
    }
    bench.opened();
    for command in [
        &["settle", "shelf:rook/as-found", "again", "-o", "settled"][..],
        &[
            "set",
            "shelf:rook/as-found",
            "--at",
            "step=1",
            "length=5",
            "-o",
            "edited",
        ],
    ] {
        let line = next(&bench.good("empty", command));
        let tail = &line[line.len() - 2..];
        assert_eq!(tail, ["-l", "shelf:rook/layout/mine.toml"], "{line:?}");
        let words: Vec<&str> = line.iter().map(String::as_str).collect();
        bench.good("empty", &words);
    }
    // Where this computer knows the very same layout by its name, the name in the reading's record is enough.
    let again = ["settle", "shelf:rook/as-found", "again", "-o", "settled2"];
    let line = next(&bench.good("layouts", &again));
    assert_eq!(line, ["examine", "settled2"]);
}

#[test]
fn a_job_without_a_layout_gets_the_one_that_is_edited_by() {
    let bench = Bench::new();
    let open = [
        "shelf",
        "open",
        "--instrument",
        "Rook",
        "--as-found",
        "reading",
    ];
    for job in ["one", "two", "three"] {
        bench.good("empty", &[&open[..], &["--name", job]].concat());
    }
    let layout = ["-l", "layouts/mine.toml"];
    let set = [
        "set", "reading", "--at", "step=1", "length=5", "--shelf", "one",
    ];
    bench.good("empty", &[&set[..], &layout].concat());
    let bank = bench.good(
        "empty",
        &[&["decode", "reading", "--json"], &layout[..]].concat(),
    );
    fs::write(bench.0.join("bank.json"), bank).unwrap();
    let encode = ["encode", "bank.json", "--onto", "reading", "--shelf", "two"];
    bench.good("empty", &[&encode[..], &layout].concat());
    let settle = [
        "settle",
        "shelf:three/as-found",
        "reading",
        "--shelf",
        "three",
    ];
    bench.good("empty", &[&settle[..], &layout].concat());
    for (reading, rows) in [
        ("one/as-written", 72),
        ("two/as-written", 72),
        ("three/settled", 72),
    ] {
        let decode = ["decode", &format!("shelf:{reading}"), "--as", "csv"];
        let csv = bench.good("empty", &decode);
        assert!(csv.lines().count() > rows, "{reading}");
    }
    // The one that is there already is not exchanged by the way.
    bench.layout("mine", &mine().replace("\"1\"", "\"2\""));
    let set = [
        "set",
        "reading",
        "--at",
        "step=2",
        "length=3",
        "--shelf",
        "one",
        "--replace",
    ];
    bench.good("empty", &[&set[..], &layout].concat());
    bench.good("empty", &["shelf", "take", "one/layout", "kept"]);
    let kept = fs::read_to_string(bench.0.join("kept/mine.toml")).unwrap();
    assert_eq!(kept, mine());
}
