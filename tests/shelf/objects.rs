//! Objects damaged in every way that has a code in OCFL 1.1 and can be produced, for comparing our audit with ocfl-py's.

use std::fs;
use std::path::Path;

use serde_json::{Value, json};

use super::common::{FIRST, copy_tree, sample};

/// A damaged object.
pub(crate) struct Object {
    pub(crate) name: String,
    pub(crate) good: bool,
    /// The standard forbids it, but ocfl-py 2.1.0 does not notice.
    pub(crate) theirs_silent: bool,
}

type Damage = Box<dyn Fn(&Path)>;

fn digest(bytes: &[u8]) -> String {
    cellkeep::reading::sha256_hex(bytes)
}

fn write(folder: &Path, inventory: &Value) {
    let bytes = serde_json::to_vec_pretty(inventory).unwrap();
    fs::write(
        folder.join("inventory.json.sha256"),
        format!("{}  inventory.json\n", digest(&bytes)),
    )
    .unwrap();
    fs::write(folder.join("inventory.json"), bytes).unwrap();
}

fn read(folder: &Path) -> Value {
    serde_json::from_slice(&fs::read(folder.join("inventory.json")).unwrap()).unwrap()
}

/// Changes the inventory of the job and the same one in its latest version, digests and all.
fn head(change: impl Fn(&mut Value) + 'static) -> Damage {
    Box::new(move |object| {
        let mut inventory = read(object);
        change(&mut inventory);
        write(object, &inventory);
        write(&object.join("v4"), &inventory);
    })
}

/// Changes the inventory of version 1 only.
fn first(change: impl Fn(&mut Value) + 'static) -> Damage {
    Box::new(move |object| {
        let mut inventory = read(&object.join("v1"));
        change(&mut inventory);
        write(&object.join("v1"), &inventory);
    })
}

fn files(change: impl Fn(&Path) + 'static) -> Damage {
    Box::new(change)
}

fn drop_field(inventory: &mut Value, field: &str) {
    inventory.as_object_mut().unwrap().remove(field);
}

/// The digest of the first content path, and its list of paths.
fn first_content(inventory: &Value) -> String {
    inventory["manifest"]
        .as_object()
        .unwrap()
        .keys()
        .next()
        .unwrap()
        .clone()
}

/// Adds a content path beside those of a digest that is there.
fn with_path(path: &'static str) -> Damage {
    head(move |i| {
        let digest = first_content(i);
        i["manifest"][digest]
            .as_array_mut()
            .unwrap()
            .push(json!(path));
    })
}

/// Adds a logical path beside those of a digest of version 1.
fn with_logical(path: &'static str) -> Damage {
    head(move |i| {
        let state = i["versions"]["v4"]["state"].as_object_mut().unwrap();
        state
            .values_mut()
            .next()
            .unwrap()
            .as_array_mut()
            .unwrap()
            .push(json!(path));
    })
}

