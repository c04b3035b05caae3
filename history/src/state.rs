//! The processor's state parts, each with a checksum of its own.

use crate::entry::{SavedPart, StatePart};
use rusqlite::{Connection, params};

fn checksum(part: &StatePart, number: u64) -> u32 {
    let mut hasher = crc32fast::Hasher::new();
    hasher.update(part.name.as_bytes());
    hasher.update(&part.version.to_le_bytes());
    hasher.update(&part.fingerprint.to_le_bytes());
    hasher.update(&number.to_le_bytes());
    hasher.update(&part.body);
    hasher.finalize()
}

pub(crate) fn save(
    connection: &Connection,
    parts: &[StatePart],
    number: u64,
) -> rusqlite::Result<()> {
    for part in parts {
        connection
            .prepare_cached(
                "INSERT OR REPLACE INTO state (name, version, fingerprint, number, body, checksum)
                 VALUES (?1, ?2, ?3, ?4, ?5, ?6)",
            )?
            .execute(params![
                part.name,
                part.version,
                part.fingerprint.cast_signed(),
                number.cast_signed(),
                part.body,
                checksum(part, number)
            ])?;
    }
    Ok(())
}

/// The parts; what does not fit its checksum is left out.
pub(crate) fn load(connection: &Connection) -> rusqlite::Result<Vec<SavedPart>> {
    let mut statement = connection.prepare(
        "SELECT name, version, fingerprint, number, body, checksum FROM state ORDER BY name",
    )?;
    let mut rows = statement.query([])?;
    let mut parts = Vec::new();
    while let Some(row) = rows.next()? {
        let read = || -> rusqlite::Result<(SavedPart, u32)> {
            let part = StatePart {
                name: row.get(0)?,
                version: row.get(1)?,
                fingerprint: row.get::<_, i64>(2)?.cast_unsigned(),
                body: row.get(4)?,
            };
            Ok((SavedPart { part, at: row.get::<_, i64>(3)?.cast_unsigned() }, row.get(5)?))
        };
        // A part that cannot be read is as good as none.
        if let Ok((saved, sum)) = read()
            && checksum(&saved.part, saved.at) == sum
        {
            parts.push(saved);
        }
    }
    Ok(parts)
}
