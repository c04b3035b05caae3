//! Reading. A [`Look`] answers questions over one connection: the writer's own, or a
//! [`Reader`]'s. Every question reads a bounded part and holds no read transaction
//! longer than one statement, so that no reader can keep the write-ahead log from
//! shrinking.

use crate::entry::{Head, Record};
use crate::fault::ReadError;
use crate::names::Names;
use crate::standing::{Aside, Cursor, DeadLetter, Token};
use observation::{ChannelIndex, Message, Property, Quantity, Reading, Refusal, Series, SeriesIndex, Stated, StationIndex, Time, Value};
use rusqlite::Connection;
use std::path::Path;
use std::sync::Arc;

/// A sample as the log holds it.
#[derive(Clone, Debug, PartialEq)]
pub struct Held {
    /// The log number of its record.
    pub number: u64,
    /// When it was received.
    pub received: Time,
    /// Its event time: the stated one, or that of its arrival.
    pub time: Time,
    /// What its sender said about the time.
    pub stated: Stated,
    /// The sender's run.
    pub boot: Option<Arc<str>>,
    /// The sender's number.
    pub sequence: Option<u64>,
    /// Whether it came early in a session.
    pub early: bool,
    /// Its channel.
    pub channel: ChannelIndex,
    /// The raw value.
    pub value: Value,
}

/// Which readings are asked for. Ordered output: by time, then series index.
#[derive(Clone, Debug)]
pub struct Selection {
    /// Only this station's.
    pub station: Option<String>,
    /// Only this instrument's.
    pub instrument: Option<String>,
    /// Only this quantity's.
    pub quantity: Option<Quantity>,
    /// Only these series; empty for all.
    pub series: Vec<SeriesIndex>,
    /// From when, included.
    pub from: Time,
    /// Until when, excluded.
    pub to: Time,
}

impl Selection {
    /// All readings in `[from, to)`.
    pub fn between(from: Time, to: Time) -> Self {
        Self { station: None, instrument: None, quantity: None, series: Vec::new(), from, to }
    }
}

/// A reading and the record it stands in.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Kept {
    /// Log number of the record.
    pub number: u64,
    /// Place among the record's readings.
    pub place: u32,
    /// The reading.
    pub reading: Reading,
}

/// A part of an answer.
#[derive(Clone, Debug, Default)]
pub struct Part {
    /// The readings.
    pub readings: Vec<Kept>,
    /// Set if the limit cut the answer: ask again with `after` set to it.
    pub next: Option<(Time, SeriesIndex)>,
}

/// Read access from another thread or another process.
#[derive(Debug)]
pub struct Reader {
    connection: Connection,
    names: Arc<Names>,
}

impl Reader {
    /// Opens the history of a directory for reading only, beside whoever writes it.
    ///
    /// # Errors
    /// No history there, or one that cannot be read.
    pub fn open(
        directory: &Path,
        property: &Property,
        series: &[Series],
        sources: &[String],
    ) -> Result<Self, ReadError> {
        let _ = (directory, property, series, sources);
        Err(ReadError("not built yet".into()))
    }

    /// The names behind the indices in all answers.
    pub fn names(&self) -> &Arc<Names> {
        &self.names
    }

    /// Looks through this connection.
    pub fn look(&self) -> Look<'_> {
        Look { connection: &self.connection, names: &self.names }
    }
}

/// Questions to the history.
#[derive(Clone, Copy, Debug)]
pub struct Look<'a> {
    pub(crate) connection: &'a Connection,
    pub(crate) names: &'a Names,
}

/// Records in the order of the log, a bounded number held at a time.
#[derive(Debug)]
pub struct Records<'a> {
    look: Look<'a>,
    next: u64,
}

impl Iterator for Records<'_> {
    type Item = Result<Record, ReadError>;
    fn next(&mut self) -> Option<Self::Item> {
        let _ = (self.look, self.next);
        None
    }
}

