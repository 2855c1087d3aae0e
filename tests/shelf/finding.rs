//! Finding jobs and what is in them: by the index, by references, by dates and values.

use std::fs;

use cellkeep::shelf::{Query, Reference, Role, ShelfError, incoming_bytes, resolve};

use super::common::{BANK, FIRST, Place, Rng, SECOND, act, chips, quillon, sample};

fn names(hits: &[cellkeep::shelf::Hit]) -> Vec<&str> {
    hits.iter().map(|h| h.job.job.as_str()).collect()
}

#[test]
fn jobs_are_found_by_whatever_is_known_of_them() {
    let place = Place::new();
    let shelf = sample(&place.join("shelf"));
    let find = |query: Query| {
        let hits = shelf.find(&query).unwrap();
        names(&hits).join(" ")
    };
    let query = Query::default;
    let digest = cellkeep::reading::sha256_hex(BANK.as_bytes());
    assert_eq!(find(query()), format!("{SECOND} {FIRST}"));
    assert_eq!(
        find(Query {
            words: Some("winter lost".into()),
            ..query()
        }),
        FIRST
    );
    assert_eq!(
        find(Query {
            words: Some("2.1".into()),
            ..query()
        }),
        FIRST
    );
    assert_eq!(
        find(Query {
            words: Some("\"quo\"te' OR (".into()),
            ..query()
        }),
        ""
    );
    assert_eq!(
        find(Query {
            instrument: Some("pellow".into()),
            ..query()
        }),
        SECOND
    );
    assert_eq!(
        find(Query {
            instrument: Some("%".into()),
            ..query()
        }),
        ""
    );
    assert_eq!(
        find(Query {
            serial: Some("0042".into()),
            ..query()
        }),
        FIRST
    );
    assert_eq!(
        find(Query {
            customer: Some("c-0412".into()),
            ..query()
        }),
        FIRST
    );
    assert_eq!(
        find(Query {
            digest: Some(digest[..10].to_uppercase()),
            ..query()
        }),
        FIRST
    );
    assert_eq!(
        find(Query {
            finding: Some("line.stuck".into()),
            ..query()
        }),
        FIRST
    );
    assert_eq!(
        find(Query {
            finding: Some("line".into()),
            ..query()
        }),
        FIRST
    );
    assert_eq!(
        find(Query {
            finding: Some("lin".into()),
            ..query()
        }),
        ""
    );
    for (key, value, found) in [
        ("step.pitch", "37", true),
        ("pitch", "c#4", true),
        ("pitch", "3", false),
        ("itch", "37", false),
    ] {
        let parameter = Some((key.to_owned(), Some(value.to_owned())));
        assert_eq!(
            find(Query {
                parameter,
                ..query()
            }),
            if found { FIRST } else { "" },
            "{key}={value}"
        );
    }
    assert_eq!(
        find(Query {
            until: Some("2023-11-15T00:00:00Z".into()),
            ..query()
        }),
        format!("{SECOND} {FIRST}")
    );
    assert_eq!(
        find(Query {
            from: Some("2024".into()),
            ..query()
        }),
        ""
    );
    shelf
        .close(FIRST, Some("proved"), false, &act(999))
        .unwrap();
    assert_eq!(
        find(Query {
            open: Some(true),
            ..query()
        }),
        SECOND
    );
    assert_eq!(
        find(Query {
            open: Some(false),
            ..query()
        }),
        FIRST
    );
}

#[test]
fn the_index_is_made_from_the_store_alone() {
    let place = Place::new();
    let root = place.join("shelf");
    let shelf = sample(&root);
    let before = shelf.find(&Query::default()).unwrap();
    fs::remove_dir_all(root.join("index")).unwrap();
    assert_eq!(shelf.find(&Query::default()).unwrap(), before);
    fs::write(
        root.join("index/shelf.sqlite"),
        "not a database at all, but long enough to look like one".repeat(40),
    )
    .unwrap();
    assert_eq!(shelf.find(&Query::default()).unwrap(), before);
    let rebuilt = shelf.rebuild_index(None).unwrap();
    assert_eq!(
        (rebuilt.jobs, rebuilt.unread.len(), rebuilt.gone.len()),
        (2, 0, 0)
    );
    assert_eq!(shelf.find(&Query::default()).unwrap(), before);
    // A job copied in or taken away by hand is noticed.
    fs::remove_dir_all(root.join("jobs").join(SECOND)).unwrap();
    assert_eq!(names(&shelf.find(&Query::default()).unwrap()), [FIRST]);
    assert_eq!(shelf.audit(None).unwrap().missing, [SECOND]);
}

