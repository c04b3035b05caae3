//! Checks of a database that SQLite opens.

use super::blocks::{blocks, record_aside};
use crate::names::Known;
use crate::noticed::date;
use crate::record::{decode_names, kind};
use crate::row::{self, COLUMNS, body_of, row_of};
use crate::schema::TABLES;
use crate::{register, state};
use observation::Time;
use rusqlite::Connection;
use std::collections::BTreeSet;

/// Most numbers named in one line.
const NAMED: usize = 8;

/// Finds what makes a database unfit for use, so that it must be built anew; none if it
/// is sound as far as was looked.
pub(crate) fn check(
    connection: &Connection,
    file_bytes: u64,
    whole: bool,
) -> rusqlite::Result<Option<String>> {
    if let Some(fault) = other_layout(connection)? {
        return Ok(Some(fault));
    }
    let (pages, size): (i64, i64) = connection.query_row(
        "SELECT page_count, page_size FROM pragma_page_count, pragma_page_size",
        [],
        |r| Ok((r.get(0)?, r.get(1)?)),
    )?;
    if u64::try_from(pages.saturating_mul(size)).is_ok_and(|told| told > file_bytes) {
        return Ok(Some("is shorter than it says".into()));
    }
    if whole { integrity(connection) } else { Ok(None) }
}

/// SQLite's own check: its first complaint.
pub(super) fn integrity(connection: &Connection) -> rusqlite::Result<Option<String>> {
    let verdict: String = connection.query_row("PRAGMA integrity_check(1)", [], |r| r.get(0))?;
    Ok((verdict != "ok").then(|| format!("is damaged ({})", verdict.replace('\n', " "))))
}

/// Compares the tables with those that belong there.
fn other_layout(connection: &Connection) -> rusqlite::Result<Option<String>> {
    fn layout(connection: &Connection) -> rusqlite::Result<Vec<(String, Option<String>)>> {
        connection
            .prepare("SELECT name, sql FROM sqlite_schema ORDER BY name")?
            .query_map([], |r| Ok((r.get(0)?, r.get(1)?)))?
            .collect()
    }
    let expected = Connection::open_in_memory()?;
    expected.execute_batch(TABLES)?;
    Ok((layout(connection)? != layout(&expected)?).then(|| "has a damaged layout".into()))
}

/// What a look at records found.
#[derive(Debug, Default)]
struct Found {
    /// Row numbers whose record is no good.
    bad: Vec<i64>,
    /// Ranges of numbers that are not there.
    holes: Vec<(u64, u64)>,
}

fn records(connection: &Connection, from: u64, before: u64) -> rusqlite::Result<Found> {
    let mut found = Found::default();
    let mut statement = connection
        .prepare(&format!("SELECT {COLUMNS} FROM log WHERE number >= ?1 ORDER BY number"))?;
    let mut rows = statement.query([from.cast_signed()])?;
    let mut before = before;
    while let Some(next) = rows.next()? {
        let number: i64 = next.get(0)?;
        let good = row_of(next).is_ok_and(|row| {
            body_of(next).is_ok_and(|body| match row.kind {
                // Without the names nothing else can be read.
                kind::NAMES => decode_names(&row, body, &mut Known::default()).is_ok(),
                _ => row.open(body).is_ok(),
            })
        });
        // A number that no log reaches would be a hole of nearly all numbers.
        if !good || number <= 0 {
            found.bad.push(number);
            continue;
        }
        let number = number.cast_unsigned();
        if number > before + 1 {
            found.holes.push((before + 1, number - 1));
        }
        before = number;
    }
    Ok(found)
}

/// Days, each once, not all of very many.
pub(super) fn dates(days: &[i64]) -> String {
    let days: BTreeSet<i64> = days.iter().copied().collect();
    let named: Vec<String> = days.iter().take(NAMED).map(|day| date(*day)).collect();
    let more = days.len().saturating_sub(NAMED);
    if more == 0 { named.join(", ") } else { format!("{} and {more} more days", named.join(", ")) }
}

pub(super) fn range(first: u64, last: u64) -> String {
    if first == last { first.to_string() } else { format!("{first} to {last}") }
}

pub(super) fn list(numbers: &[i64]) -> String {
    let named: Vec<String> = numbers.iter().take(NAMED).map(ToString::to_string).collect();
    let more = numbers.len().saturating_sub(NAMED);
    if more == 0 { named.join(", ") } else { format!("{} and {more} more", named.join(", ")) }
}

