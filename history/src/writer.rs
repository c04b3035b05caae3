//! The one writer. It alone changes anything, from one thread; each change is one
//! transaction, whole or absent, and synced before its caller hears of it.

use crate::aside_bounds::{AsideHeld, AsideUse};
use crate::ballast::Ballast;
use crate::carriers::Carriers;
use crate::entry::{Batch, Committed, Entry, Head, SavedPart, SetAside, StatePart};
use crate::fault::{OpenError, ReadError, WriteError};
use crate::frames::Frames;
use crate::lock::Lock;
use crate::look::{Look, Reader};
use crate::names::{Known, LOST, Names};
use crate::noticed::Noticed;
use crate::passing::{self, Progress};
use crate::record::{Packer, Row, Unnamed, encode_names, encode_rare, kind};
use crate::transaction::transact;
use crate::{connect, register, row, state};
use observation::{Diagnosis, Property, Series, Time};
use rusqlite::{Connection, params};
use std::cell::RefCell;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Instant;

/// The writer: the one read-write connection, used from one thread.
#[derive(Debug)]
pub struct History {
    // Closed before the lock is let go.
    pub(crate) connection: Connection,
    pub(crate) frames: Frames,
    pub(crate) ballast: Option<Ballast>,
    pub(crate) path: Option<PathBuf>,
    pub(crate) names: Arc<Names>,
    pub(crate) known: Known,
    pub(crate) uuid: String,
    pub(crate) last: Option<Head>,
    pub(crate) next: u64,
    pub(crate) aside_limits: [AsideUse; 2],
    /// Counted when something is set aside for the first time.
    aside: Option<AsideHeld>,
    carriers: Arc<Carriers>,
    pub(crate) noticed: Arc<Noticed>,
    packer: Packer,
    rare: Vec<u8>,
    /// Repairs that nobody was told of yet.
    pub(crate) told: Vec<String>,
    _lock: Option<Lock>,
}