#[test]
fn references_give_verified_bytes() {
    let place = Place::new();
    let root = place.join("shelf");
    let shelf = sample(&root);
    let get = |text: &str| resolve(&shelf, &Reference::parse(text).unwrap());
    let found = get("shelf:0042/as-found").unwrap();
    assert_eq!(
        found.reference.to_string(),
        format!("shelf:{FIRST}@v4/as-found")
    );
    assert_eq!(
        found
            .files
            .iter()
            .map(|(n, _)| n.as_str())
            .collect::<Vec<_>>(),
        ["CH1.bin", "CH2.bin"]
    );
    let one = get("shelf:0042@v1/as-found/CH2.bin").unwrap();
    assert!(one.is_file);
    assert_eq!(one.files[0].1, found.files[1].1);
    assert!(matches!(
        get("shelf:0042@v9"),
        Err(ShelfError::NoVersion { head: 4, .. })
    ));
    assert!(matches!(
        get("shelf:0042@v1/read-back"),
        Err(ShelfError::NoFile { .. })
    ));
    assert!(matches!(
        get("shelf:pellow/as-found/CH9.bin"),
        Err(ShelfError::NoFile { .. })
    ));
    let Err(ShelfError::NoJob { near, .. }) = get("shelf:pellow-secund") else {
        panic!()
    };
    assert_eq!(near, [SECOND]);
    let path = root
        .join("jobs")
        .join(FIRST)
        .join("v1/content/as-found/CH2.bin");
    let mut bytes = fs::read(&path).unwrap();
    bytes[3] ^= 4;
    fs::write(&path, bytes).unwrap();
    assert!(matches!(
        get("shelf:0042/as-found"),
        Err(ShelfError::Damaged { .. })
    ));
}

