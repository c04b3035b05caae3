//! One turn of the engine after the other: take what arrived, walk what is due, commit,
//! show, give receipts.

use super::core::{Core, Fatal, Taken};
use super::pacing::Pacing;
use super::process::Process;
use super::standing::Standing;
use super::timekeeping::{Step, Timekeeping};
use super::{Command, Outlet};
use crate::clock::Clock;
use crate::counts::{Counts, SampleResult};
use crate::tokens::Tokens;
use adapters::port::{Delivery, Receipt, Refused};
use history::{Committed, WriteError};
use observation::property::InstrumentIndex;
use observation::refusal::Stage;
use observation::time::MINUTE;
use observation::{Message, Refusal, SourceIndex, Span, StationIndex, Time};
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::mpsc;
use tokio_util::sync::CancellationToken;

/// Deliveries taken from the queue at a time.
const AT_A_TIME: usize = 4_096;
/// Longest sleep: the clock is looked at and the beat given this often.
const LONGEST_SLEEP: Duration = Duration::from_secs(1);
/// Time between two savings of the state, and between two tidyings of the store.
const SAVING: Duration = Duration::from_secs(600);
/// Nothing was committed for this long: the store may be tidied.
const QUIET: Duration = Duration::from_secs(5);
/// Pauses between tries to write to a device that refuses.
const FIRST_PAUSE: Duration = Duration::from_millis(200);
const LONGEST_PAUSE: Duration = Duration::from_secs(5);
/// How long a stop waits for a device that refuses.
const LAST_PATIENCE: Duration = Duration::from_secs(5);
/// Time between two summaries of refusals in the log.
const SUMMARY: Duration = Duration::from_secs(3_600);

/// The engine at work.
pub struct Turn<P> {
    core: Core<P>,
    standing: Standing,
    pacing: Pacing,
    timekeeping: Timekeeping,
    clock: Arc<dyn Clock>,
    counts: Arc<Counts>,
    outlet: Outlet,
    tokens: Tokens,
    stop: CancellationToken,
    grace: Span,
    next_walk: Time,
    receipts: Vec<(u64, Receipt)>,
    rain: Vec<(InstrumentIndex, f64)>,
    saved: Duration,
    tended: Duration,
    committed: Duration,
    summed: Duration,
}

/// What a turn is made of.
pub struct Parts<P> {
    /// Processor and log.
    pub core: Core<P>,
    /// What is known beside them.
    pub standing: Standing,
    /// When to commit.
    pub pacing: Pacing,
    /// The processor's clock.
    pub timekeeping: Timekeeping,
    /// The clocks.
    pub clock: Arc<dyn Clock>,
    /// The counters.
    pub counts: Arc<Counts>,
    /// Where snapshots go.
    pub outlet: Outlet,
    /// The tokens.
    pub tokens: Tokens,
    /// Set when the program stops.
    pub stop: CancellationToken,
    /// How long after a minute its boundary is evaluated.
    pub grace: Span,
    /// How long ago the state was saved last.
    pub since_saved: Duration,
}

impl<P: Process> Turn<P> {
    /// Ready to begin; shows a first snapshot.
    pub fn new(parts: Parts<P>) -> Self {
        let Parts {
            core,
            standing,
            pacing,
            timekeeping,
            clock,
            counts,
            outlet,
            tokens,
            stop,
            grace,
            since_saved,
        } = parts;
        let now = clock.monotonic();
        let mut turn = Self {
            rain: standing.rain_of(&core.processor),
            core,
            standing,
            pacing,
            timekeeping,
            counts,
            outlet,
            tokens,
            stop,
            grace,
            next_walk: Time(0),
            receipts: Vec::new(),
            saved: now.saturating_sub(since_saved),
            tended: now,
            committed: now,
            summed: now,
            clock,
        };
        turn.show();
        turn
    }

    /// Works until every sender of deliveries is gone, then commits what waits and
    /// closes the history.
    ///
    /// # Errors
    /// What ends the process.
    pub async fn work(
        mut self,
        mut deliveries: mpsc::Receiver<Delivery>,
        mut commands: mpsc::Receiver<Command>,
        first_step: Option<Step>,
    ) -> Result<(), Fatal> {
        let result = self.turns(&mut deliveries, &mut commands, first_step).await;
        let result = match result {
            Ok(()) => self.end(),
            Err(fatal) => Err(fatal),
        };
        if result.is_err() {
            fail(self.receipts.drain(..));
        }
        result
    }

