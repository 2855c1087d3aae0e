//! The steps of the job, in the order of the bench.

use super::{Call, Must, Step, files};
use crate::codec::{coding, setting};
use crate::layout::model::{Area, Layout, Parameter, Scale};

/// The whole job with one instrument's dumps.
pub fn steps(layout: &Layout) -> Vec<Step> {
    let id = layout.id.as_str();
    let mut steps = Vec::new();
    intake(id, &mut steps);
    read(id, &mut steps);
    understand(layout, &mut steps);
    keep(layout, &mut steps);
    swap(id, &mut steps);
    restore(id, &mut steps);
    edit(layout, &mut steps);
    hand_over(id, &mut steps);
    trouble(id, &mut steps);
    steps
}

/// A command from its words, split at blanks.
fn call(must: Must, line: &str) -> Call {
    Call {
        words: line.split_whitespace().map(str::to_owned).collect(),
        must,
    }
}

fn step(title: &'static str, why: &str, calls: Vec<Call>) -> Step {
    Step {
        title,
        why: why.to_owned(),
        calls,
    }
}

fn intake(id: &str, steps: &mut Vec<Step>) {
    steps.push(step(
        "Note what memory does not hold",
        "Some controls are not stored. Their positions are written into a form before anybody turns a knob; here the \
         form is filled in already.",
        vec![call(Must::BeClean, &format!("hand-set {id} --filled hand-set.toml"))],
    ));
}

fn read(id: &str, steps: &mut Vec<Step>) {
    steps.push(step(
        "Ask which layout fits",
        "Nobody has to know what is in the files: a layout that fits explains them, one that does not scrambles them.",
        vec![call(Must::BeClean, "identify today-1")],
    ));
    steps.push(step(
        "Read twice, and see that both reads agree",
        "One read proves nothing. The clip was taken off and put on again between the two.",
        vec![
            call(
                Must::BeClean,
                &format!("compare today-1 today-2 --layout {id}"),
            ),
            call(
                Must::BeClean,
                &format!("settle today-1 today-2 --layout {id} --output settled"),
            ),
        ],
    ));
}

fn understand(layout: &Layout, steps: &mut Vec<Step>) {
    let id = &layout.id;
    let mut calls = vec![call(
        Must::BeClean,
        &format!("decode today-1 --layout {id} --hand-set hand-set.toml --json --output bank.json"),
    )];
    if let Some(area) = first_area(layout) {
        calls.push(call(
            Must::BeClean,
            &format!(
                "decode today-1 --layout {id} --area {} --only {}",
                area.name,
                first_entry(area)
            ),
        ));
    }
    if let Some((_, parameter, _)) = edit_target(layout) {
        calls.push(call(
            Must::BeClean,
            &format!("layout map {id} --explain {}", parameter.key),
        ));
    }
    steps.push(step(
        "Decode",
        "The bank is the reading in words: every parameter with its code and its setting. The whole bank goes into a \
         file; one entry is shown, and where in the chips one of its values lives.",
        calls,
    ));
    steps.push(step(
        "Compare with the last visit",
        "The owner played in the meantime, so something differs. Presets that moved or were copied, and steps that a \
         re-saved knob makes, are told from real changes.",
        vec![call(Must::Report, &format!("compare earlier today-1 --layout {id}"))],
    ));
    steps.push(step(
        "Examine",
        "Both reads agree, so either the memory is sound or something reads steadily wrong. The last visit tells the \
         owner's edits from damage.",
        vec![call(
            Must::Finish,
            &format!("examine settled --earlier earlier --layout {id}"),
        )],
    ));
}

/// A call with one word that may hold blanks, put after the first words.
fn call_with(must: Must, first: &str, word: &str, rest: &str) -> Call {
    let mut whole = call(must, first);
    whole.words.push(word.to_owned());
    whole.words.extend(call(must, rest).words);
    whole
}

