//! The whole look, which changes nothing.

use super::blocks::bad_blocks;
use super::check::{dates, integrity, list, range};
use crate::fault::ReadError;
use crate::row::{self, COLUMNS, body_of, row_of};
use rusqlite::Connection;

/// Checks everything and changes nothing: each fault in a line. `progress` is told the
/// number that was checked last.
pub(crate) fn verify(
    connection: &Connection,
    progress: &mut dyn FnMut(u64),
) -> Result<Vec<String>, ReadError> {
    let mut faults: Vec<String> = integrity(connection)?.into_iter().collect();
    if !faults.is_empty() {
        // Where pages are damaged, looking on would end with the first of them.
        return Ok(faults);
    }
    let last = row::last(connection)?.map_or(0, |l| l.number);
    let trimmed: i64 =
        connection.query_row("SELECT ifnull(max(through), 0) FROM trimmed", [], |r| r.get(0))?;
    let trimmed = trimmed.cast_unsigned();
    let (mut from, mut before) = (0, 0);
    let mut bad = Vec::new();
    while from <= last {
        let to = from + 999;
        let mut statement = connection.prepare_cached(&format!(
            "SELECT {COLUMNS} FROM log WHERE number BETWEEN ?1 AND ?2 ORDER BY number"
        ))?;
        let mut rows = statement.query([from.cast_signed(), to.cast_signed()])?;
        while let Some(next) = rows.next()? {
            let number = next.get::<_, i64>(0)?.cast_unsigned();
            if !row_of(next).is_ok_and(|row| body_of(next).is_ok_and(|body| row.open(body).is_ok()))
            {
                bad.push(number.cast_signed());
            }
            let next_one = before.max(trimmed) + 1;
            let known: bool = number <= next_one
                || connection.query_row(
                    "SELECT EXISTS (SELECT 1 FROM hole WHERE first <= ?1 AND last >= ?2)",
                    [next_one.cast_signed(), (number - 1).cast_signed()],
                    |r| r.get(0),
                )?;
            if !known {
                let missing = range(next_one, number - 1);
                faults.push(format!("log numbers are missing: {missing}"));
            }
            before = number;
        }
        progress(before);
        from = to + 1;
    }
    if !bad.is_empty() {
        faults.push(format!("records whose checksum does not fit: {}", list(&bad)));
    }
    let bad = bad_blocks(connection, i64::MIN)?;
    let days: Vec<i64> = bad.into_iter().flat_map(|(_, days)| days).collect();
    if !days.is_empty() {
        faults.push(format!("blocks whose checksum does not fit: {}", dates(&days)));
    }
    Ok(faults)
}
