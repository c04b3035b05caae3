//! The loop of one forwarder: choose a lane, take its load, deliver it however long that
//! takes, read the next load meanwhile, keep the cursor.

use super::backlog;
use super::keeper::Keeper;
use super::lane::{Lanes, Place, Which};
use super::load::{Bounds, Filler, Load};
use super::pace::Pace;
use super::standby::Standby;
use super::tally::Tally;
use crate::clock::Clock;
use crate::engine::Command;
use crate::snapshot::Snapshot;
use crate::supervision::Backoff;
use adapters::forwarders::port::{Context, Forwarder, Link, Newest};
use adapters::port::State;
use history::{Cursor, ReadError};
use observation::Span;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;
use tokio::sync::{mpsc, watch};
use tokio::task::JoinHandle;
use tokio_util::sync::CancellationToken;

/// A backlog whose oldest record is older than this is jumped over where new readings go
/// first.
const STALE: Span = Span::seconds(60);
/// How often the loop looks up when nothing happens.
const LOOK_UP: Duration = Duration::from_secs(30);

/// What a loop is made of.
pub struct Parts {
    /// What was gathered for it.
    pub standby: Standby,
    /// The newest snapshots: they tell of new records.
    pub snapshots: watch::Receiver<Arc<Snapshot>>,
    /// To the one thread that writes.
    pub commands: mpsc::Sender<Command>,
    /// The clocks.
    pub clock: Arc<dyn Clock>,
    /// Set when the program stops.
    pub stop: CancellationToken,
}

/// The loop.
pub struct Courier {
    pub(super) forwarder: Arc<dyn Forwarder>,
    pub(super) context: Context,
    pub(super) tally: Arc<Tally>,
    pub(super) link: Option<Box<dyn Link>>,
    pub(super) keeper: Keeper,
    pub(super) pace: Pace,
    pub(super) backoff: Backoff,
    pub(super) clock: Arc<dyn Clock>,
    pub(super) stop: CancellationToken,
    /// Most readings in one attempt, as this receiver taught.
    pub(super) most: usize,
    /// Whether the receiver just came back.
    pub(super) recovered: bool,
    lanes: Lanes,
    filler: Option<Filler>,
    snapshots: watch::Receiver<Arc<Snapshot>>,
    counted: Arc<AtomicBool>,
}

/// A load being read: the filler comes back with it.
type Reading = JoinHandle<(Filler, Place, Result<Load, ReadError>)>;

impl Courier {
    /// Begins: a forwarder that never began starts with the oldest record that its
    /// backlog would still hold. Counts its backlog beside.
    ///
    /// # Errors
    /// When the history cannot be read.
    pub fn new(parts: Parts) -> Result<Self, ReadError> {
        let Parts { standby, snapshots, commands, clock, stop } = parts;
        let Standby { forwarder, context, tally, unkept, cursor, last, reader, counter } = standby;
        let cursor = if let Some(cursor) = cursor {
            cursor
        } else {
            let from = reader.look().number_at(clock.now() - forwarder.rules().backlog_age)?;
            Cursor { delivered: from.saturating_sub(1), ..Cursor::default() }
        };
        let lanes = Lanes::of(&cursor);
        let mut waiting = cursor.gaps.clone();
        waiting.push((cursor.delivered + 1, last));
        let counted = Arc::new(AtomicBool::new(false));
        {
            let (tally, stop, counted) = (Arc::clone(&tally), stop.clone(), Arc::clone(&counted));
            tokio::task::spawn_blocking(move || {
                match backlog::count(&counter, &waiting, &tally, &stop) {
                    Ok(whole) => counted.store(whole, Ordering::Release),
                    Err(error) => tracing::warn!("the backlog cannot be counted: {error}"),
                }
            });
        }
        let series = forwarder.rules().series(&context.origin);
        let filler = Filler {
            reader,
            forwarder: Arc::clone(&forwarder),
            origin: context.origin.clone(),
            series,
            newest: Newest::default(),
        };
        let rules = forwarder.rules();
        Ok(Self {
            pace: Pace::new(rules.catch_up_rate),
            most: rules.batch,
            keeper: Keeper::new(unkept, commands, clock.monotonic()),
            forwarder,
            context,
            tally,
            link: None,
            backoff: Backoff::new(),
            clock,
            stop,
            recovered: true,
            lanes,
            filler: Some(filler),
            snapshots,
            counted,
        })
    }