fn damages() -> Vec<(&'static str, Damage)> {
    const A: &str = "as-found";
    let missing = "0".repeat(64);
    vec![
        (
            "e001-file",
            files(|o| fs::write(o.join("junk.txt"), "x").unwrap()),
        ),
        (
            "e001-folder",
            files(|o| fs::create_dir(o.join("junk")).unwrap()),
        ),
        (
            "e003-no-declaration",
            files(|o| fs::remove_file(o.join("0=ocfl_object_1.1")).unwrap()),
        ),
        (
            "e006-other-declaration",
            files(|o| fs::write(o.join("0=ocfl_object_9.9"), "ocfl_object_9.9\n").unwrap()),
        ),
        (
            "e007-declaration",
            files(|o| fs::write(o.join("0=ocfl_object_1.1"), "ocfl_object_1.0\n").unwrap()),
        ),
        ("e008-no-versions", head(|i| i["versions"] = json!({}))),
        (
            "e009-no-v1",
            head(|i| {
                let versions = i["versions"].as_object_mut().unwrap();
                versions.remove("v1");
            }),
        ),
        (
            "e010-gap",
            head(|i| {
                let v2 = i["versions"]["v2"].clone();
                i["versions"]
                    .as_object_mut()
                    .unwrap()
                    .insert("v9".into(), v2);
            }),
        ),
        (
            "e015-file-in-version",
            files(|o| fs::write(o.join("v2/junk.txt"), "x").unwrap()),
        ),
        (
            "e017-content-directory",
            head(|i| i["contentDirectory"] = json!("a/b")),
        ),
        (
            "e018-content-directory",
            head(|i| i["contentDirectory"] = json!("..")),
        ),
        (
            "e019-content-directory",
            head(|i| {
                i["contentDirectory"] = json!("other");
            }),
        ),
        (
            "e020-content-directory",
            first(|i| i["contentDirectory"] = json!("other")),
        ),
        (
            "e023-extra-content",
            files(|o| fs::write(o.join("v1/content/junk.bin"), "x").unwrap()),
        ),
        (
            "e023-not-in-later",
            first(|i| {
                let digest = first_content(i);
                i["manifest"][digest]
                    .as_array_mut()
                    .unwrap()
                    .push(json!("v1/content/ghost.bin"));
            }),
        ),
        (
            "e024-empty-folder",
            files(|o| fs::create_dir(o.join("v1/content/empty")).unwrap()),
        ),
        (
            "e025-algorithm",
            head(|i| i["digestAlgorithm"] = json!("md5")),
        ),
        (
            "e025-digest",
            head(|i| i["manifest"]["xyz"] = json!(["v1/content/x"])),
        ),
        (
            "e033-json",
            files(|o| {
                fs::write(o.join("inventory.json"), "{\"id\": ").unwrap();
            }),
        ),
        (
            "e033-version",
            files(|o| fs::write(o.join("v1/inventory.json"), "[1, 2").unwrap()),
        ),
        ("e036-id", head(|i| drop_field(i, "id"))),
        ("e036-type", head(|i| drop_field(i, "type"))),
        ("e036-algorithm", head(|i| drop_field(i, "digestAlgorithm"))),
        ("e036-head", head(|i| drop_field(i, "head"))),
        ("e037-empty-id", head(|i| i["id"] = json!(""))),
        ("e037-other-id", first(|i| i["id"] = json!("someone-else"))),
        (
            "e038-type",
            head(|i| i["type"] = json!("https://example.org/inventory")),
        ),
        ("e038-type-number", head(|i| i["type"] = json!(11))),
        ("e040-head", head(|i| i["head"] = json!("v2"))),
        ("e041-manifest", head(|i| drop_field(i, "manifest"))),
        ("e041-versions", head(|i| drop_field(i, "versions"))),
        ("e041-manifest-kind", head(|i| i["manifest"] = json!([]))),
        ("e042-outside-version", with_path("content/x.bin")),
        ("e042-unknown-version", with_path("v9/content/x.bin")),
        ("e042-content-folder", with_path("v1/other/x.bin")),
        ("e044-versions-kind", head(|i| i["versions"] = json!([]))),
        (
            "e046-version-gone",
            files(|o| fs::remove_dir_all(o.join("v2")).unwrap()),
        ),
        (
            "e046-version-extra",
            files(|o| fs::create_dir(o.join("v5")).unwrap()),
        ),
        (
            "e048-created",
            head(|i| drop_field(&mut i["versions"]["v4"], "created")),
        ),
        (
            "e048-state",
            head(|i| drop_field(&mut i["versions"]["v4"], "state")),
        ),
        (
            "e049-no-zone",
            head(|i| i["versions"]["v4"]["created"] = json!("2023-11-14T22:13:20")),
        ),
        (
            "e049-no-seconds",
            head(|i| i["versions"]["v4"]["created"] = json!("2023-11-14T22:13Z")),
        ),
        (
            "e049-nonsense",
            head(|i| i["versions"]["v4"]["created"] = json!("yesterday")),
        ),
        (
            "e049-number",
            head(|i| i["versions"]["v4"]["created"] = json!(20231114)),
        ),
        (
            "e050-not-in-manifest",
            head(move |i| i["versions"]["v4"]["state"][&missing] = json!(["ghost"])),
        ),
        (
            "e050-state-kind",
            head(|i| i["versions"]["v4"]["state"] = json!([])),
        ),
        (
            "e050-bad-digest",
            head(|i| i["versions"]["v4"]["state"]["xyz"] = json!(["x"])),
        ),
        (
            "e050-not-a-list",
            head(|i| {
                let digest = first_content(i);
                i["versions"]["v4"]["state"][digest] = json!("x");
            }),
        ),
        ("e052-dots", with_logical("a/../b")),
        ("e053-slash", with_logical("/a")),
        (
            "e054-user",
            head(|i| i["versions"]["v4"]["user"] = json!("bench")),
        ),
        (
            "e054-user-name",
            head(|i| i["versions"]["v4"]["user"] = json!({ "name": 1 })),
        ),
        (
            "e054-user-address",
            head(|i| i["versions"]["v4"]["user"]["address"] = json!(1)),
        ),
        (
            "e056-fixity-algorithm",
            head(|i| i["fixity"] = json!({ "crc9": {} })),
        ),
        (
            "e057-fixity-kind",
            head(|i| i["fixity"] = json!({ "md5": [] })),
        ),
        (
            "e057-fixity-digest",
            head(|i| i["fixity"] = json!({ "md5": { "xyz": [] } })),
        ),
        (
            "e057-fixity-path",
            head(|i| {
                i["fixity"] =
                    json!({ "md5": { "d41d8cd98f00b204e9800998ecf8427e": ["v1/content/ghost"] } })
            }),
        ),
        (
            "e058-sidecar-gone",
            files(|o| fs::remove_file(o.join("inventory.json.sha256")).unwrap()),
        ),
        (
            "e058-sidecar-gone-in-version",
            files(|o| fs::remove_file(o.join("v1/inventory.json.sha256")).unwrap()),
        ),
        (
            "e060-sidecar",
            files(|o| {
                fs::write(
                    o.join("inventory.json.sha256"),
                    format!("{}  inventory.json\n", "0".repeat(64)),
                )
                .unwrap()
            }),
        ),
        (
            "e060-sidecar-in-version",
            files(|o| {
                fs::write(
                    o.join("v1/inventory.json.sha256"),
                    format!("{}  inventory.json\n", "0".repeat(64)),
                )
                .unwrap()
            }),
        ),
        (
            "e061-sidecar-form",
            files(|o| fs::write(o.join("inventory.json.sha256"), "what is this\n").unwrap()),
        ),
        (
            "e063-inventory-gone",
            files(|o| fs::remove_file(o.join("inventory.json")).unwrap()),
        ),
        (
            "e064-head-differs",
            files(|o| {
                let mut inventory = read(o);
                inventory["versions"]["v4"]["message"] = json!("something else");
                write(&o.join("v4"), &inventory);
            }),
        ),
        (
            "e066-state-differs",
            first(|i| {
                let state = i["versions"]["v1"]["state"].as_object_mut().unwrap();
                for paths in state.values_mut() {
                    for path in paths.as_array_mut().unwrap() {
                        if path.as_str().unwrap().starts_with(A) {
                            *path = json!(format!("{}-renamed", path.as_str().unwrap()));
                        }
                    }
                }
            }),
        ),
        (
            "e067-extensions",
            files(|o| {
                fs::create_dir(o.join("extensions")).unwrap();
                fs::write(o.join("extensions/junk.txt"), "x").unwrap();
            }),
        ),
        (
            "e092-altered",
            files(|o| fs::write(o.join("v1/content/as-found/CH1.bin"), "altered").unwrap()),
        ),
        (
            "e092-missing",
            files(|o| fs::remove_file(o.join("v1/content/as-found/CH1.bin")).unwrap()),
        ),
        (
            "e093-fixity",
            head(|i| {
                let digest = first_content(i);
                let path = i["manifest"][digest][0].clone();
                i["fixity"] = json!({ "sha512": { "0".repeat(128): [path] } });
            }),
        ),
        (
            "e094-message",
            head(|i| i["versions"]["v4"]["message"] = json!(["x"])),
        ),
        (
            "e095-twice",
            head(|i| {
                let state = i["versions"]["v4"]["state"].as_object_mut().unwrap();
                let paths = state.values_mut().next().unwrap().as_array_mut().unwrap();
                let path = paths[0].clone();
                paths.push(path);
            }),
        ),
        ("e095-file-and-folder", with_logical("as-found")),
        (
            "e096-digest-twice",
            head(|i| {
                let digest = first_content(i);
                i["manifest"][digest.to_uppercase()] = json!(["v1/content/other.bin"]);
            }),
        ),
        (
            "e097-fixity-twice",
            head(|i| {
                let digest = first_content(i);
                let path = i["manifest"][&digest][0].clone();
                i["fixity"] = json!({ "sha256": { digest.clone(): [path.clone()], digest.to_uppercase(): [path] } });
            }),
        ),
        ("e099-dots", with_path("v1/content/../x.bin")),
        ("e100-slash", with_path("/v1/content/x.bin")),
        (
            "e101-twice",
            head(|i| {
                let digest = first_content(i);
                let path = i["manifest"][&digest][0].clone();
                i["manifest"][digest].as_array_mut().unwrap().push(path);
            }),
        ),
        ("e101-file-and-folder", with_path("v1/content/as-found")),
        (
            "e103-earlier-standard",
            head(|i| i["type"] = json!("https://ocfl.io/1.0/spec/#inventory")),
        ),
        (
            "e107-unused",
            head(|i| {
                i["manifest"]["1".repeat(64)] = json!(["v4/content/unused.bin"]);
            }),
        ),
        ("e111-fixity-kind", head(|i| i["fixity"] = json!([]))),
    ]
}

