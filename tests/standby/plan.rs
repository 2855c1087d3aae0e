//! The plan: what it shows for which instrument, its signs, and its cautions.

use std::collections::{BTreeMap, BTreeSet};

use cellkeep::caution;
use cellkeep::layout;
use cellkeep::plan::{Plan, Progress, Stage, Step, Subject, plan};
use cellkeep::shelf::Role;
use cellkeep::standby::{Request, Setup, answer};

use super::{pack, setup, tables};

fn plan_for(name: &str, change_to: Option<&str>, progress: &Progress) -> Plan {
    let layout = layout::load(name).expect("a built-in layout");
    let tables = tables();
    let setup = Setup::resolve(&Request::default(), Some(&layout), &tables).expect("bench facts");
    let report = answer(&setup, change_to, &tables).expect("known");
    let subject = Subject {
        layout: Some(&layout),
        supply: Some((&setup, &report)),
        ..Subject::default()
    };
    plan(&subject, progress).expect("a plan")
}

fn step<'a>(plan: &'a Plan, key: &str) -> Option<&'a Step> {
    plan.steps().find(|s| s.key == key)
}

fn stage<'a>(plan: &'a Plan, key: &str) -> &'a Stage {
    plan.stages.iter().find(|s| s.key == key).expect("a stage")
}

const LAYOUTS: [&str; 6] = [
    "aldermoor-four",
    "aldermoor-eight",
    "pellow-six",
    "quillon-72",
    "wrenfield-strings",
    "tessaly-nine",
];

#[test]
fn every_plan_is_whole() {
    for name in LAYOUTS {
        let plan = plan_for(name, Some("cr2032"), &Progress::default());
        let keys: BTreeSet<&str> = plan.steps().map(|s| s.key.as_str()).collect();
        assert_eq!(
            keys.len(),
            plan.steps().count(),
            "{name}: a step stands twice"
        );
        for step in plan.steps() {
            assert!(
                !step.does.is_empty() && !step.does.contains('{'),
                "{name}: {}",
                step.does
            );
            for text in step.commands.iter().chain(&step.points) {
                assert!(!text.contains('{'), "{name}: {text}");
            }
        }
        assert_eq!(plan.stages.len(), 9, "{name}");
        assert!(plan.defer.contains("licensed practice"));
    }
}

/// The order of safety: everything that reads and stores comes before the first thing that cuts, and the restored
/// memory is proved before and after the night. Reading in circuit comes before taking a chip out.
#[test]
fn what_saves_comes_before_what_endangers() {
    let plan = plan_for("pellow-six", None, &Progress::default());
    let order: Vec<&str> = plan.steps().map(|s| s.key.as_str()).collect();
    let at = |key: &str| {
        order
            .iter()
            .position(|k| *k == key)
            .unwrap_or_else(|| panic!("no {key}"))
    };
    for (before, after) in [
        ("intake.listen", "open.unplug"),
        ("exits.use", "open.unplug"),
        ("open.unplug", "open.look"),
        ("read.hold", "read.chip-out"),
        ("read.second", "prove.agree"),
        ("prove.agree", "swap.out"),
        ("prove.two-places", "swap.out"),
        ("swap.keep-alive", "swap.out"),
        ("swap.no-charge", "swap.fit"),
        ("swap.current", "restore.write"),
        ("restore.converter", "restore.write"),
        ("restore.write", "restore.read-back"),
        ("restore.read-back", "night.off"),
        ("night.read", "over.close"),
    ] {
        assert!(at(before) < at(after), "{before} must come before {after}");
    }
}

#[test]
fn each_instrument_has_its_own() {
    let four = plan_for("aldermoor-four", None, &Progress::default());
    assert!(step(&four, "exits.use").is_none() && step(&four, "exits.none").is_some());
    assert!(step(&four, "swap.charge").is_some() && step(&four, "swap.no-charge").is_none());
    assert!(step(&four, "swap.clean").is_some() && step(&four, "swap.change").is_none());
    let hold = step(&four, "read.hold").expect("the layout tells how");
    assert!(hold.does.contains("LK2"));
    let changed = plan_for("aldermoor-four", Some("er14250"), &Progress::default());
    assert!(step(&changed, "swap.charge").is_none());
    let change = step(&changed, "swap.change").expect("a change was asked for");
    assert!(change.points[0].starts_with("Take out the charging resistor"));
    let six = plan_for("pellow-six", None, &Progress::default());
    let exits = step(&six, "exits.use").expect("it has one");
    assert!(exits.does.contains("tape"));
    assert!(step(&six, "swap.clean").is_none() && step(&six, "swap.no-charge").is_some());
    // Nothing that leaks potash is in a lithium coin cell.
    assert!(
        six.steps()
            .all(|s| s.cautions.iter().all(|c| c.key != "alkaline-leak"))
    );
}