    async fn turns(
        &mut self,
        deliveries: &mut mpsc::Receiver<Delivery>,
        commands: &mut mpsc::Receiver<Command>,
        first_step: Option<Step>,
    ) -> Result<(), Fatal> {
        if let Some(step) = first_step {
            self.step_clock(step)?;
        }
        let mut buffer = Vec::with_capacity(64);
        let mut commanding = true;
        loop {
            self.counts.beat();
            let sleep = self.sleep();
            let hurried = self.stop.is_cancelled();
            tokio::select! {
                biased;
                command = commands.recv(), if commanding => match command {
                    Some(command) => self.obey(command)?,
                    None => commanding = false,
                },
                () = self.stop.cancelled(), if !hurried => {}
                count = deliveries.recv_many(&mut buffer, AT_A_TIME) => {
                    if count == 0 {
                        return Ok(());
                    }
                }
                () = tokio::time::sleep(sleep) => {}
            }
            if self.stop.is_cancelled() {
                self.pacing.hurry();
            }
            self.look_at_clock()?;
            for delivery in buffer.drain(..) {
                self.take(delivery)?;
                if self.pacing.full() {
                    self.settle()?;
                }
            }
            self.walk();
            let now = self.clock.monotonic();
            if self.pacing.due(now) || !self.core.is_waiting() {
                self.settle()?;
            }
            self.tend(now)?;
        }
    }

    /// How long nothing need be done if nothing arrives.
    fn sleep(&self) -> Duration {
        let now = self.clock.monotonic();
        let commit = self.pacing.deadline().map(|d| d.saturating_sub(now));
        let walk = (self.next_walk - self.clock.now()).0.max(0).unsigned_abs();
        commit.unwrap_or(LONGEST_SLEEP).min(Duration::from_millis(walk)).min(LONGEST_SLEEP)
    }

    fn look_at_clock(&mut self) -> Result<(), Fatal> {
        if let Some(step) = self.timekeeping.look(self.clock.as_ref()) {
            return self.step_clock(step);
        }
        self.timekeeping.not_before(self.core.processor.walked());
        Ok(())
    }

    fn step_clock(&mut self, step: Step) -> Result<(), Fatal> {
        tracing::warn!("the clock was set from {} to {}", step.old, step.new);
        self.core.walk(step.old);
        self.commit_all(false, step.old)?;
        self.core.step_clock(step.old, step.new);
        self.commit_all(false, step.old)?;
        let mut pause = FIRST_PAUSE;
        while let Err(error) = self.core.record_step(step.old, step.new) {
            self.refused_write(&error, &mut pause)?;
        }
        self.next_walk = Time(0);
        self.give_receipts();
        Ok(())
    }

    fn take(&mut self, delivery: Delivery) -> Result<(), Fatal> {
        let Delivery { sender, messages, receipt } = delivery;
        let request = matches!(receipt, Receipt::Once(_));
        let passed = self.clock.monotonic();
        let received = self.timekeeping.received();
        for mut message in messages {
            message.received = received;
            let (station, source, samples) =
                (message.station, message.source, message.samples.len());
            let bytes = 24 + 12 * samples;
            self.pacing.arrived(passed, sender, station, samples, bytes, request);
            let boundaries = self.core.waiting().panics.len();
            let asides = self.core.waiting().set_aside.len();
            let taken = self.core.take(message, passed)?;
            self.standing.seen(station, received);
            self.count(station, source, taken, asides, boundaries);
            if taken.panicked {
                self.standing.keep_rain(&self.rain);
            }
        }
        self.receipts.push((sender, receipt));
        Ok(())
    }