/// Checks records, numbers, cursors, names and state, mends what can be mended, and
/// tells each in a line.
pub(crate) fn standing(
    connection: &mut Connection,
    newest: u64,
    whole: bool,
    now: Time,
) -> rusqlite::Result<Vec<String>> {
    let mut told = Vec::new();
    let last = row::last(connection)?.map_or(0, |l| l.number);
    let from = if whole { 0 } else { last.saturating_sub(newest) };
    let before = if from == 0 { 0 } else { from - 1 };
    let Found { bad, holes } = records(connection, from, before)?;
    let transaction = connection.transaction()?;
    for number in &bad {
        record_aside(&transaction, *number, now)?;
    }
    if !bad.is_empty() {
        told.push(format!(
            "records whose checksum does not fit are set aside in the table damaged: {}",
            list(&bad)
        ));
    }
    let last = row::last(&transaction)?.map_or(0, |l| l.number);
    let highest = register::highest_number(&transaction)?;
    let mut holes = holes;
    // What was trimmed is no hole.
    let trimmed: i64 =
        transaction.query_row("SELECT ifnull(max(through), 0) FROM trimmed", [], |r| r.get(0))?;
    holes.retain_mut(|(first, last)| {
        *first = (*first).max(trimmed.cast_unsigned() + 1);
        first <= last
    });
    if highest > last {
        holes.push((last + 1, highest));
    }
    let mut new = new_holes(&transaction, &holes, now)?;
    // What was just set aside has been told.
    new.retain(|&(first, last)| {
        last - first >= bad.len() as u64 || (first..=last).any(|n| !bad.contains(&n.cast_signed()))
    });
    if let Some(&(first, to)) = new.first() {
        let more = if new.len() > 1 {
            format!(" and {} more ranges", new.len() - 1)
        } else {
            String::new()
        };
        told.push(format!("log numbers are missing: {}{more}", range(first, to)));
    }
    blocks(&transaction, from == 0, now, &mut told)?;
    ahead(&transaction, last, &mut told)?;
    names(&transaction, &mut told)?;
    transaction.commit()?;
    Ok(told)
}

/// The parts of `holes` that were not told before, each kept so that it is told once.
fn new_holes(
    connection: &Connection,
    holes: &[(u64, u64)],
    now: Time,
) -> rusqlite::Result<Vec<(u64, u64)>> {
    let mut new = Vec::new();
    for &(first, last) in holes {
        let known: bool = connection.query_row(
            "SELECT EXISTS (SELECT 1 FROM hole WHERE first <= ?1 AND last >= ?2)",
            [first.cast_signed(), last.cast_signed()],
            |r| r.get(0),
        )?;
        if !known {
            connection.execute(
                "INSERT OR REPLACE INTO hole (first, last, found) VALUES (?1, ?2, ?3)",
                [first.cast_signed(), last.cast_signed(), now.0],
            )?;
            new.push((first, last));
        }
    }
    Ok(new)
}

/// Cursors and state that speak of records which are not there.
fn ahead(connection: &Connection, last: u64, told: &mut Vec<String>) -> rusqlite::Result<()> {
    // Each is told once: after the next record nothing is ahead any more.
    let cursors: Vec<(String, i64)> = connection
        .prepare("SELECT forwarder, delivered FROM cursor WHERE delivered > ?1")?
        .query_map([last.cast_signed()], |r| Ok((r.get(0)?, r.get(1)?)))?
        .collect::<Result<_, _>>()?;
    for (forwarder, delivered) in cursors {
        told.push(format!(
            "the cursor of {forwarder} stands at {delivered}, ahead of the log, which ends at {last}; new records are numbered behind it"
        ));
    }
    let dropped =
        connection.execute("DELETE FROM state WHERE number > ?1", [last.cast_signed()])?;
    if dropped > 0 {
        told.push(format!(
            "{dropped} state parts are ahead of the log, which ends at {last}; they are made anew"
        ));
    }
    let saved: i64 = connection.query_row("SELECT count(*) FROM state", [], |r| r.get(0))?;
    let good = state::load(connection)?.len();
    if usize::try_from(saved).is_ok_and(|saved| saved > good) {
        let bad = usize::try_from(saved).unwrap_or(good) - good;
        told.push(format!("{bad} state parts do not fit their checksums; they are made anew"));
        let names: Vec<String> =
            state::load(connection)?.into_iter().map(|s| s.part.name).collect();
        let kept: Vec<String> = connection
            .prepare("SELECT CAST(name AS TEXT) FROM state")?
            .query_map([], |r| r.get(0))?
            .collect::<Result<_, _>>()?;
        for name in kept.into_iter().filter(|n| !names.contains(n)) {
            connection.execute("DELETE FROM state WHERE name = ?1", [name])?;
        }
    }
    Ok(())
}

/// The tables of names, and the property's UUID, must say what the log says.
fn names(connection: &Connection, told: &mut Vec<String>) -> rusqlite::Result<()> {
    if register::give_back(connection)? {
        told.push("names that the log had lost are taken from the tables of names".into());
    }
    let (known, uuid) = row::known(connection)?;
    if known.is_empty() && row::is_in_use(connection)? {
        told.push(
            "all names are lost: what was kept so far stays, but nobody can know of which instrument it is"
                .into(),
        );
    }
    if let Some(uuid) = uuid {
        let kept: Vec<String> = connection
            .prepare("SELECT CAST(uuid AS TEXT) FROM property")?
            .query_map([], |r| r.get(0))?
            .collect::<Result<_, _>>()?;
        if kept != [uuid.clone()] {
            connection.execute("DELETE FROM property", [])?;
            connection.execute(
                "INSERT INTO property (uuid, version) VALUES (?1, ?2)",
                (uuid, crate::schema::VERSION),
            )?;
            told.push("the property's identifier is taken from the log".into());
        }
    }
    if !register::agrees(connection, &known)? {
        for table in ["station", "channel", "series", "source"] {
            connection.execute(&format!("DELETE FROM {table}"), [])?;
        }
        register::insert(connection, &known)?;
        told.push("the tables of names are made anew from the log".into());
    }
    Ok(())
}
