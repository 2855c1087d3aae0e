//! What the index holds of a job: its rows, and the seal over them by which a flipped bit is noticed.

use std::collections::BTreeMap;

use rusqlite::types::ValueRef;
use rusqlite::{Connection, OptionalExtension, params};
use sha2::{Digest, Sha256};

use super::disk::hex;
use super::error::Result;
use super::facts::Facts;

/// Replaces the entry of a job; `None` takes it out.
pub(super) fn write_job(connection: &Connection, job: &str, facts: Option<Facts>) -> Result<()> {
    let old: Option<i64> = connection
        .prepare_cached("SELECT id FROM jobs WHERE job = ?1")?
        .query_row([job], |r| r.get(0))
        .optional()?;
    if let Some(id) = old {
        for sql in [
            "DELETE FROM jobs WHERE id = ?1",
            "DELETE FROM files WHERE id = ?1",
            "DELETE FROM findings WHERE id = ?1",
            "DELETE FROM parameters WHERE id = ?1",
            "DELETE FROM words WHERE rowid = ?1",
        ] {
            connection.prepare_cached(sql)?.execute([id])?;
        }
    }
    let Some(facts) = facts else {
        return Ok(());
    };
    let record = facts.record.unwrap_or_default();
    let readable = !record.job.is_empty();
    connection
        .prepare_cached(
            "INSERT INTO jobs (job, instrument, layout, serial, customer, complaint, opened, closed, changed, head, files, bytes, notes, seal)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, '')",
        )?
        .execute(params![
            job,
            readable.then_some(&record.instrument),
            record.layout,
            record.serial,
            record.customer,
            record.complaint,
            readable.then_some(&record.opened),
            record.closed.as_ref().map(|c| &c.at),
            facts.changed,
            facts.head,
            facts.files.len() as i64,
            facts.files.iter().map(|f| f.bytes as i64).sum::<i64>(),
            record.notes.len() as i64,
        ])?;
    let id = connection.last_insert_rowid();
    for file in &facts.files {
        connection
            .prepare_cached("INSERT INTO files VALUES (?1, ?2, ?3, ?4, ?5)")?
            .execute(params![
                id,
                file.path,
                file.digest,
                file.bytes as i64,
                file.version
            ])?;
    }
    for finding in &facts.findings {
        connection
            .prepare_cached("INSERT INTO findings VALUES (?1, ?2, ?3, ?4)")?
            .execute(params![id, finding.code, finding.severity, finding.says])?;
    }
    for (key, (codes, settings)) in &facts.parameters {
        connection
            .prepare_cached("INSERT OR IGNORE INTO keys (name) VALUES (?1)")?
            .execute([key])?;
        let codes: String = codes.iter().map(|c| format!(" {c} ")).collect();
        let settings: String = settings
            .iter()
            .map(|s| format!("\n{}\n", s.to_lowercase()))
            .collect();
        connection
            .prepare_cached(
                "INSERT INTO parameters SELECT ?1, key, ?3, ?4 FROM keys WHERE name = ?2",
            )?
            .execute(params![id, key, codes, settings])?;
    }
    connection
        .prepare_cached("INSERT INTO words (rowid, text) VALUES (?1, ?2)")?
        .execute(params![id, facts.words])?;
    let seal = seal(connection, id)?;
    connection
        .prepare_cached("UPDATE jobs SET seal = ?2 WHERE id = ?1")?
        .execute(params![id, seal])?;
    Ok(())
}

/// A digest over everything the index holds of a job, so that a flipped bit in it is noticed.
fn seal(connection: &Connection, id: i64) -> Result<String> {
    Ok(seals(connection, "=", id)?.remove(&id).unwrap_or_default())
}

/// The seals of all jobs whose number stands so to the given one. All of a table is read in one go: a query for each
/// job would be planned anew each time.
pub(super) fn seals(connection: &Connection, so: &str, id: i64) -> Result<BTreeMap<i64, String>> {
    let mut hashes: BTreeMap<i64, Sha256> = BTreeMap::new();
    for (select, key, order) in [
        (
            "SELECT id, job, instrument, layout, serial, customer, complaint, opened, closed, changed, head, files, bytes, notes FROM jobs",
            "id",
            "",
        ),
        (
            "SELECT id, path, digest, bytes, version FROM files",
            "id",
            ", rowid",
        ),
        (
            "SELECT id, code, severity, says FROM findings",
            "id",
            ", rowid",
        ),
        (
            "SELECT id, name, codes, settings FROM parameters JOIN keys USING (key)",
            "id",
            ", parameters.rowid",
        ),
        ("SELECT rowid, text FROM words", "rowid", ""),
    ] {
        let sql = format!("{select} WHERE {key} {so} ?1 ORDER BY {key}{order}");
        let mut statement = connection.prepare_cached(&sql)?;
        let columns = statement.column_count();
        let mut rows = statement.query([id])?;
        while let Some(row) = rows.next()? {
            let hash = hashes.entry(row.get(0)?).or_default();
            for column in 1..columns {
                add_value(hash, row.get_ref(column)?);
            }
        }
        for hash in hashes.values_mut() {
            hash.update([1]);
        }
    }
    Ok(hashes
        .into_iter()
        .map(|(id, hash)| (id, hex(&hash.finalize())))
        .collect())
}

/// Adds a value with its type and its length. One bit of a row's header makes a blob of a text, which is the same
/// bytes but answers no question that the text does.
fn add_value(hash: &mut Sha256, value: ValueRef<'_>) {
    let (kind, bytes): (u8, &[u8]) = match value {
        ValueRef::Null => (0, &[]),
        ValueRef::Integer(i) => (1, &i.to_le_bytes()),
        ValueRef::Real(r) => (2, &r.to_le_bytes()),
        ValueRef::Text(t) => (3, t),
        ValueRef::Blob(b) => (4, b),
    };
    hash.update([kind]);
    hash.update((bytes.len() as u64).to_le_bytes());
    hash.update(bytes);
}
