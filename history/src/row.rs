//! Rows of the log, in and out.

use crate::entry::{Entry, Head, Record};
use crate::fault::ReadError;
use crate::names::{Known, Names};
use crate::record::{Row, decode_batch, decode_names, decode_rare, kind};
use observation::Time;
use rusqlite::{Connection, OptionalExtension, params};

/// The columns of a row, in the order in which [`head_of`] takes them; the body is
/// the seventh.
pub(crate) const COLUMNS: &str = "number, kind, received, walked, first, last, body";

pub(crate) fn insert(
    connection: &Connection,
    row: &Row,
    body: &[u8],
    late_days: &[i64],
) -> rusqlite::Result<()> {
    let number = row.number.cast_signed();
    connection
        .prepare_cached("INSERT INTO log (number, kind, received, walked, first, last, body) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)")?
        .execute(params![
            number, row.kind, row.received.0, row.walked.0, row.first.map(|t| t.0), row.last.map(|t| t.0), body
        ])?;
    for day in late_days {
        connection
            .prepare_cached("INSERT OR IGNORE INTO late (day, number) VALUES (?1, ?2)")?
            .execute([*day, number])?;
    }
    Ok(())
}

pub(crate) fn row_of(row: &rusqlite::Row<'_>) -> rusqlite::Result<Row> {
    let time = |column: usize| row.get::<_, i64>(column).map(Time);
    let maybe = |column: usize| row.get::<_, Option<i64>>(column).map(|t| t.map(Time));
    Ok(Row {
        number: row.get::<_, i64>(0)?.cast_unsigned(),
        kind: row.get(1)?,
        received: time(2)?,
        walked: time(3)?,
        first: maybe(4)?,
        last: maybe(5)?,
    })
}

/// The body, without copying it.
pub(crate) fn body_of<'a>(row: &'a rusqlite::Row<'_>) -> rusqlite::Result<&'a [u8]> {
    Ok(row.get_ref(6)?.as_blob()?)
}

pub(crate) fn head_of(row: &rusqlite::Row<'_>) -> rusqlite::Result<Head> {
    Ok(Head {
        number: row.get::<_, i64>(0)?.cast_unsigned(),
        received: Time(row.get(1)?),
        walked: Time(row.get(2)?),
    })
}

pub(crate) fn first(connection: &Connection) -> rusqlite::Result<Option<Head>> {
    connection
        .prepare_cached("SELECT number, received, walked FROM log ORDER BY number LIMIT 1")?
        .query_row([], head_of)
        .optional()
}

pub(crate) fn last(connection: &Connection) -> rusqlite::Result<Option<Head>> {
    connection
        .prepare_cached("SELECT number, received, walked FROM log ORDER BY number DESC LIMIT 1")?
        .query_row([], head_of)
        .optional()
}

pub(crate) fn decode(row: &Row, body: &[u8], names: &Names) -> Result<Record, ReadError> {
    let garbage = |e| ReadError(format!("record {}: {e}", row.number));
    let entry = if row.kind == kind::BATCH {
        let (messages, readings) = decode_batch(row, body, names).map_err(garbage)?;
        Entry::Batch { messages, readings }
    } else {
        decode_rare(row, body, names).map_err(garbage)?
    };
    Ok(Record { number: row.number, received: row.received, walked: row.walked, entry })
}

/// Whether there are records or blocks that speak of names.
pub(crate) fn is_in_use(connection: &Connection) -> rusqlite::Result<bool> {
    connection.query_row(
        "SELECT EXISTS (SELECT 1 FROM log WHERE kind = 1) OR EXISTS (SELECT 1 FROM block)",
        [],
        |r| r.get(0),
    )
}

/// All names with their numbers, from the records that gave them, and the property's
/// UUID as they tell it. Damaged ones are passed over; the check at start finds them.
pub(crate) fn known(connection: &Connection) -> rusqlite::Result<(Known, Option<String>)> {
    let mut known = Known::default();
    let mut uuid = None;
    let mut statement = connection.prepare(&format!(
        "SELECT {COLUMNS} FROM log WHERE kind > 1 AND kind = 7 ORDER BY number"
    ))?;
    let mut rows = statement.query([])?;
    while let Some(row) = rows.next()? {
        if let Ok(head) = row_of(row) {
            let mut more = Known::default();
            if let Ok(told) = decode_names(&head, body_of(row)?, &mut more) {
                known.extend(more);
                uuid = Some(told);
            }
        }
    }
    Ok((known, uuid))
}
