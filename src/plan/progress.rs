//! What is known to be done: by what a job on the shelf holds, or by a technician's word.

use std::collections::BTreeMap;

/// The facts of a job that a plan goes by. Whoever knows the shelf fills it in.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Progress {
    /// The job's name.
    pub job: Option<String>,
    /// By role ("as-found", "read-back"): how many readings, or sets of files, the job holds.
    pub sets: BTreeMap<String, usize>,
    /// Readings as found that agree to the bit with another one, and what was compared.
    pub reads_agree: Option<String>,
    /// That the last reading read back is, to the bit, what was written last.
    pub written_back: Option<String>,
    /// That it still was so a night later.
    pub kept_overnight: Option<String>,
    /// What speaks against what was written being in the chips, where something does.
    pub not_written_back: Option<String>,
    /// When the job was closed.
    pub closed: Option<String>,
    /// The standby current as measured.
    pub measured: Option<String>,
    /// Steps that the technician says are done.
    pub said: Vec<String>,
}

impl Progress {
    /// The proof that a step is done, if there is one.
    pub(super) fn proof(&self, step: &str, by: Option<&super::DoneBy>) -> Option<String> {
        if self.said.iter().any(|s| s == step) {
            return Some("said to be done".to_owned());
        }
        match by? {
            super::DoneBy::Role { role, readings } => {
                let held = self.sets.get(role).copied().unwrap_or(0);
                let wanted = readings.unwrap_or(1);
                (held >= wanted && held > 0).then(|| match readings {
                    Some(_) => format!("the job holds {held} {role} {}", plural(held, "reading")),
                    None => format!("the job holds {held} {role} {}", plural(held, "file")),
                })
            }
            super::DoneBy::Fact { fact } => match fact.as_str() {
                "job" => self.job.as_ref().map(|job| format!("job {job} is open")),
                "reads-agree" => self.reads_agree.clone(),
                "written-back" => self.written_back.clone(),
                "kept-overnight" => self.kept_overnight.clone(),
                "measured" => self.measured.as_ref().map(|m| format!("{m} measured")),
                "closed" => self.closed.as_ref().map(|at| format!("closed {at}")),
                _ => None,
            },
        }
    }
}

impl Progress {
    /// What the job shows against a step being done, if anything.
    pub(super) fn against(&self, by: Option<&super::DoneBy>) -> Option<String> {
        match by? {
            super::DoneBy::Fact { fact } if fact == "written-back" => self.not_written_back.clone(),
            _ => None,
        }
    }
}

fn plural(count: usize, word: &str) -> String {
    if count == 1 {
        word.to_owned()
    } else {
        format!("{word}s")
    }
}