    fn count(
        &self,
        station: StationIndex,
        source: SourceIndex,
        taken: Taken,
        asides: usize,
        boundaries: usize,
    ) {
        let counts = &self.counts;
        counts.add_samples(source, SampleResult::Accepted, taken.accepted);
        if taken.accepted == 0
            || taken.repeats + taken.conflicts + taken.redelivered + taken.set_aside > 0
        {
            counts.add_samples(source, SampleResult::Repeated, taken.repeats);
            counts.add_samples(source, SampleResult::Conflict, taken.conflicts);
            counts.add_samples(source, SampleResult::Redelivered, taken.redelivered);
            counts.add_samples(source, SampleResult::SetAside, taken.set_aside);
            for _ in 0..taken.conflicts {
                self.refuse(
                    station,
                    source,
                    Refusal::Conflict,
                    "a repeat with another value; the first stays",
                );
            }
            if taken.set_aside > 0 {
                let fresh = self.core.waiting().set_aside.get(asides..).unwrap_or_default();
                match fresh {
                    [] => self.refuse(
                        station,
                        source,
                        Refusal::Panic,
                        "processing it failed inside; set aside",
                    ),
                    fresh => {
                        for aside in fresh {
                            self.refuse(
                                station,
                                source,
                                aside.reason,
                                &told(aside.reason, &aside.message),
                            );
                        }
                    }
                }
            }
        }
        for &station in self.core.waiting().panics.get(boundaries..).unwrap_or_default() {
            self.boundary_failed(station);
        }
    }

    fn boundary_failed(&self, station: StationIndex) {
        self.counts.add_boundary_panic(station);
        self.refuse(
            station,
            SourceIndex(0),
            Refusal::Panic,
            "a minute could not be evaluated; it gives no reading",
        );
    }

    fn refuse(&self, station: StationIndex, source: SourceIndex, reason: Refusal, detail: &str) {
        let refused = Refused { station: Some(station), stage: Stage::Process, reason, detail };
        self.counts.refuse(source, &refused);
    }

    /// Walks the boundaries that are due.
    fn walk(&mut self) {
        let now = self.timekeeping.received();
        if now < self.next_walk {
            return;
        }
        let boundaries = self.core.waiting().panics.len();
        self.core.walk(now);
        for &station in self.core.waiting().panics.get(boundaries..).unwrap_or_default() {
            self.boundary_failed(station);
        }
        self.next_walk = (now - self.grace).minute_start() + Span(MINUTE) + self.grace;
        if self.core.is_waiting() {
            self.pacing.waits(self.clock.monotonic());
        } else {
            self.show();
        }
    }

    /// Commits what waits, shows it, gives the receipts.
    fn settle(&mut self) -> Result<(), Fatal> {
        let now = self.clock.monotonic();
        let state = now.saturating_sub(self.saved) >= SAVING;
        if self.commit_all(state, self.timekeeping.received())? {
            if state {
                self.saved = now;
            }
            self.show();
        } else if self.receipts.is_empty() {
            return Ok(());
        }
        self.give_receipts();
        Ok(())
    }

    /// Commits what waits, however long the device refuses; whether anything did.
    fn commit_all(&mut self, state: bool, now: Time) -> Result<bool, Fatal> {
        let mut pause = FIRST_PAUSE;
        loop {
            match self.core.commit(state) {
                Ok(None) => return Ok(false),
                Ok(Some(committed)) => {
                    self.written(committed, now);
                    return Ok(true);
                }
                Err(error) => self.refused_write(&error, &mut pause)?,
            }
        }
    }

    fn written(&mut self, committed: Committed, now: Time) {
        for (station, reason) in self.core.written_aside() {
            self.standing.set_aside(station, reason);
        }
        let (messages, readings) = self.core.written();
        self.standing.written(messages, readings, now);
        self.core.committed();
        self.standing.committed(committed, now, &self.core.history);
        self.rain = self.standing.rain_of(&self.core.processor);
        self.committed = self.clock.monotonic();
    }

    /// A write that failed: waits a little, or ends the process. Nothing is forgotten,
    /// nothing more is taken meanwhile.
    fn refused_write(&mut self, error: &WriteError, pause: &mut Duration) -> Result<(), Fatal> {
        if matches!(error, WriteError::Sync(_)) {
            return Err(Fatal(error.to_string()));
        }
        if self.standing.history.fault.is_none() {
            tracing::error!("{error}; no receipts are given until it can be");
        }
        self.standing.history.fault = Some(error.to_string());
        self.show();
        if self.stop.is_cancelled() {
            *pause = FIRST_PAUSE;
        }
        let until = self.clock.monotonic() + *pause;
        while self.clock.monotonic() < until {
            self.counts.beat();
            if self.stop.is_cancelled() && *pause > FIRST_PAUSE {
                break;
            }
            std::thread::sleep(Duration::from_millis(20));
        }
        if self.stop.is_cancelled() {
            let waited = self.clock.monotonic().saturating_sub(self.committed);
            if waited > LAST_PATIENCE {
                return Err(Fatal(format!(
                    "stopped while {error}; what was not acknowledged is lost here and with its senders"
                )));
            }
        }
        *pause = (*pause * 2).min(LONGEST_PAUSE);
        Ok(())
    }