/// Each caution of the trade stands with the step it belongs to.
#[test]
fn cautions_stand_with_their_steps() {
    let plan = plan_for("aldermoor-four", Some("er14250"), &Progress::default());
    for (key, caution) in [
        ("open.unplug", "mains"),
        ("open.look", "alkaline-leak"),
        ("read.hold", "live-memory"),
        ("read.hold", "back-feed"),
        ("read.hold", "static"),
        ("swap.keep-alive", "polarity"),
        ("swap.keep-alive", "live-swap"),
        ("swap.out", "short"),
        ("swap.clean", "alkaline-leak"),
        ("swap.no-charge", "primary-lithium"),
        ("swap.no-charge", "mains"),
        ("swap.fit", "tags"),
        ("night.off", "mains"),
        ("over.dispose", "disposal"),
    ] {
        let step = step(&plan, key).unwrap_or_else(|| panic!("no {key}"));
        assert!(
            step.cautions.iter().any(|c| c.key == caution),
            "{key} lacks {caution}"
        );
    }
    let shown: BTreeSet<&str> = plan
        .steps()
        .flat_map(|s| &s.cautions)
        .map(|c| c.key.as_str())
        .collect();
    for key in caution::all().keys() {
        assert!(
            shown.contains(key.as_str()),
            "no step shows the caution {key}"
        );
    }
}

/// Where nothing is known of the battery the careful steps are all there.
#[test]
fn without_figures_the_plan_is_the_careful_one() {
    let subject = Subject {
        no_figures: Some("the battery is not known".to_owned()),
        ..Subject::default()
    };
    let plan = plan(&subject, &Progress::default()).expect("a plan");
    assert!(step(&plan, "swap.no-charge").is_some());
    assert!(step(&plan, "swap.clean").is_some());
    assert!(step(&plan, "intake.hand-set").is_some());
    assert!(step(&plan, "read.hold-unknown").is_some());
    assert!(
        plan.steps()
            .flat_map(|s| &s.expects)
            .all(|e| e.figure.is_none() && e.write.is_some())
    );
}

#[test]
fn figures_to_expect_are_those_of_standby() {
    let setup = setup(&pack());
    let report = answer(&setup, Some("er14250"), &tables()).expect("known");
    let subject = Subject {
        supply: Some((&setup, &report)),
        ..Subject::default()
    };
    let plan = plan(&subject, &Progress::default()).expect("a plan");
    let figure =
        |key: &str| step(&plan, key).and_then(|s| s.expects.iter().find_map(|e| e.figure.clone()));
    let old = report.answer("pin.end").map(|a| a.shown.clone());
    assert_eq!(figure("open.battery"), old);
    let change = report.change.as_ref().expect("asked for");
    let new = change
        .answers
        .iter()
        .find(|a| a.key == "pin.fresh")
        .map(|a| a.shown.clone());
    assert_eq!(figure("swap.fit"), new);
    assert_ne!(new, report.answer("pin.fresh").map(|a| a.shown.clone()));
    let warned = step(&plan, "swap.reckon").expect("there").points.join(" ");
    assert!(warned.contains("A primary cell must never be charged"));
}

#[test]
fn a_job_shows_what_is_done_and_the_sign_holds_until_two_reads_agree() {
    let mut progress = Progress {
        job: Some("pellow-six-0031".to_owned()),
        sets: BTreeMap::from([("as-found".to_owned(), 2)]),
        ..Progress::default()
    };
    let open = plan_for("pellow-six", None, &progress);
    assert!(step(&open, "read.second").is_some_and(|s| s.done.is_some()));
    assert!(step(&open, "prove.agree").is_some_and(|s| s.done.is_none()));
    assert!(!stage(&open, "read").cleared);
    progress.reads_agree = Some("one and two are the same to the bit".to_owned());
    let cleared = plan_for("pellow-six", None, &progress);
    assert!(stage(&cleared, "read").cleared);
    assert!(
        step(&cleared, "intake.terms")
            .is_some_and(|s| s.done.as_deref() == Some("job pellow-six-0031 is open"))
    );
    assert!(
        step(&cleared, "read.first")
            .is_some_and(|s| s.commands[0].contains("shelf put pellow-six-0031"))
    );
    // One reading is not two.
    progress.sets.insert("as-found".to_owned(), 1);
    assert!(!stage(&plan_for("pellow-six", None, &progress), "read").cleared);
}

