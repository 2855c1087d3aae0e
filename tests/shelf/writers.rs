//! Several writers at once, some of them killed.

use std::collections::BTreeSet;
use std::fs;
use std::process::Stdio;
use std::sync::Mutex;
use std::time::{Duration, Instant};

use super::common::{Place, Rng, open, program};

/// So many writers put so many jobs each on one shelf; with `kills`, one in six is killed at a random moment.
/// Every acknowledged job must be there once, every other one whole or not at all, and nothing else.
pub(crate) fn run(writers: usize, jobs: usize, kills: bool) -> (usize, usize, Duration) {
    let place = Place::new();
    let root = place.join("shelf");
    cellkeep::shelf::Shelf::set_up(&root).unwrap();
    let reading = place.join("reading");
    fs::create_dir(&reading).unwrap();
    let mut rng = Rng(8);
    for chip in 1..=4 {
        fs::write(reading.join(format!("CH{chip}.bin")), rng.bytes(256)).unwrap();
    }
    let acknowledged = Mutex::new(BTreeSet::new());
    let killed = Mutex::new(0);
    let begun = Instant::now();
    std::thread::scope(|scope| {
        for writer in 0..writers {
            let (root, reading, acknowledged, killed) = (&root, &reading, &acknowledged, &killed);
            scope.spawn(move || {
                let mut rng = Rng(writer as u64 + 1);
                for job in 0..jobs {
                    let name = format!("w{writer}-{job}");
                    let mut child = program(root)
                        .args([
                            "shelf",
                            "--wait",
                            "120",
                            "open",
                            "--instrument",
                            "Quillon 72",
                        ])
                        .args(["--name", &name, "--as-found"])
                        .arg(reading)
                        .stdout(Stdio::null())
                        .stderr(Stdio::piped())
                        .spawn()
                        .unwrap();
                    if kills && rng.below(6) == 0 {
                        std::thread::sleep(Duration::from_micros(rng.below(120_000) as u64));
                        // It may have ended by itself meanwhile.
                        let _ = child.kill();
                        *killed.lock().unwrap() += 1;
                    }
                    let output = child.wait_with_output().unwrap();
                    if output.status.success() {
                        acknowledged.lock().unwrap().insert(name);
                    } else {
                        let complaint = String::from_utf8_lossy(&output.stderr).into_owned();
                        assert_eq!(complaint, "", "only a kill may stop a writer");
                    }
                }
            });
        }
    });
    let took = begun.elapsed();
    let acknowledged = acknowledged.into_inner().unwrap();
    let shelf = open(&root).unwrap();
    let listed: Vec<String> = shelf
        .list(None)
        .unwrap()
        .into_iter()
        .map(|j| j.job)
        .collect();
    let names: BTreeSet<String> = listed.iter().cloned().collect();
    assert_eq!(listed.len(), names.len());
    assert_eq!(shelf.job_names().unwrap().len(), names.len());
    assert!(
        acknowledged.is_subset(&names),
        "lost: {:?}",
        acknowledged.difference(&names)
    );
    let report = shelf.audit(None).unwrap();
    assert!(report.is_clean(), "{report:#?}");
    assert_eq!(fs::read_dir(root.join("staging")).unwrap().count(), 0);
    let killed = killed.into_inner().unwrap();
    assert!(acknowledged.len() + killed >= writers * jobs);
    (acknowledged.len(), killed, took)
}
