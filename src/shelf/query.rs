//! Finding jobs in the index: what can be asked, and where a job answers it.

use rusqlite::{OptionalExtension, params};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::error::Result;
use super::index::Index;
use crate::layout::nearest_name;

/// What to look for; every part given must hold.
#[derive(Clone, Debug, Default)]
pub struct Query {
    /// Words anywhere: complaint, notes, names of files and presets, sentences of findings.
    pub words: Option<String>,
    /// Part of the instrument's name.
    pub instrument: Option<String>,
    /// Serial number.
    pub serial: Option<String>,
    /// Customer's reference.
    pub customer: Option<String>,
    /// Worked on at this time or later, RFC 3339 or its beginning.
    pub from: Option<String>,
    /// Opened before this time.
    pub until: Option<String>,
    /// SHA-256 of a file in any version, or its beginning.
    pub digest: Option<String>,
    /// Code of a finding, or the area before its full stop.
    pub finding: Option<String>,
    /// A parameter's key, or the last part of it, and a code or a setting.
    pub parameter: Option<(String, Option<String>)>,
    /// Only open or only closed jobs.
    pub open: Option<bool>,
}

/// A job as the list shows it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Listed {
    /// The job's name.
    pub job: String,
    /// The instrument; absent where the job cannot be read.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub instrument: Option<String>,
    /// The layout's id.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub layout: Option<String>,
    /// Serial number.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub serial: Option<String>,
    /// The customer's reference.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub customer: Option<String>,
    /// The complaint.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub complaint: Option<String>,
    /// When it was opened, RFC 3339.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub opened: Option<String>,
    /// When it was closed, RFC 3339.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub closed: Option<String>,
    /// The number of its latest version.
    pub head: u32,
    /// Files in any version.
    pub files: u32,
    /// Bytes of these files.
    pub bytes: u64,
    /// Notes.
    pub notes: u32,
}

/// A job that was found.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Hit {
    /// The job.
    #[serde(flatten)]
    pub job: Listed,
    /// Where it answers the question, a line each.
    pub because: Vec<String>,
}

/// A phrase for the full-text search: each word as given, the last one as a beginning.
fn match_expression(words: &str) -> String {
    words
        .split_whitespace()
        .map(|word| format!("\"{}\"*", word.replace('"', "\"\"")))
        .collect::<Vec<_>>()
        .join(" ")
}

/// `LIKE` with the user's own `%` and `_` taken literally.
fn like(text: &str) -> String {
    let escaped = text
        .replace('\\', "\\\\")
        .replace('%', "\\%")
        .replace('_', "\\_");
    format!("%{escaped}%")
}

impl Index {
    pub(super) fn find(&self, query: &Query) -> Result<Vec<Hit>> {
        let mut sql = String::from(
            "SELECT j.id, j.job, j.instrument, j.layout, j.serial, j.customer, j.complaint, j.opened, j.closed, j.head, j.files, j.bytes, j.notes FROM jobs j WHERE 1",
        );
        let mut values: Vec<String> = Vec::new();
        let mut and = |condition: &str, value: String| {
            values.push(value);
            sql.push_str(" AND ");
            sql.push_str(&condition.replace('?', &format!("?{}", values.len())));
        };
        if let Some(words) = query.words.as_deref().filter(|w| !w.trim().is_empty()) {
            and(
                "j.id IN (SELECT rowid FROM words WHERE words MATCH ?)",
                match_expression(words),
            );
        }
        if let Some(instrument) = &query.instrument {
            and("j.instrument LIKE ? ESCAPE '\\'", like(instrument));
        }
        if let Some(serial) = &query.serial {
            and(
                "trim(j.serial) = ? COLLATE NOCASE",
                serial.trim().to_owned(),
            );
        }
        if let Some(customer) = &query.customer {
            and("j.customer = ? COLLATE NOCASE", customer.clone());
        }
        if let Some(from) = &query.from {
            and("j.changed >= ?", from.clone());
        }
        if let Some(until) = &query.until {
            and("j.opened < ?", until.clone());
        }
        if let Some(digest) = &query.digest {
            let digest = digest.to_lowercase();
            and(
                "j.id IN (SELECT id FROM files WHERE digest >= ? AND digest < ? || 'g')",
                digest,
            );
        }
        if let Some(code) = &query.finding {
            and(
                "j.id IN (SELECT id FROM findings WHERE code = ? OR (code > ? || '.' AND code < ? || '/'))",
                code.clone(),
            );
        }
        if let Some((key, value)) = &query.parameter {
            let keys = self.keys(key)?;
            let list = keys
                .iter()
                .map(i64::to_string)
                .collect::<Vec<_>>()
                .join(",");
            // As in `set`: #77 is the code, anything else a code or a setting.
            let code = value.as_deref().and_then(|value| value.strip_prefix('#'));
            match value {
                Some(_) if code.is_some() => and(
                    &format!(
                        "j.id IN (SELECT id FROM parameters WHERE key IN ({list}) AND instr(codes, ' ' || ? || ' '))"
                    ),
                    code.unwrap_or_default().to_owned(),
                ),
                Some(value) => and(
                    &format!(
                        "j.id IN (SELECT id FROM parameters WHERE key IN ({list}) AND (instr(codes, ' ' || ? || ' ') OR instr(settings, char(10) || ? || char(10))))"
                    ),
                    value.to_lowercase(),
                ),
                None => and(
                    &format!(
                        "j.id IN (SELECT id FROM parameters WHERE key IN ({list})) AND '' = ?"
                    ),
                    String::new(),
                ),
            }
        }
        match query.open {
            Some(true) => sql.push_str(" AND j.closed IS NULL"),
            Some(false) => sql.push_str(" AND j.closed IS NOT NULL"),
            None => {}
        }
        sql.push_str(" ORDER BY j.opened DESC, j.job DESC");
        let mut statement = self.connection.prepare(&sql)?;
        let mut hits = statement
            .query_map(rusqlite::params_from_iter(&values), |r| {
                Ok((
                    r.get::<_, i64>(0)?,
                    Hit {
                        job: Listed {
                            job: r.get(1)?,
                            instrument: r.get(2)?,
                            layout: r.get(3)?,
                            serial: r.get(4)?,
                            customer: r.get(5)?,
                            complaint: r.get(6)?,
                            opened: r.get(7)?,
                            closed: r.get(8)?,
                            head: r.get(9)?,
                            files: r.get(10)?,
                            bytes: r.get::<_, i64>(11)?.max(0) as u64,
                            notes: r.get(12)?,
                        },
                        because: Vec::new(),
                    },
                ))
            })?
            .collect::<std::result::Result<Vec<_>, _>>()?;
        for (id, hit) in hits.iter_mut().take(200) {
            hit.because = self.because(*id, query)?;
        }
        Ok(hits.into_iter().map(|(_, hit)| hit).collect())
    }