#[test]
fn what_changed_since_a_date_is_told_over_all_visits() {
    let place = Place::new();
    let shelf = sample(&place.join("shelf"));
    let year = 365 * 24 * 3600;
    let later = shelf
        .open_job(
            quillon("0042"),
            chips(&mut Rng(9), Role::AsFound, 2, 256),
            &act(year),
        )
        .unwrap()
        .job;
    let bank = BANK.replace("37", "38").replace("C#4", "D4");
    shelf
        .put(
            &later,
            vec![incoming_bytes(Role::Bank, "bank.json", bank.into_bytes())],
            false,
            &act(year + 1),
        )
        .unwrap();
    let since = shelf.since(FIRST, "2024").unwrap();
    assert_eq!((since.from.job.as_str(), since.from.version), (FIRST, 4));
    assert_eq!(
        (since.to.job.as_str(), since.to.version),
        (later.as_str(), 2)
    );
    assert_eq!(since.steps.len(), 2);
    let values: Vec<String> = since
        .values
        .iter()
        .map(|c| format!("{} {:?} {:?}", c.what, c.was, c.is))
        .collect();
    assert_eq!(
        values,
        [r#"sequence 1 step.pitch Some("C#4 (code 37)") Some("D4 (code 38)")"#]
    );
    assert!(
        since
            .files
            .iter()
            .any(|c| c.what == "as-found/CH1.bin" && c.was.is_some() && c.is.is_some())
    );
    assert!(shelf.since(FIRST, "last year").is_err());
}

#[test]
fn an_index_of_a_later_write_version_is_made_anew() {
    let place = Place::new();
    let root = place.join("shelf");
    drop(sample(&root));
    let index = root.join("index/shelf.sqlite");
    let mut bytes = fs::read(&index).unwrap();
    assert_eq!(bytes[18..20], [2, 2]);
    // SQLite, Database File Format, 1.3.3: a write version above 2 leaves a database readable and refuses every change.
    bytes[18] = 3;
    fs::write(&index, bytes).unwrap();
    let shelf = super::common::open(&root).unwrap();
    let report = shelf.audit(None).unwrap();
    let codes: Vec<&str> = report.shelf.iter().map(|f| f.code.as_str()).collect();
    assert_eq!(codes, ["shelf.index.behind"]);
    assert_eq!(shelf.find(&Query::default()).unwrap().len(), 2);
    shelf
        .note(FIRST, "the socket was dry", false, &act(900))
        .unwrap();
    let word = Query {
        words: Some("socket".into()),
        ..Query::default()
    };
    assert_eq!(names(&shelf.find(&word).unwrap()), [FIRST]);
    assert!(shelf.audit(None).unwrap().is_clean());
}

/// SQLite, Database File Format, 2.1: the last bit of a serial type tells a text from a blob of the same bytes, and
/// one flip makes a blob of every text. `PRAGMA integrity_check` says nothing about it, yet no question finds it.
#[test]
fn a_text_that_became_a_blob_is_noticed() {
    let place = Place::new();
    let root = place.join("shelf");
    let shelf = sample(&root);
    let index = root.join("index/shelf.sqlite");
    for (table, column) in [
        ("jobs", "job"),
        ("jobs", "instrument"),
        ("jobs", "serial"),
        ("jobs", "opened"),
        ("files", "path"),
        ("files", "digest"),
        ("findings", "code"),
        ("findings", "says"),
        ("keys", "name"),
        ("parameters", "codes"),
        ("parameters", "settings"),
    ] {
        assert!(shelf.audit(None).unwrap().is_clean());
        let base = rusqlite::Connection::open(&index).unwrap();
        let changed = base
            .execute(
                &format!("UPDATE {table} SET {column} = CAST({column} AS BLOB)"),
                [],
            )
            .unwrap();
        assert!(changed > 0, "{table}.{column} is empty");
        drop(base);
        let report = shelf.audit(None).unwrap();
        let codes: Vec<&str> = report.shelf.iter().map(|f| f.code.as_str()).collect();
        assert!(
            !codes.is_empty() && codes.iter().all(|code| *code == "shelf.index.behind"),
            "{table}.{column}: {codes:?}"
        );
        shelf.rebuild_index(None).unwrap();
    }
}

#[test]
fn questions_are_read_as_they_are_meant_and_slips_are_told() {
    let place = Place::new();
    let root = place.join("shelf");
    drop(sample(&root));
    let find = |args: &[&str]| {
        let output = super::common::shelf_command(&root, &[&["find"], args].concat());
        let said = super::common::text(&output.stdout) + &super::common::text(&output.stderr);
        (output.status.code().unwrap(), said)
    };
    for found in ["step.pitch = 37", "pitch=#37", "pitch =c#4", " pitch"] {
        let (status, said) = find(&["--parameter", found]);
        assert!(status == 0 && said.contains(FIRST), "{found}: {said}");
    }
    // The code is 37, and no setting is called 37: with the mark only the code is asked for.
    for absent in ["pitch=#38", "pitch=#C#4"] {
        let (status, said) = find(&["--parameter", absent]);
        assert!(status == 1 && !said.contains("has a parameter"), "{said}");
    }
    let (status, said) = find(&["--parameter", "step.pich=37"]);
    assert!(
        status == 1 && said.contains("did you mean step.pitch?"),
        "{said}"
    );
    assert_eq!(find(&["--digest", "zz"]).0, 2);
    assert_eq!(find(&["--since", "2024", "--until", "2023"]).0, 2);
    assert_eq!(find(&["--since", "2023", "--until", "2023"]).0, 0);
    assert_eq!(find(&["--serial", " 0042 "]).0, 0);
    let list = |args: &[&str]| {
        let output = super::common::shelf_command(&root, &[&["list"], args].concat());
        super::common::text(&output.stdout)
    };
    assert!(list(&["--closed"]).contains("no job is closed"));
    let said = list(&[]);
    let line = said.lines().find(|l| l.starts_with(FIRST)).unwrap();
    for part in ["Quillon 72", "0042", "2023-11-14"] {
        assert!(line[FIRST.len()..].contains(part), "{line}");
    }
}

/// A text's code is one a character; a quantity's setting has its unit behind it. Both by the bank's published shape.
#[test]
fn names_of_presets_and_settings_without_their_unit_are_found() {
    let place = Place::new();
    let root = place.join("shelf");
    let shelf = sample(&root);
    let bank = r#"{"kind":"bank","version":1,"layout":{"id":"rook","name":"Rook","revision":"1","sha256":""},
"areas":[{"name":"presets","axes":["preset"],"entries":[{"at":["1"],"parameters":[
{"key":"preset.name","code":[80,65,68,32],"setting":"PAD "},
{"key":"osc.pitch","code":253,"setting":"-3.0 semitones"}]}]}]}"#;
    let files = vec![incoming_bytes(Role::Bank, "bank.json", bank.into())];
    shelf.put(SECOND, files, false, &act(300)).unwrap();
    let find = |words: Option<&str>, parameter: Option<(&str, &str)>| {
        let query = Query {
            words: words.map(str::to_owned),
            parameter: parameter.map(|(key, value)| (key.to_owned(), Some(value.to_owned()))),
            ..Query::default()
        };
        let hits = shelf.find(&query).unwrap();
        hits.into_iter().map(|hit| hit.job.job).collect::<Vec<_>>()
    };
    assert_eq!(find(Some("pad"), None), [SECOND]);
    for (value, found) in [
        ("-3.0 semitones", true),
        ("-3.0", true),
        ("-3", true),
        ("253", true),
        ("3", false),
    ] {
        let jobs = find(None, Some(("osc.pitch", value)));
        assert_eq!(!jobs.is_empty(), found, "{value}");
    }
    assert_eq!(find(None, Some(("preset.name", "PAD"))), [SECOND]);
    assert_eq!(find(None, Some(("name", "pad"))), [SECOND]);
    assert!(shelf.knows_parameter("preset.name").unwrap().is_ok());
    assert!(shelf.audit(None).unwrap().is_clean());
}
