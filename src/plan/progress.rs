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
    /// Readings read back that are, to the bit, a reading as written.
    pub written_back: usize,
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
            super::DoneBy::WrittenBack { written_back } => (self.written_back >= *written_back)
                .then(|| {
                    format!(
                        "{} read-back {} to the bit what was written",
                        self.written_back,
                        if self.written_back == 1 {
                            "reading is"
                        } else {
                            "readings are"
                        }
                    )
                }),
            super::DoneBy::Fact { fact } => match fact.as_str() {
                "job" => self.job.as_ref().map(|job| format!("job {job} is open")),
                "reads-agree" => self.reads_agree.clone(),
                "measured" => self.measured.as_ref().map(|m| format!("{m} measured")),
                "closed" => self.closed.as_ref().map(|at| format!("closed {at}")),
                _ => None,
            },
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