fn keep(layout: &Layout, steps: &mut Vec<Step>) {
    let rest = format!(
        "--serial 0117 --customer C-0412 --layout {} --as-found today-1 --name rehearsal --at shelf",
        layout.id
    );
    steps.push(step(
        "Put everything on the shelf before anything is touched",
        "The shelf keeps each visit as a job in plain folders that can be read without this program. Do not go on until \
         the audit has nothing to say.",
        vec![
            call(Must::BeClean, "shelf set-up --at shelf"),
            call_with(Must::BeClean, "shelf open --instrument", &layout.name, &rest),
            call(Must::BeClean, "shelf put rehearsal today-2 --as as-found --name second-read --at shelf"),
            call(Must::BeClean, "shelf put rehearsal bank.json --as bank --at shelf"),
            call(Must::BeClean, "shelf put rehearsal hand-set.toml --as hand-set --at shelf"),
            call(Must::BeClean, "shelf audit --at shelf"),
        ],
    ));
}

fn hand_over(id: &str, steps: &mut Vec<Step>) {
    steps.push(step(
        "Hand over",
        "Presets to dial by hand and a report to sign, to print; then the customer gets one file with everything in it that \
         is theirs, and a page that says how to check it without this program.",
        vec![
            call(Must::BeClean, "shelf put rehearsal to-write --as as-written --at shelf"),
            call(Must::BeClean, "shelf put rehearsal read-back --as read-back --at shelf"),
            call(Must::BeClean, "shelf put rehearsal edited --as as-written --name edited --at shelf"),
            call(
                Must::BeClean,
                &format!("sheet patch bank.json --layout {id} --hand-set hand-set.toml --output patches.html"),
            ),
            call(Must::BeClean, "shelf put rehearsal patches.html --as sheet --at shelf"),
            call(Must::BeClean, "sheet report rehearsal --shelf shelf --output report.html"),
            call(Must::BeClean, "shelf put rehearsal report.html --as report --at shelf"),
            call(Must::BeClean, "shelf audit --at shelf"),
            call(Must::BeClean, "shelf hand-over rehearsal for-customer.zip --at shelf"),
        ],
    ));
}

/// What it looks like when it does not go well.
fn trouble(id: &str, steps: &mut Vec<Step>) {
    let mut folders: Vec<&str> = files(id)
        .iter()
        .filter_map(|(name, _)| name.rsplit_once('/'))
        .map(|(folder, _)| folder)
        .filter(|folder| folder.starts_with("damaged/"))
        .collect();
    folders.dedup();
    let contacts: Vec<&str> = folders
        .iter()
        .copied()
        .filter(|f| f.contains("contact-"))
        .collect();
    if contacts.len() > 2 {
        let reads = contacts.join(" ");
        steps.push(step(
            "Had the reads disagreed",
            "The same chips, read through a clip that makes poor contact. What differs is located before there is a vote.",
            vec![
                call(Must::Report, &format!("settle {reads} --layout {id} --output unsettled")),
                call(Must::Report, &format!("examine unsettled --earlier earlier --layout {id}")),
            ],
        ));
    }
    let sagging = "damaged/sagging";
    let hurt = folders.iter().find(|f| **f == sagging).or(folders.first());
    if let Some(folder) = hurt {
        steps.push(step(
            "Had the battery been too late",
            "The same chips with something wrong, whose cause the name of the folder gives away.",
            vec![call(
                Must::Report,
                &format!("examine {folder} --earlier earlier --layout {id}"),
            )],
        ));
        steps.push(step(
            "Mend what can be mended",
            "Each value that is proposed says why, and how likely it is right; here all that are at least 99 % sure are \
             taken, on the bench each is read first. Every mended bit keeps where it came from.",
            vec![
                call(
                    Must::Finish,
                    &format!("mend {folder} --earlier today-1 --layout {id} --output mend.toml"),
                ),
                call(
                    Must::Finish,
                    &format!("mend --apply mend.toml {folder} --at-least 0.99 --output mended"),
                ),
                call(Must::Finish, &format!("compare today-1 mended --layout {id}")),
            ],
        ));
    }
}

