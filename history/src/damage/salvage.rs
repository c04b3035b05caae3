//! Saving what is readable.

use super::cells::{Found, Pages, rows_in};
use super::files::Files;
use super::wal;
use crate::block::Block;
use crate::fault::OpenError;
use crate::names::Names;
use crate::open::DATABASE;
use crate::record::{NEAR, Packer, Row, decode_batch, kind};
use crate::row::{COLUMNS, body_of, row_of};
use crate::sealed::put as put_block;
use crate::weeks::untangle;
use crate::{connect, register, row};
use observation::Property;
use rusqlite::types::Value;
use rusqlite::{Connection, ErrorCode, params, params_from_iter};
use std::collections::HashMap;
use std::fs::File;
use std::os::unix::fs::FileExt;
use std::path::Path;

/// Tables that stand beside the log and are carried over as they are; but for blocks, of
/// which there may be more than memory holds.
const CARRIED: [&str; 19] = [
    "property",
    "station",
    "channel",
    "series",
    "source",
    "token",
    "suffix",
    "cursor",
    "gap",
    "dead_letter",
    "set_aside",
    "sensor",
    "placement",
    "state",
    "damaged",
    "hole",
    "sealed",
    "trimmed",
    "damaged_block",
];

/// Rows of a table.
type Rows = Vec<Vec<Value>>;

/// What SQLite could still read of the tables beside the log.
#[derive(Debug)]
pub(crate) struct Carried {
    tables: Vec<(&'static str, Rows)>,
    /// Tables that were not readable to their end.
    cut: Vec<&'static str>,
}

impl Carried {
    /// When SQLite cannot open the file at all.
    pub(crate) fn nothing() -> Self {
        Self { tables: Vec::new(), cut: CARRIED.to_vec() }
    }

    pub(crate) fn read(connection: &Connection) -> Self {
        let mut carried = Self { tables: Vec::new(), cut: Vec::new() };
        for table in CARRIED {
            let mut rows = Vec::new();
            if Self::table(connection, table, &mut rows).is_err() {
                carried.cut.push(table);
            }
            carried.tables.push((table, rows));
        }
        carried
    }

    fn table(connection: &Connection, table: &str, kept: &mut Rows) -> rusqlite::Result<()> {
        let mut statement = connection.prepare(&format!("SELECT * FROM {table}"))?;
        let columns = statement.column_count();
        let mut rows = statement.query([])?;
        while let Some(row) = rows.next()? {
            kept.push((0..columns).map(|c| row.get(c)).collect::<Result<_, _>>()?);
        }
        Ok(())
    }

    fn write(self, connection: &Connection) -> rusqlite::Result<()> {
        for (table, rows) in self.tables {
            let columns = columns_of(connection, table)?;
            for row in rows {
                put(connection, table, &columns, row)?;
            }
        }
        Ok(())
    }
}

fn columns_of(connection: &Connection, table: &str) -> rusqlite::Result<Vec<String>> {
    connection
        .prepare("SELECT name FROM pragma_table_info(?1) ORDER BY cid")?
        .query_map([table], |r| r.get(0))?
        .collect()
}

/// A row that the table refuses is damaged; it stays in the file set aside.
fn put(
    connection: &Connection,
    table: &str,
    columns: &[String],
    row: Vec<Value>,
) -> rusqlite::Result<()> {
    let marks = vec!["?"; row.len()].join(", ");
    // A table of an earlier version lacks the last columns.
    let columns = columns.get(..row.len()).unwrap_or(columns).join(", ");
    let sql = format!("INSERT OR IGNORE INTO {table} ({columns}) VALUES ({marks})");
    match connection.prepare_cached(&sql).and_then(|mut s| s.execute(params_from_iter(row))) {
        Err(e)
            if matches!(
                e.sqlite_error_code(),
                Some(ErrorCode::DiskFull | ErrorCode::SystemIoFailure)
            ) =>
        {
            Err(e)
        }
        _ => Ok(()),
    }
}

/// Copies the blocks that the old database gives; whether it gave all.
fn carry_blocks(old: Option<&Connection>, connection: &Connection) -> rusqlite::Result<bool> {
    let Some(old) = old else { return Ok(false) };
    let Ok(mut statement) = old.prepare("SELECT * FROM block") else { return Ok(false) };
    let count = statement.column_count();
    let columns = columns_of(connection, "block")?;
    let Ok(mut rows) = statement.query([]) else { return Ok(false) };
    loop {
        match rows.next() {
            Ok(Some(row)) => {
                let row: Result<_, _> = (0..count).map(|c| row.get(c)).collect();
                let Ok(row) = row else { return Ok(false) };
                put(connection, "block", &columns, row)?;
            }
            Ok(None) => return Ok(true),
            Err(_) => return Ok(false),
        }
    }
}

/// Puts in a block found in a page, unless a later one of its station and day is there. Of
/// a Monday and its week, equally late, the week is more.
fn keep_block(connection: &Connection, block: &Block, body: &[u8]) -> rusqlite::Result<bool> {
    let later: bool = connection
        .prepare_cached(
            "SELECT NOT EXISTS
             (SELECT 1 FROM block WHERE number = ?1 AND (highest, week) >= (?2, ?3))",
        )?
        .query_row(
            params![Block::row(block.station, block.day), block.highest.cast_signed(), block.week],
            |r| r.get(0),
        )?;
    if later {
        put_block(connection, block, body)?;
    }
    Ok(later)
}

/// The pages of a database file and of the log beside it.
struct Store {
    file: Option<File>,
    size: usize,
    frames: Vec<(u32, Vec<u8>)>,
    newest: HashMap<u32, usize>,
}

impl Store {
    fn open(database: &Path, log: &Path) -> std::io::Result<Self> {
        let file = match File::open(database) {
            Ok(file) => Some(file),
            Err(e) if e.kind() == std::io::ErrorKind::NotFound => None,
            Err(e) => return Err(e),
        };
        // All our files have this page size; a damaged head would tell another.
        let size = 4_096;
        let frames = wal::frames(log, size)?;
        let newest = frames.iter().enumerate().map(|(i, (number, _))| (*number, i)).collect();
        Ok(Self { file, size, frames, newest })
    }