    fn give_receipts(&mut self) {
        let now = self.clock.monotonic();
        if let Some(error) = self.core.read_fault() {
            tracing::error!("{error}; no receipts for what came meanwhile");
            self.pacing.committed(now, std::iter::empty());
            fail(self.receipts.drain(..));
            return;
        }
        self.pacing.committed(now, self.receipts.iter().map(|&(sender, _)| sender));
        for (_, receipt) in self.receipts.drain(..) {
            match receipt {
                Receipt::Unasked => {}
                // Whoever asked may have gone; that is their matter.
                Receipt::Once(answer) => drop(answer.send(())),
                Receipt::UpTo(mark, number) => mark.reach(number),
            }
        }
    }

    fn show(&mut self) {
        let made = self.timekeeping.received();
        let snapshot = self.standing.snapshot(&self.core, made);
        self.outlet.send_replace(snapshot);
    }

    fn tend(&mut self, now: Duration) -> Result<(), Fatal> {
        if now.saturating_sub(self.summed) >= SUMMARY {
            self.summed = now;
            self.counts.sum_up();
        }
        let quiet = now.saturating_sub(self.committed) >= QUIET && !self.core.is_waiting();
        if quiet && now.saturating_sub(self.tended) >= SAVING {
            self.tended = now;
            if let Err(error) = self.core.history.tend(true) {
                return Err(Fatal(error.to_string()));
            }
        }
        Ok(())
    }

    fn obey(&mut self, command: Command) -> Result<(), Fatal> {
        match command {
            Command::AddToken { token, reply } => {
                let result = self.core.history.add_token(&token);
                self.answer(result.map(|_| ()), reply)
            }
            Command::RevokeTokens { gateway, owner, reply } => {
                let now = self.timekeeping.received();
                let result = crate::tokens::revoke(&mut self.core.history, gateway, &owner, now);
                self.answer(result, reply)
            }
        }
    }

    fn answer<T>(
        &mut self,
        result: Result<T, WriteError>,
        reply: tokio::sync::oneshot::Sender<Result<T, String>>,
    ) -> Result<(), Fatal> {
        let result = match result {
            Ok(value) => {
                self.tokens.refresh(&self.core.history);
                Ok(value)
            }
            Err(error @ WriteError::Sync(_)) => return Err(Fatal(error.to_string())),
            Err(error) => Err(error.to_string()),
        };
        drop(reply.send(result));
        Ok(())
    }

    /// The last commit, the state, the end.
    fn end(&mut self) -> Result<(), Fatal> {
        self.pacing.hurry();
        self.settle()?;
        if let Err(error) = self.core.save_state() {
            tracing::warn!("the state was not saved: {error}; it is built anew at the next start");
        }
        self.core.history.tend(true).map_err(|e| Fatal(e.to_string()))
    }
}

fn fail(receipts: impl Iterator<Item = (u64, Receipt)>) {
    for (_, receipt) in receipts {
        // An answer to a request is dropped without a word: it becomes a 503.
        if let Receipt::UpTo(mark, _) = receipt {
            mark.fail();
        }
    }
}

fn told(reason: Refusal, message: &Message) -> String {
    let count = message.samples.len();
    let stated = message.samples.first().map(|s| s.stated);
    let stated = match stated {
        Some(observation::Stated::At(time)) => format!(", dated {time}"),
        Some(observation::Stated::Relative(ms)) => format!(", dated {ms} ms from its arrival"),
        _ => String::new(),
    };
    let noun = if count == 1 { "sample" } else { "samples" };
    format!("{count} {noun}{stated}: set aside as `{reason}`")
}