    /// Whether any bank has a parameter of that key, or of a key that ends in it; and if not, the nearest there is.
    pub(super) fn knows_key(&self, key: &str) -> Result<std::result::Result<(), Option<String>>> {
        if !self.keys(key)?.is_empty() {
            return Ok(Ok(()));
        }
        let names = self
            .connection
            .prepare("SELECT name FROM keys")?
            .query_map([], |r| r.get(0))?
            .collect::<std::result::Result<Vec<String>, _>>()?;
        let ends = names.iter().filter_map(|name| name.rsplit('.').next());
        let all = names.iter().map(String::as_str).chain(ends);
        Ok(Err(nearest_name(key, all).map(str::to_owned)))
    }

    fn keys(&self, key: &str) -> Result<Vec<i64>> {
        let mut statement = self
            .connection
            .prepare("SELECT key FROM keys WHERE name = ?1 OR name LIKE ?2 ESCAPE '\\'")?;
        let ending = like(key);
        let ending = format!("%.{}", &ending[1..ending.len() - 1]);
        let keys = statement
            .query_map([key, ending.as_str()], |r| r.get(0))?
            .collect::<std::result::Result<_, _>>()?;
        Ok(keys)
    }

    /// Where a job answers the query.
    fn because(&self, id: i64, query: &Query) -> Result<Vec<String>> {
        let mut lines = Vec::new();
        if let Some(words) = query.words.as_deref().filter(|w| !w.trim().is_empty()) {
            let snippet: Option<String> = self
                .connection
                .prepare_cached("SELECT snippet(words, 0, '', '', ' ... ', 12) FROM words WHERE words MATCH ?1 AND rowid = ?2")?
                .query_row(params![match_expression(words), id], |r| r.get(0))
                .optional()?;
            lines.extend(snippet.map(|s| s.split_whitespace().collect::<Vec<_>>().join(" ")));
        }
        if let Some(digest) = &query.digest {
            let mut statement = self.connection.prepare_cached(
                "SELECT path, version FROM files WHERE id = ?1 AND digest >= ?2 AND digest < ?2 || 'g' ORDER BY path LIMIT 20",
            )?;
            let rows = statement.query_map(params![id, digest.to_lowercase()], |r| {
                Ok(format!(
                    "{} in version {}",
                    r.get::<_, String>(0)?,
                    r.get::<_, u32>(1)?
                ))
            })?;
            for row in rows {
                lines.push(row?);
            }
        }
        if let Some(code) = &query.finding {
            let mut statement = self.connection.prepare_cached(
                "SELECT code, says FROM findings WHERE id = ?1 AND (code = ?2 OR (code > ?2 || '.' AND code < ?2 || '/')) LIMIT 20",
            )?;
            let rows = statement.query_map(params![id, code], |r| {
                Ok(format!(
                    "{}: {}",
                    r.get::<_, String>(0)?,
                    r.get::<_, String>(1)?
                ))
            })?;
            for row in rows {
                lines.push(row?);
            }
        }
        if let Some((key, value)) = &query.parameter {
            let mut statement = self.connection.prepare_cached(
                "SELECT name FROM parameters JOIN keys USING (key) WHERE id = ?1 AND (name = ?2 OR substr(name, -length(?3)) = ?3)
                 AND (?4 = '' OR instr(codes, ' ' || ?4 || ' ') OR (NOT ?5 AND instr(settings, char(10) || ?4 || char(10)))) ORDER BY name LIMIT 20",
            )?;
            let value = value.as_deref().unwrap_or_default().to_lowercase();
            let code = value.strip_prefix('#');
            let (value, is_code) = (code.unwrap_or(&value), code.is_some());
            let ending = format!(".{key}");
            let rows = statement.query_map(params![id, key, ending, value, is_code], |r| {
                r.get::<_, String>(0)
            })?;
            for row in rows {
                lines.push(match value {
                    "" => format!("{} is in its bank", row?),
                    value => format!("{} is {value} in one entry at least", row?),
                });
            }
        }
        Ok(lines)
    }
}