impl<'a> Look<'a> {
    /// The names behind the indices in all answers.
    pub fn names(&self) -> &'a Names {
        self.names
    }

    /// The head of the first record.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub fn first(&self) -> Result<Option<Head>, ReadError> {
        Ok(None)
    }

    /// The head of the last record.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub fn last(&self) -> Result<Option<Head>, ReadError> {
        Ok(None)
    }

    /// The records from a number on, to the end of the log as it stands when it is
    /// reached. A record that cannot be decoded is an error in its place; the next
    /// call goes on behind it.
    pub fn records(&self, from: u64) -> Records<'a> {
        Records { look: *self, next: from }
    }

    /// The lowest number from which on every record was received at or after `time`;
    /// one more than the last if there is none.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub fn number_at(&self, time: Time) -> Result<u64, ReadError> {
        let _ = time;
        Ok(0)
    }

    /// The highest revisions of the selected readings, ordered by time and series, at
    /// most `limit`, behind `after` if given.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub fn readings(
        &self,
        selection: &Selection,
        after: Option<(Time, SeriesIndex)>,
        limit: usize,
    ) -> Result<Part, ReadError> {
        let _ = (selection, after, limit);
        Ok(Part::default())
    }

    /// Every revision of the selected readings in the order of the log.
    ///
    /// # Errors
    /// When the database cannot be read, or what `each` returns.
    pub fn all_revisions(
        &self,
        selection: &Selection,
        each: &mut dyn FnMut(Kept) -> Result<(), ReadError>,
    ) -> Result<(), ReadError> {
        let _ = (selection, each);
        Ok(())
    }

    /// The highest revision of one reading.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub fn reading(&self, series: SeriesIndex, time: Time) -> Result<Option<Reading>, ReadError> {
        let _ = (series, time);
        Ok(None)
    }

    /// The messages of one station in one record.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub fn messages(&self, number: u64, station: StationIndex) -> Result<Vec<Message>, ReadError> {
        let _ = (number, station);
        Ok(Vec::new())
    }

    /// The samples of one station in one record, in order.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub fn record(&self, number: u64, station: StationIndex) -> Result<Vec<Held>, ReadError> {
        let _ = (number, station);
        Ok(Vec::new())
    }

    /// The samples of one station whose event time lies in the UTC day, in log order.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub fn day(&self, station: StationIndex, utc_day: i64) -> Result<Vec<Held>, ReadError> {
        let _ = (station, utc_day);
        Ok(Vec::new())
    }

    /// The samples of one channel with event time in `[from, to]`, ordered by event
    /// time, then log order; with the last before `from` and the first after `to`,
    /// looked for within a day, where there are such.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub fn samples(&self, channel: ChannelIndex, from: Time, to: Time) -> Result<Vec<Held>, ReadError> {
        let _ = (channel, from, to);
        Ok(Vec::new())
    }

    /// How many messages are set aside and not brought in since, by station and reason.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub fn set_aside_counts(&self) -> Result<Vec<(String, Refusal, u64)>, ReadError> {
        Ok(Vec::new())
    }

    /// What is set aside of a station (of all stations if none) and not brought in
    /// since, in order, behind the id `after`, at most `limit`.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub fn set_aside(&self, station: Option<&str>, after: i64, limit: usize) -> Result<Vec<Aside>, ReadError> {
        let _ = (station, after, limit);
        Ok(Vec::new())
    }

    /// All tokens, revoked ones included.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub fn tokens(&self) -> Result<Vec<Token>, ReadError> {
        Ok(Vec::new())
    }

    /// How far a forwarder has come; none if it has never begun.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub fn cursor(&self, forwarder: &str) -> Result<Option<Cursor>, ReadError> {
        let _ = forwarder;
        Ok(None)
    }

    /// The newest dead letters of a forwarder, at most `limit`, and how many there are.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub fn dead_letters(&self, forwarder: &str, limit: usize) -> Result<(Vec<DeadLetter>, u64), ReadError> {
        let _ = (forwarder, limit);
        Ok((Vec::new(), 0))
    }
}