/// Station, reason and packed message.
pub(crate) type PackedAside = (String, &'static str, Vec<u8>);

impl From<Unnamed> for WriteError {
    fn from(unnamed: Unnamed) -> Self {
        Self::Failed(unnamed.to_string())
    }
}

/// The record of what was said of instruments, behind the batch of this head.
fn said(
    names: &Names,
    head: &Head,
    walked: Time,
    diagnoses: &[Diagnosis],
) -> Result<Option<(Row, Vec<u8>)>, Unnamed> {
    if diagnoses.is_empty() {
        return Ok(None);
    }
    let mut body = Vec::new();
    encode_rare(&mut body, names, &Entry::Diagnoses(diagnoses.to_vec()))?;
    let row = Row {
        number: head.number + 1,
        kind: kind::DIAGNOSES,
        received: head.received,
        walked,
        first: None,
        last: None,
    };
    row.seal(&mut body);
    Ok(Some((row, body)))
}

impl History {
    pub(crate) fn new(mut connection: Connection, path: Option<PathBuf>) -> rusqlite::Result<Self> {
        let frames = Frames::watch(&mut connection, path.as_deref())?;
        let (mut known, told) = row::known(&connection)?;
        if known.is_empty() && row::is_in_use(&connection)? {
            known.floor = LOST;
        }
        let uuid = match connection.query_row("SELECT uuid FROM property", [], |r| r.get(0)) {
            Ok(uuid) => uuid,
            Err(rusqlite::Error::QueryReturnedNoRows) => told.unwrap_or_default(),
            Err(e) => return Err(e),
        };
        let last = row::last(&connection)?;
        let next = register::highest_number(&connection)? + 1;
        let names = Arc::new(Names::new(&Property::default(), &[], &[], &known));
        let carriers = Carriers::of(&connection, last.map_or(0, |l| l.number))?;
        Ok(Self {
            carriers: Arc::new(carriers),
            noticed: Arc::default(),
            connection,
            frames,
            ballast: None,
            path,
            names,
            known,
            uuid,
            last,
            next,
            aside_limits: [AsideUse::OF_A_STATION, AsideUse::OF_ALL],
            aside: None,
            packer: Packer::default(),
            rare: Vec::new(),
            told: Vec::new(),
            _lock: None,
        })
    }

    /// Holds the lock and the ballast of its directory from now on.
    #[allow(clippy::used_underscore_binding)] // Held for its end alone.
    pub(crate) fn hold(&mut self, ballast: Ballast, lock: Lock) {
        self.ballast = Some(ballast);
        self._lock = Some(lock);
    }

    /// A history that nobody else sees and that is gone when it is dropped or the
    /// process ends; nothing in it is synced.
    ///
    /// # Errors
    /// When SQLite cannot make it.
    pub fn temporary() -> Result<Self, OpenError> {
        let failed = |e: rusqlite::Error| OpenError::Failed(e.to_string());
        let mut connection = connect::temporary().map_err(failed)?;
        connect::create(&mut connection, &uuid::Uuid::new_v4().to_string()).map_err(failed)?;
        Self::new(connection, None).map_err(failed)
    }

    /// The property's UUID, made once.
    pub fn property_id(&self) -> &str {
        &self.uuid
    }

    /// Gives this run's stations, channels, series and sources their stable numbers.
    /// Call it before anything else, and again after the settings changed; indices in
    /// later calls are those of the last one. New names take one log number.
    ///
    /// # Errors
    /// When new names cannot be written.
    pub fn register(
        &mut self,
        received: Time,
        property: &Property,
        series: &[Series],
        sources: &[String],
    ) -> Result<Arc<Names>, WriteError> {
        let mut names = Names::new(property, series, sources, &self.known);
        let fresh = names.fresh(&self.known);
        if !fresh.is_empty() || self.last.is_none() {
            encode_names(&mut self.rare, &self.uuid, &fresh);
            let head = self.head(received, None);
            let row = Row {
                number: head.number,
                kind: kind::NAMES,
                received: head.received,
                walked: head.walked,
                first: None,
                last: None,
            };
            row.seal(&mut self.rare);
            transact(&mut self.connection, &mut self.frames, &|c| {
                row::insert(c, &row, &self.rare, &[])?;
                register::insert(c, &fresh)
            })?;
            self.done(head);
            self.known.extend(fresh);
            names = Names::new(property, series, sources, &self.known);
        }
        if register::has_new_sensors(&self.connection, property)? {
            transact(&mut self.connection, &mut self.frames, &|c| {
                register::insert_sensors(c, property)
            })?;
        }
        self.names = Arc::new(names);
        Ok(Arc::clone(&self.names))
    }

    /// The names behind the indices.
    pub fn names(&self) -> &Arc<Names> {
        &self.names
    }

    /// The number that the next record gets.
    pub fn next_number(&self) -> u64 {
        self.next
    }

    /// The last record.
    pub fn last(&self) -> Option<Head> {
        self.last
    }

    /// The head of the next record. `received` never decreases but by a clock step,
    /// because records are found by it.
    fn head(&self, received: Time, walked: Option<Time>) -> Head {
        let last = self.last;
        Head {
            number: self.next,
            received: last.map_or(received, |l| received.max(l.received)),
            walked: walked.or(last.map(|l| l.walked)).unwrap_or(received),
        }
    }

    pub(crate) fn done(&mut self, head: Head) {
        self.last = Some(head);
        self.next = head.number + 1;
    }

    /// Writes one record in one transaction and syncs it. After an error nothing of it
    /// is there, and the same batch may be committed again.
    ///
    /// # Errors
    /// See [`WriteError`]; an index that was never registered is `Failed`.
    pub fn commit(&mut self, batch: &Batch<'_>) -> Result<Committed, WriteError> {
        self.commit_with(batch, &[], &[])
    }

    /// The same, with what was said of instruments meanwhile: that is a record of its
    /// own behind the batch, in the same transaction. How far forwarders have come goes into the same transaction: that costs
    /// a page, and no sync of its own.
    ///
    /// # Errors
    /// As [`Self::commit`].
    pub fn commit_with(
        &mut self,
        batch: &Batch<'_>,
        diagnoses: &[Diagnosis],
        progress: &[(&str, &Progress)],
    ) -> Result<Committed, WriteError> {
        let started = Instant::now();
        let Batch { received, walked, messages, readings, set_aside } = *batch;
        let head = self.head(received, Some(walked));
        let aside = self.pack_aside(head, set_aside)?;
        self.packer.batch(&self.names, head.received, messages, readings)?;
        let Packer { body, reach, .. } = &mut self.packer;
        let row = Row {
            number: head.number,
            kind: kind::BATCH,
            received: head.received,
            walked,
            first: reach.first,
            last: reach.last,
        };
        row.seal(body);
        let said = said(&self.names, &head, walked, diagnoses)?;
        if !readings.is_empty() {
            // Beforehand: whoever sees the record must find it noted.
            self.carriers.note(head.number);
        }
        let end = said.as_ref().map_or(head.number, |(row, _)| row.number);
        if self.aside.is_none() && !aside.is_empty() {
            self.aside = Some(AsideHeld::of(&self.connection, self.aside_limits)?);
        }
        let (held, kept) = (&self.aside, RefCell::new(None));
        transact(&mut self.connection, &mut self.frames, &|c| {
            row::insert(c, &row, body, &reach.late_days)?;
            if let Some((row, body)) = &said {
                row::insert(c, row, body, &[])?;
            }
            for (station, reason, body) in &aside {
                c.prepare_cached(
                    "INSERT INTO set_aside (number, station, reason, received, body) VALUES (?1, ?2, ?3, ?4, ?5)",
                )?
                .execute(params![head.number.cast_signed(), station, reason, head.received.0, body])?;
            }
            if let Some(held) = held.as_ref().filter(|_| !aside.is_empty()) {
                *kept.borrow_mut() = Some(held.with(c, &aside)?);
            }
            for (forwarder, progress) in progress {
                passing::write(c, forwarder, progress)?;
            }
            Ok(())
        })?;
        let bytes = body.len();
        let mut given_up = 0;
        if let Some((held, gone)) = kept.into_inner() {
            (self.aside, given_up) = (Some(held), gone);
        }
        self.done(Head { number: end, ..head });
        Ok(Committed { number: end, bytes, seconds: started.elapsed().as_secs_f64(), given_up })
    }

    /// A station of which so much is set aside that some will soon be given up, and how
    /// much it is; none is known before something was set aside.
    pub fn aside_nearly_full(&self) -> Option<(&str, AsideUse)> {
        self.aside.as_ref()?.nearly_full()
    }

    fn pack_aside(
        &mut self,
        head: Head,
        set_aside: &[SetAside],
    ) -> Result<Vec<PackedAside>, WriteError> {
        let mut packed = Vec::with_capacity(set_aside.len());
        for SetAside { message, reason } in set_aside {
            self.packer.batch(&self.names, head.received, std::slice::from_ref(message), &[])?;
            let row = Row {
                kind: kind::ASIDE,
                number: head.number,
                received: head.received,
                walked: Time(0),
                first: None,
                last: None,
            };
            let mut body = self.packer.body.clone();
            row.seal(&mut body);
            let station = self.names.station(message.station).unwrap_or_default().to_owned();
            packed.push((station, reason.word(), body));
        }
        Ok(packed)
    }

    /// Writes a record of another kind than samples. A clock step's `received` is its
    /// new clock.
    ///
    /// # Errors
    /// See [`WriteError`].
    pub fn append(
        &mut self,
        received: Time,
        walked: Time,
        entry: &Entry,
    ) -> Result<Committed, WriteError> {
        let started = Instant::now();
        if let Entry::Batch { messages, readings } = entry {
            return self.commit(&Batch { received, walked, messages, readings, set_aside: &[] });
        }
        let mut head = self.head(received, Some(walked));
        if let Entry::ClockStep(step) = entry {
            head.received = step.new;
        }
        let kind = encode_rare(&mut self.rare, &self.names, entry)?
            .ok_or_else(|| WriteError::Failed("names are written by registering them".into()))?;
        let row = Row {
            number: head.number,
            kind,
            received: head.received,
            walked,
            first: None,
            last: None,
        };
        row.seal(&mut self.rare);
        transact(&mut self.connection, &mut self.frames, &|c| {
            row::insert(c, &row, &self.rare, &[])
        })?;
        self.done(head);
        Ok(Committed {
            number: head.number,
            bytes: self.rare.len(),
            seconds: started.elapsed().as_secs_f64(),
            given_up: 0,
        })
    }

    /// Keeps state parts that stand at the last record, in a transaction of their own.
    /// Parts not given stay as they are.
    ///
    /// # Errors
    /// See [`WriteError`].
    pub fn save_state(&mut self, parts: &[StatePart]) -> Result<(), WriteError> {
        let number = self.last.map_or(0, |l| l.number);
        transact(&mut self.connection, &mut self.frames, &|c| state::save(c, parts, number))
    }

    /// The state parts with the log numbers they stand at. Parts whose checksum does
    /// not fit are left out: they are rebuilt.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub fn load_state(&self) -> Result<Vec<SavedPart>, ReadError> {
        Ok(state::load(&self.connection)?)
    }

    /// Looks through the writer's own connection, so also at a temporary history.
    pub fn look(&self) -> Look<'_> {
        let Self { connection, names, carriers, noticed, .. } = self;
        Look { connection, names, carriers: Some(carriers), noticed }
    }

    /// Where damage is noted that readers of this process meet.
    pub fn noticed(&self) -> &Arc<Noticed> {
        &self.noticed
    }

    /// A connection for reading from another thread, with the names as they are now.
    ///
    /// # Errors
    /// When it cannot be opened; a temporary history has none.
    pub fn reader(&self) -> Result<Reader, ReadError> {
        let path = self.path.as_deref().ok_or_else(|| ReadError("it is temporary".into()))?;
        let Self { names, carriers, noticed, .. } = self;
        Reader::new(path, Arc::clone(names), Arc::clone(carriers), Arc::clone(noticed))
    }
}