#[test]
fn the_next_step_and_the_sign_before_it() {
    let none = Progress::default();
    let plan_0 = plan_for("aldermoor-four", None, &none);
    let (next, stop) = plan_0.next();
    assert_eq!(next.map(|s| s.key.as_str()), Some("intake.terms"));
    assert_eq!(stop, None);
    // Everything before the swap is said to be done but the comparison of the reads.
    let said: Vec<String> = plan_0
        .steps()
        .map(|s| s.key.clone())
        .take_while(|k| k != "swap.reckon")
        .filter(|k| k != "prove.agree")
        .collect();
    let nearly = plan_for(
        "aldermoor-four",
        None,
        &Progress {
            said: said.clone(),
            ..none.clone()
        },
    );
    assert_eq!(nearly.next().0.map(|s| s.key.as_str()), Some("prove.agree"));
    let all: Vec<String> = plan_0.steps().map(|s| s.key.clone()).collect();
    let done = plan_for(
        "aldermoor-four",
        None,
        &Progress {
            said: all,
            ..none.clone()
        },
    );
    assert_eq!(done.next(), (None, None));
    assert!(done.stages.iter().all(|s| s.stop.is_none() || s.cleared));
    let unknown = plan(
        &Subject::default(),
        &Progress {
            said: vec!["swap.magic".into()],
            ..none
        },
    );
    assert_eq!(
        unknown.expect_err("no such step").to_string(),
        "the plan has no step \"swap.magic\""
    );
}

/// The roles that the steps look for are roles that the shelf has.
#[test]
fn roles_are_the_shelfs() {
    for role in [
        "photograph",
        "hand-set",
        "as-found",
        "findings",
        "bank",
        "standby",
        "after-swap",
        "as-written",
        "report",
    ] {
        assert!(Role::from_word(role).is_some(), "{role}");
        let progress = Progress {
            sets: BTreeMap::from([(role.to_owned(), 2)]),
            ..Progress::default()
        };
        let plan = plan_for("aldermoor-four", None, &progress);
        assert!(
            plan.steps().any(|s| s.done.is_some()),
            "no step is done by {role}"
        );
    }
}

/// A read-back on the shelf proves nothing until it is what was written; the night needs a second one.
#[test]
fn read_back_counts_only_where_it_is_what_was_written() {
    let mut progress = Progress {
        sets: BTreeMap::from([("read-back".to_owned(), 2), ("as-written".to_owned(), 1)]),
        ..Progress::default()
    };
    let proof = || Some("the files are the same".to_owned());
    for (written_back, kept_overnight, cleared) in [
        (None, None, [false, false]),
        (proof(), None, [true, false]),
        (proof(), proof(), [true, true]),
    ] {
        progress.written_back = written_back;
        progress.kept_overnight = kept_overnight;
        let plan = plan_for("pellow-six", None, &progress);
        assert_eq!(
            [
                stage(&plan, "restore").cleared,
                stage(&plan, "night").cleared
            ],
            cleared
        );
    }
}

#[test]
fn what_speaks_against_a_step_stands_with_it() {
    let says = "the last reading read back is another";
    let progress = Progress {
        not_written_back: Some(says.to_owned()),
        ..Progress::default()
    };
    let plan = plan_for("pellow-six", None, &progress);
    let told = plan.steps().filter(|s| s.points.iter().any(|p| p == says));
    assert_eq!(
        told.map(|s| s.key.as_str()).collect::<Vec<_>>(),
        ["restore.read-back"]
    );
}

/// "In two places" is nothing the shelf can show: the sign stays until the technician says so.
#[test]
fn the_second_place_is_the_technicians_word() {
    let mut progress = Progress {
        sets: BTreeMap::from([("findings".to_owned(), 1), ("bank".to_owned(), 1)]),
        ..Progress::default()
    };
    assert!(!stage(&plan_for("pellow-six", None, &progress), "prove").cleared);
    progress.said = vec!["prove.two-places".to_owned()];
    assert!(stage(&plan_for("pellow-six", None, &progress), "prove").cleared);
}