    /// Delivers until the program stops, then keeps the cursor.
    pub async fn work(mut self) {
        while !self.stop.is_cancelled() {
            self.keep_if_due().await;
            let snapshot = Arc::clone(&self.snapshots.borrow_and_update());
            let head = snapshot.history.last_number;
            if self.recovered {
                self.recovered = false;
                self.jump_if_stale(head);
            }
            let Some(which) = self.lanes.choose(head) else {
                self.tally.settled(&snapshot.history);
                self.tally.caught_up(true, self.clock.now());
                self.idle().await;
                continue;
            };
            let load = match self.lanes.lane(which).ready.take() {
                Some(load) => load,
                None => match self.read(which, head, &snapshot).await {
                    Some(load) => load,
                    None => continue,
                },
            };
            let behind = self.lanes.lane(which).has_work(head);
            self.tally.caught_up(!behind, self.clock.now());
            let through = load.through;
            let (passed, given_up) = (load.passed, load.given_up);
            let next = behind.then(|| self.begin_reading(which, head, &snapshot, passed)).flatten();
            let cut = self.deliver(load).await;
            if let Some(next) = next {
                let load = self.end_reading(which, next).await;
                self.lanes.lane(which).ready = load;
            }
            match cut {
                None => {
                    self.tally.add_passed(passed);
                    self.give_up(given_up);
                    self.lanes.done(which, through);
                }
                Some(Some(through)) => self.lanes.done(which, through),
                Some(None) => {}
            }
            self.keeper.unkept.at(self.lanes.cursor());
        }
        let now = self.clock.monotonic();
        self.keeper.keep(now).await;
    }

    pub(super) fn give_up(&mut self, count: u64) {
        if count > 0 {
            self.tally.add_given_up(count);
            self.keeper.unkept.given_up(count);
        }
    }

    async fn keep_if_due(&mut self) {
        let now = self.clock.monotonic();
        if self.keeper.due(now) == Some(Duration::ZERO) {
            self.keeper.keep(now).await;
        }
    }

    /// Waits for a record, the next keeping of the cursor, or the end.
    async fn idle(&mut self) {
        let due = self.keeper.due(self.clock.monotonic());
        tokio::select! {
            () = self.stop.cancelled() => {}
            changed = self.snapshots.changed() => {
                // Without an engine there is nothing more to come.
                if changed.is_err() {
                    self.stop.cancelled().await;
                }
            }
            () = tokio::time::sleep(due.unwrap_or(LOOK_UP).min(LOOK_UP)) => {}
        }
    }

    /// `under_way` readings of the backlog are in the load being delivered.
    fn bounds(&mut self, which: Which, head: u64, snapshot: &Snapshot, under_way: u64) -> Bounds {
        let rules = self.forwarder.rules();
        let waiting = self.tally.backlog(&snapshot.history).saturating_sub(under_way);
        // The oldest go first: not what is new while a gap is still to be filled.
        let oldest = which == Which::Gap || !self.lanes.has_gap();
        let excess = if oldest && self.counted.load(Ordering::Acquire) {
            waiting.saturating_sub(rules.backlog_readings)
        } else {
            0
        };
        let last = self.lanes.lane(which).end(head);
        Bounds { last, now: self.clock.now(), logged: snapshot.made, most: self.most, excess }
    }

    /// Begins to read the next load of a lane on a thread that may block.
    fn begin_reading(
        &mut self,
        which: Which,
        head: u64,
        snapshot: &Snapshot,
        under_way: u64,
    ) -> Option<Reading> {
        let bounds = self.bounds(which, head, snapshot, under_way);
        self.spawn_reading(which, bounds)
    }

    fn spawn_reading(&mut self, which: Which, bounds: Bounds) -> Option<Reading> {
        let mut filler = self.filler.take()?;
        let mut place = self.lanes.lane(which).place;
        Some(tokio::task::spawn_blocking(move || {
            let load = filler.fill(&mut place, bounds);
            (filler, place, load)
        }))
    }

    async fn end_reading(&mut self, which: Which, reading: Reading) -> Option<Load> {
        let (filler, place, load) = match reading.await {
            Ok(read) => read,
            Err(error) if error.is_panic() => std::panic::resume_unwind(error.into_panic()),
            Err(_) => return None,
        };
        self.filler = Some(filler);
        match load {
            Ok(load) => {
                self.lanes.lane(which).place = place;
                Some(load)
            }
            Err(error) => {
                let reason = error.to_string();
                self.tally.state(&State::Down(reason), self.clock.now());
                let pause = self.backoff.pause(false);
                self.rest(pause).await;
                None
            }
        }
    }

    async fn read(&mut self, which: Which, head: u64, snapshot: &Snapshot) -> Option<Load> {
        let bounds = self.bounds(which, head, snapshot, 0);
        let reading = self.spawn_reading(which, bounds)?;
        self.end_reading(which, reading).await
    }

    /// Waits, unless the program stops.
    pub(super) async fn rest(&mut self, pause: Duration) {
        tokio::select! {
            () = self.stop.cancelled() => {}
            () = tokio::time::sleep(pause) => {}
        }
    }

    /// Leaves an old backlog as a gap, where new readings go first.
    fn jump_if_stale(&mut self, head: u64) {
        if !self.forwarder.rules().live_first || !self.lanes.main.has_work(head) {
            return;
        }
        let Some(filler) = &self.filler else { return };
        match filler.reader.look().number_at(self.clock.now() - STALE) {
            Ok(live) => {
                self.lanes.jump(live.min(head + 1));
                self.keeper.unkept.at(self.lanes.cursor());
            }
            Err(error) => tracing::warn!("{error}"),
        }
    }
}
