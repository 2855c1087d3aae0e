//! The demonstration dumps without damage get a clean bill from the command, with and without an earlier reading.

use std::path::Path;
use std::process::Command;

use serde_json::Value as Json;

const INSTRUMENTS: [&str; 6] = [
    "aldermoor-four",
    "aldermoor-eight",
    "pellow-six",
    "quillon-72",
    "wrenfield-strings",
    "tessaly-nine",
];

/// Examines one dump as a technician would; the exit status and the document.
fn examined(layout: &str, dump: &str, earlier: bool) -> (Option<i32>, Json) {
    let dumps = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("demo-dumps")
        .join(layout);
    let mut command = Command::new(env!("CARGO_BIN_EXE_cellkeep"));
    command.arg("examine").arg(dumps.join(dump));
    command.args(["-l", layout, "--json"]);
    if earlier {
        command.arg("--earlier").arg(dumps.join("earlier"));
    }
    let out = command.output().expect("cellkeep starts");
    let json = serde_json::from_slice(&out.stdout).expect("a JSON document");
    (out.status.code(), json)
}

fn findings(document: &Json) -> &Vec<Json> {
    document["findings"].as_array().expect("a list of findings")
}

#[test]
fn every_healthy_dump_gets_a_clean_bill() {
    for id in INSTRUMENTS {
        for dump in ["today-1", "today-2", "read-back"] {
            for earlier in [false, true] {
                let (status, document) = examined(id, dump, earlier);
                let graver: Vec<&Json> = findings(&document)
                    .iter()
                    .filter(|f| f["severity"] != "note")
                    .collect();
                assert!(graver.is_empty(), "{id} {dump} {earlier}: {graver:?}");
                assert_eq!(status, Some(0), "{id} {dump} {earlier}");
            }
        }
    }
}

#[test]
fn a_stuck_address_line_is_named_alone_and_on_the_right_chip() {
    // As demo-dumps/PROVENANCE.md says: A9 of CH12 never rises.
    let (status, document) = examined("aldermoor-eight", "damaged/address-line", false);
    assert_eq!(status, Some(1));
    let [only] = findings(&document).as_slice() else {
        panic!("one finding: {document}");
    };
    assert_eq!(only["code"], "address.stuck");
    let place = &only["place"]["chips"][0];
    assert_eq!(place["chip"], "CH12");
    assert_eq!(place["address_lines"], serde_json::json!([9]));
}
