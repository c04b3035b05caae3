//! Damaged records and blocks are moved to tables of their own.

use super::check::dates;
use crate::sealed::{BLOCK_COLUMNS, days_of, is_sound};
use crate::weeks::monday;
use observation::Time;
use rusqlite::Connection;
use std::ops::RangeInclusive;

/// Moves a record to those that are damaged.
pub(crate) fn record_aside(
    connection: &Connection,
    number: i64,
    now: Time,
) -> rusqlite::Result<()> {
    connection.execute(
        "INSERT INTO damaged (number, found, kind, received, walked, first, last, body)
         SELECT number, ?2, kind, received, walked, first, last, body FROM log WHERE number = ?1",
        [number, now.0],
    )?;
    connection.execute("DELETE FROM log WHERE number = ?1", [number])?;
    Ok(())
}

/// Moves a block to those that are damaged; its days are no longer sealed.
pub(crate) fn block_aside(
    connection: &Connection,
    number: i64,
    days: &RangeInclusive<i64>,
    now: Time,
) -> rusqlite::Result<()> {
    connection.execute(
        "INSERT INTO damaged_block (number, found, station, day, revision, lowest, highest, body, week)
         SELECT number, ?2, station, day, revision, lowest, highest, body, week FROM block WHERE number = ?1",
        [number, now.0],
    )?;
    connection.execute("DELETE FROM block WHERE number = ?1", [number])?;
    connection.execute(
        "UPDATE sealed SET through = 0 WHERE day BETWEEN ?1 AND ?2",
        [*days.start(), *days.end()],
    )?;
    Ok(())
}

/// Newest days whose blocks are checked at the start of a large history.
const NEWEST_DAYS: i64 = 64;

/// Sets damaged blocks aside. Their days are no longer sealed: what the log still holds of
/// them is read there, and sealed again.
pub(super) fn blocks(
    connection: &Connection,
    all: bool,
    now: Time,
    told: &mut Vec<String>,
) -> rusqlite::Result<()> {
    let from = if all { i64::MIN } else { monday(now.utc_day() - NEWEST_DAYS) };
    let bad = bad_blocks(connection, from)?;
    for (number, days) in &bad {
        block_aside(connection, *number, days, now)?;
    }
    if !bad.is_empty() {
        let days: Vec<i64> = bad.into_iter().flat_map(|(_, days)| days).collect();
        told.push(format!(
            "blocks whose checksum does not fit are set aside in the table damaged_block: {}",
            dates(&days)
        ));
    }
    Ok(())
}

/// Row number and days of each block that is no good.
pub(super) fn bad_blocks(
    connection: &Connection,
    from: i64,
) -> rusqlite::Result<Vec<(i64, RangeInclusive<i64>)>> {
    let mut statement = connection.prepare(&format!(
        "SELECT {BLOCK_COLUMNS}, number FROM block WHERE day >= ?1 ORDER BY number"
    ))?;
    let mut rows = statement.query([from])?;
    let mut bad = Vec::new();
    while let Some(row) = rows.next()? {
        if !is_sound(row) {
            bad.push((row.get(7)?, days_of(row)?));
        }
    }
    Ok(bad)
}