/// Makes a shelf whose jobs are damaged, each in one way, and one that is not.
pub(crate) fn damaged(root: &Path) -> Vec<Object> {
    sample(root);
    let jobs = root.join("jobs");
    let mut made = vec![Object {
        name: FIRST.to_owned(),
        good: true,
        theirs_silent: false,
    }];
    for (name, damage) in damages() {
        let object = jobs.join(name);
        copy_tree(&jobs.join(FIRST), &object);
        for folder in ["", "v1", "v2", "v3", "v4"] {
            let folder = object.join(folder);
            let mut inventory = read(&folder);
            inventory["id"] = json!(name);
            write(&folder, &inventory);
        }
        damage(&object);
        made.push(Object {
            name: name.to_owned(),
            good: false,
            theirs_silent: matches!(name, "e103-earlier-standard"),
        });
    }
    made
}

/// Storage roots damaged in every way that has a code and can be produced.
pub(crate) fn roots() -> Vec<(&'static str, Damage)> {
    vec![
        (
            "E069 no declaration",
            files(|r| fs::remove_file(r.join("0=ocfl_1.1")).unwrap()),
        ),
        (
            "E069 other declaration",
            files(|r| fs::rename(r.join("0=ocfl_1.1"), r.join("0=ocfl_7.7")).unwrap()),
        ),
        (
            "E069 declaration altered",
            files(|r| fs::write(r.join("0=ocfl_1.1"), "ocfl_1.0\n").unwrap()),
        ),
        (
            "E070 layout not JSON",
            files(|r| fs::write(r.join("ocfl_layout.json"), "{").unwrap()),
        ),
        (
            "E070 layout incomplete",
            files(|r| fs::write(r.join("ocfl_layout.json"), "{\"extension\": 1}").unwrap()),
        ),
        (
            "E072 files without an object",
            files(|r| {
                fs::create_dir(r.join("junk")).unwrap();
                fs::write(r.join("junk/x"), "x").unwrap();
            }),
        ),
        (
            "E073 empty folder",
            files(|r| fs::create_dir(r.join("junk")).unwrap()),
        ),
    ]
}