    fn in_file(&self, number: u32) -> Option<Vec<u8>> {
        let mut page = vec![0; self.size];
        let place = u64::from(number.checked_sub(1)?) * self.size as u64;
        self.file.as_ref()?.read_exact_at(&mut page, place).ok()?;
        Some(page)
    }

    fn each(&self, found: &mut dyn FnMut(Found)) {
        let pages = (1..).map_while(|number| self.in_file(number));
        for page in pages {
            rows_in(&page, self, found);
        }
        for (_, page) in &self.frames {
            rows_in(page, self, found);
        }
    }
}

impl Pages for Store {
    fn page(&self, number: u32, choice: usize) -> Option<Vec<u8>> {
        let frame =
            || self.newest.get(&number).and_then(|i| self.frames.get(*i)).map(|(_, p)| p.clone());
        if choice == 0 {
            frame().or_else(|| self.in_file(number))
        } else {
            self.in_file(number).or_else(frame)
        }
    }
}

fn keep(connection: &Connection, row: &Row, body: &[u8]) -> rusqlite::Result<bool> {
    let there: bool = connection
        .prepare_cached("SELECT EXISTS (SELECT 1 FROM log WHERE number = ?1)")?
        .query_row([row.number.cast_signed()], |r| r.get(0))?;
    if !there {
        row::insert(connection, row, body, &[])?;
    }
    Ok(!there)
}

/// Makes the rows that name late days anew for the records from `from` on.
fn note_late(connection: &Connection, from: u64) -> rusqlite::Result<()> {
    let (known, _) = row::known(connection)?;
    let names = Names::new(&Property::default(), &[], &[], &known);
    let mut packer = Packer::default();
    let mut statement = connection.prepare(&format!(
        "SELECT {COLUMNS} FROM log WHERE number >= ?1 AND kind = 1
         AND (first < received - ?2 OR last > received + ?2)"
    ))?;
    let mut rows = statement.query([from.cast_signed(), NEAR])?;
    while let Some(found) = rows.next()? {
        let row = row_of(found)?;
        if let Ok((messages, readings)) = decode_batch(&row, body_of(found)?, &names)
            && packer.batch(&names, row.received, &messages, &readings).is_ok()
        {
            for day in &packer.reach.late_days {
                connection.execute(
                    "INSERT OR IGNORE INTO late (day, number) VALUES (?1, ?2)",
                    [*day, row.number.cast_signed()],
                )?;
            }
        }
    }
    Ok(())
}

/// Writes the tables of names as the log tells them.
fn name_tables(connection: &Connection) -> rusqlite::Result<()> {
    let (known, _) = row::known(connection)?;
    register::insert(connection, &known)
}

/// Takes from a write-ahead log that was set aside the records that SQLite did not: those
/// behind the last it knows. How many there were.
pub(crate) fn take_from_frames(
    connection: &mut Connection,
    database: &Path,
    log: &Path,
) -> Result<u64, OpenError> {
    let failed = |e: rusqlite::Error| OpenError::of(DATABASE, &e);
    let store = Store::open(database, log).map_err(|e| OpenError::of_system(log, &e))?;
    let last = row::last(connection).map_err(failed)?.map_or(0, |l| l.number);
    let mut taken = Vec::new();
    for (_, page) in &store.frames {
        rows_in(page, &store, &mut |found| match found {
            Found::Record(row, body) if row.number > last => taken.push((row, body)),
            _ => {}
        });
    }
    let transaction = connection.transaction().map_err(failed)?;
    let mut count = 0;
    for (row, body) in &taken {
        count += u64::from(keep(&transaction, row, body).map_err(failed)?);
    }
    note_late(&transaction, last + 1).map_err(failed)?;
    if taken.iter().any(|(row, _)| row.kind == kind::NAMES) {
        name_tables(&transaction).map_err(failed)?;
    }
    transaction.commit().map_err(failed)?;
    Ok(count)
}

/// Begins a new database with all records found in the damaged files, and what was
/// carried over; `old` gives the blocks as far as SQLite reads them, and the pages give the
/// others. The line to tell.
pub(crate) fn rebuild(
    connection: &mut Connection,
    damaged: &Files,
    carried: Carried,
    old: Option<&Connection>,
) -> Result<String, OpenError> {
    let failed = |e: rusqlite::Error| OpenError::of(DATABASE, &e);
    let store = Store::open(&damaged.database, &damaged.wal())
        .map_err(|e| OpenError::of_system(&damaged.database, &e))?;
    let mut cut = carried.cut.clone();
    connect::create(connection, "").map_err(failed)?;
    let transaction = connection.transaction().map_err(failed)?;
    let whole = carry_blocks(old, &transaction).map_err(failed)?;
    let (mut count, mut blocks) = (0_u64, 0_u64);
    let mut fault = None;
    store.each(&mut |found| {
        let kept = match &found {
            Found::Record(row, body) => {
                keep(&transaction, row, body).map(|new| count += u64::from(new))
            }
            Found::Block(..) if whole => Ok(()),
            Found::Block(block, body) => {
                keep_block(&transaction, block, body).map(|new| blocks += u64::from(new))
            }
        };
        if let Err(e) = kept {
            fault = fault.take().or(Some(e));
        }
    });
    if let Some(fault) = fault {
        return Err(failed(fault));
    }
    transaction.execute("DELETE FROM property", []).map_err(failed)?;
    carried.write(&transaction).map_err(failed)?;
    // Its row may be of an earlier version.
    transaction
        .execute("UPDATE property SET version = ?1", [crate::schema::VERSION])
        .map_err(failed)?;
    if !whole {
        cut.push("block");
        // Without a block its day is read of the log and sealed again.
        transaction.execute("UPDATE sealed SET through = 0", []).map_err(failed)?;
    }
    if !whole {
        // Free pages hold days that a week took in, and weeks that were parted.
        untangle(&transaction)?;
    }
    // Days that only blocks tell of are looked for where this table says.
    transaction
        .execute(
            "WITH RECURSIVE place (n) AS (VALUES (0) UNION ALL SELECT n + 1 FROM place WHERE n < 6)
             INSERT OR IGNORE INTO sealed (day, through)
             SELECT DISTINCT day + n, 0 FROM block JOIN place WHERE n = 0 OR week",
            [],
        )
        .map_err(failed)?;
    // Pages that are free still hold records that were trimmed.
    transaction
        .execute(
            "DELETE FROM log WHERE kind = 1 AND number <= (SELECT max(through) FROM trimmed)",
            [],
        )
        .map_err(failed)?;
    let given_back = register::give_back(&transaction).map_err(failed)?;
    name_tables(&transaction).map_err(failed)?;
    note_late(&transaction, 0).map_err(failed)?;
    let named: bool = transaction
        .query_row("SELECT EXISTS (SELECT 1 FROM property)", [], |r| r.get(0))
        .map_err(failed)?;
    if !named {
        // The log's, if it tells one, takes its place at once.
        let uuid = uuid::Uuid::new_v4().to_string();
        transaction
            .execute(
                "INSERT INTO property (uuid, version) VALUES (?1, ?2)",
                (uuid, crate::schema::VERSION),
            )
            .map_err(failed)?;
    }
    transaction.commit().map_err(failed)?;
    let more =
        if blocks > 0 { format!(", {blocks} blocks found in its pages") } else { String::new() };
    let lost = if cut.is_empty() {
        String::new()
    } else {
        format!("; not readable to their end: {}", cut.join(", "))
    };
    let names = if given_back { "; names are taken from its tables" } else { "" };
    Ok(format!("a new one was begun with the {count} records found in it{more}{names}{lost}"))
}
