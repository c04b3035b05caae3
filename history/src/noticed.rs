//! Damage that somebody met while reading: what was hit is left out of the answer, noted
//! here, and set aside by the writer when it comes to it. Of a large history only the
//! newest part is checked at the start; the rest is met when it is asked for, or by
//! `isobarn check --history`.

use crate::block::Block;
use crate::damage::{block_aside, record_aside};
use crate::fault::{ReadError, WriteError};
use crate::look::Reader;
use crate::row::{COLUMNS, body_of, row_of};
use crate::sealed::{BLOCK_COLUMNS, days_of, is_sound};
use crate::transaction::transact;
use crate::weeks::monday;
use crate::writer::History;
use observation::Time;
use observation::time::DAY;
use rusqlite::OptionalExtension as _;
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;
use std::sync::atomic::{AtomicBool, Ordering::Relaxed};
use std::sync::{Mutex, MutexGuard, PoisonError};

/// Most of each kind that are noted; what is beyond is met again.
const MOST: usize = 1_000;
/// The file that asks the next start to look through everything.
const SUSPECT: &str = "history.suspect";

/// What was met.
#[derive(Debug, Default)]
pub struct Noticed {
    any: AtomicBool,
    held: Mutex<Held>,
}

#[derive(Debug, Default)]
struct Held {
    /// Row numbers of blocks, with the last day of which each may tell.
    blocks: BTreeMap<i64, i64>,
    /// Log numbers of records.
    records: BTreeSet<u64>,
}

impl Noticed {
    fn held(&self) -> MutexGuard<'_, Held> {
        self.held.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// A block, by its row number, and the last day of which it may tell.
    pub(crate) fn block(&self, number: i64, last: i64) {
        let mut held = self.held();
        if held.blocks.len() < MOST {
            held.blocks.insert(number, last);
        }
        self.any.store(true, Relaxed);
    }

    /// A record, by its log number.
    pub(crate) fn record(&self, number: u64) {
        let mut held = self.held();
        if held.records.len() < MOST {
            held.records.insert(number);
        }
        self.any.store(true, Relaxed);
    }

    /// Whether anything was.
    pub fn any(&self) -> bool {
        self.any.load(Relaxed)
    }

    fn take(&self) -> Held {
        let mut held = self.held();
        self.any.store(false, Relaxed);
        std::mem::take(&mut held)
    }
}

/// The UTC day of a block, as its row number tells it.
pub(crate) const fn day_of(number: i64) -> i64 {
    (number & 0xffff_ffff) - (1 << 31)
}

/// A UTC day as people write it.
pub(crate) fn date(day: i64) -> String {
    Time(day.saturating_mul(DAY)).to_string().chars().take(10).collect()
}

impl Reader {
    /// What was damaged of that which was asked so far, a line each: it is not in the
    /// answers, but for what the log still tells of such a day.
    pub fn damage_met(&self) -> Vec<String> {
        let held = self.noticed().held();
        let blocks = held.blocks.iter().map(|(&number, &last)| {
            let station = u32::try_from(number >> 32).ok();
            let station = station.and_then(|n| self.names().station_at(n));
            let id = station.and_then(|s| self.names().station(s)).unwrap_or("?");
            let first = day_of(number);
            let to = if last > first { format!(" to {}", date(last)) } else { String::new() };
            format!("the block of {id}, {}{to}, is damaged and left out", date(first))
        });
        let records = held.records.iter().map(|n| format!("record {n} is damaged and left out"));
        blocks.chain(records).collect()
    }
}

impl History {
    /// Asks the next start to look through everything, because something was damaged in a
    /// way that only a start can mend.
    pub fn suspect(&self) {
        self.frames.suspect();
    }

    /// Why something is not written that rests on what cannot be read.
    pub(crate) fn unread(&self, error: ReadError) -> WriteError {
        if error.is_damage() {
            self.suspect();
            WriteError::Damaged(error.0)
        } else {
            WriteError::Failed(error.0)
        }
    }

    /// Sets aside what was noted as damaged, after a look whether it is; days whose blocks
    /// go are read of the log again, and sealed anew. A line for each kind.
    ///
    /// # Errors
    /// See [`WriteError`]; what was noted is then met again.
    pub fn set_noticed_aside(&mut self) -> Result<Vec<String>, WriteError> {
        let mut told = std::mem::take(&mut self.told);
        if !self.noticed.any() {
            return Ok(told);
        }
        let Held { blocks, records } = self.noticed.take();
        let now = self.last.map_or(Time(0), |l| l.received);
        let connection = &self.connection;
        let mut bad_blocks = Vec::new();
        for number in blocks.into_keys() {
            let found = connection
                .prepare_cached(&format!(
                    "SELECT {BLOCK_COLUMNS}, number FROM block WHERE number = ?1"
                ))?
                .query_row([number], |row| Ok((is_sound(row), days_of(row)?)))
                .optional()?;
            if let Some((false, days)) = found {
                bad_blocks.push((number, days));
            }
        }
        let mut bad_records = Vec::new();
        for number in records {
            let sound: Option<bool> = connection
                .prepare_cached(&format!("SELECT {COLUMNS} FROM log WHERE number = ?1"))?
                .query_row([number.cast_signed()], |found| {
                    Ok(row_of(found)
                        .is_ok_and(|row| body_of(found).is_ok_and(|body| row.open(body).is_ok())))
                })
                .optional()?;
            if sound == Some(false) {
                bad_records.push(number.cast_signed());
            }
        }
        transact(&mut self.connection, &mut self.frames, &|c| {
            for (number, days) in &bad_blocks {
                block_aside(c, *number, days, now)?;
            }
            for &number in &bad_records {
                record_aside(c, number, now)?;
            }
            Ok(())
        })?;
        if !bad_blocks.is_empty() {
            let days: BTreeSet<String> =
                bad_blocks.iter().flat_map(|(_, days)| days.clone().map(date)).collect();
            let days: Vec<String> = days.into_iter().take(8).collect();
            told.push(format!(
                "{} damaged blocks were met and are set aside in the table damaged_block: {}",
                bad_blocks.len(),
                days.join(", ")
            ));
        }
        if !bad_records.is_empty() {
            told.push(format!(
                "{} damaged records were met and are set aside in the table damaged, the first is {}",
                bad_records.len(),
                bad_records.first().copied().unwrap_or(0)
            ));
        }
        Ok(told)
    }
}

/// Asks the next start to look through the whole history of a directory, however large.
///
/// # Errors
/// When the file that says so cannot be made.
pub fn suspect(directory: &Path) -> std::io::Result<()> {
    let path = directory.join(SUSPECT);
    let text = "The next start of the service looks through the whole history.\n";
    std::fs::write(path, text)
}

/// Whether that was asked.
pub(crate) fn is_suspect(directory: &Path) -> bool {
    directory.join(SUSPECT).exists()
}

/// It was looked through.
pub(crate) fn is_looked_through(directory: &Path) {
    // Where it cannot be removed the next start looks once more.
    let _ = std::fs::remove_file(directory.join(SUSPECT));
}

/// Whether a block's row number is that of its station and day, a Monday for a week.
pub(crate) fn in_its_place(number: i64, block: &Block) -> bool {
    Block::row(block.station, block.day) == number
        && (!block.week || monday(block.day) == block.day)
}