fn swap(id: &str, steps: &mut Vec<Step>) {
    steps.push(step(
        "Reckon the battery, and print the plan",
        "What the meter should show, how long the battery lives, what may be fitted; then the swap step by step, with \
         what the job on the shelf shows to be done. A verdict that is tight or bad is told by the exit status.",
        vec![
            call(Must::Finish, &format!("standby --layout {id} --plot standby.html")),
            call(Must::BeClean, "shelf put rehearsal standby.html --as standby --at shelf"),
            call(
                Must::Finish,
                &format!("plan --layout {id} --job rehearsal --shelf shelf --sheet plan.html"),
            ),
        ],
    ));
    steps.push(step(
        "Swap the battery",
        "This is done with the hands: mains off and unplugged, reservoirs discharged, an isolated iron, the new cell in a \
         holder away from the board. Local rules and licensed practice decide. The files are safe by now, so whatever \
         happens to the memory can be put right.",
        Vec::new(),
    ));
}

fn restore(id: &str, steps: &mut Vec<Step>) {
    steps.push(step(
        "Make the files to write back",
        "The bank is put back onto the reading. Since nothing in it was changed, the proof is that no bit differs from \
         what was read.",
        vec![
            call(Must::BeClean, &format!("encode bank.json --onto today-1 --layout {id} --output to-write")),
            call(Must::BeClean, &format!("verify today-1 to-write --layout {id}")),
        ],
    ));
    steps.push(step(
        "Read back after the swap",
        "The chips were programmed, the instrument stood overnight without mains, and was read once more.",
        vec![call(Must::BeClean, "verify to-write read-back")],
    ));
}

fn edit(layout: &Layout, steps: &mut Vec<Step>) {
    let Some((area, parameter, text)) = edit_target(layout) else {
        return;
    };
    let mut set = call(Must::BeClean, "set to-write --at");
    set.words.push(first_entry(area));
    if layout
        .areas
        .iter()
        .filter(|a| a.parameter(&parameter.key).is_some())
        .count()
        > 1
    {
        set.words.extend(["--area".to_owned(), area.name.clone()]);
    }
    set.words.push(format!("{}={text}", parameter.key));
    set.words
        .extend(["--output".to_owned(), "edited".to_owned()]);
    steps.push(step(
        "Change one setting for the customer",
        "A setting must be one that a code meets exactly. The comparison shows that nothing else moved.",
        vec![set, call(Must::Report, "compare to-write edited --bits")],
    ));
}

/// The first area that repeats over something.
fn first_area(layout: &Layout) -> Option<&Area> {
    layout.areas.iter().find(|a| !a.axes.is_empty())
}

/// Its first entries, as `--only` and `--at` take them.
fn first_entry(area: &Area) -> String {
    let first = |a: &crate::layout::model::Axis| Some(format!("{}={}", a.name, a.labels.first()?));
    area.axes.first().and_then(first).unwrap_or_default()
}

/// A knob to turn and a setting it can be turned to: the finest control that always means something.
fn edit_target(layout: &Layout) -> Option<(&Area, &Parameter, String)> {
    let area = first_area(layout)?;
    let span = |p: &Parameter| p.range.end() - p.range.start();
    let parameter = area
        .parameters
        .iter()
        .filter(|p| {
            matches!(p.scale, Scale::Dial { .. } | Scale::Log { .. })
                && p.when.is_none()
                && p.alias_of.is_none()
                && p.fields.len() == 1
        })
        .max_by_key(|p| span(p))?;
    let width = area.fields.get(parameter.fields.start)?.width;
    let number = parameter.range.start() + span(parameter) * 2 / 3;
    let code = coding::code_of(&parameter.coding, width, number)?;
    Some((area, parameter, setting::show(parameter, width, code)))
}

#[cfg(test)]
mod tests {
    use super::super::instruments;
    use super::files;

    #[test]
    fn every_instrument_that_is_carried_has_the_readings_the_steps_name() {
        for id in instruments() {
            let names: Vec<&str> = files(id).iter().map(|f| f.0).collect();
            for folder in ["earlier/", "today-1/", "today-2/", "read-back/"] {
                assert!(
                    names.iter().any(|n| n.starts_with(folder)),
                    "{id} lacks {folder}"
                );
            }
            assert!(names.contains(&"hand-set.toml"), "{id} lacks its form");
        }
    }
}
