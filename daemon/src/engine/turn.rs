//! One turn of the engine after the other: take what arrived, walk what is due, commit,
//! show, give receipts.

use super::core::{Core, Fatal};
use super::keeping::Keeping;
use super::pacing::{Pacing, Reason};
use super::process::Process;
use super::standing::Standing;
use super::timekeeping::{Step, Timekeeping};
use super::weeks::Weeks;
use super::writing::{FIRST_PAUSE, SAVING, fail};
use super::{Command, Outlet};
use crate::clock::Clock;
use crate::counts::Counts;
use crate::tokens::Tokens;
use adapters::port::{Delivery, Receipt};
use history::WriteError;
use observation::property::InstrumentIndex;
use observation::time::MINUTE;
use observation::{Message, Span, Time};
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::mpsc;
use tokio_util::sync::CancellationToken;

/// Deliveries taken from the queue at a time.
const AT_A_TIME: usize = 4_096;
/// Longest sleep: the clock is looked at and the beat given this often.
const LONGEST_SLEEP: Duration = Duration::from_secs(1);

/// The engine at work.
pub struct Turn<P> {
    pub(super) core: Core<P>,
    pub(super) standing: Standing,
    pub(super) pacing: Pacing,
    pub(super) timekeeping: Timekeeping,
    pub(super) clock: Arc<dyn Clock>,
    pub(super) counts: Arc<Counts>,
    pub(super) outlet: Outlet,
    pub(super) tokens: Tokens,
    pub(super) stop: CancellationToken,
    pub(super) grace: Span,
    pub(super) next_walk: Time,
    pub(super) receipts: Vec<(u64, Receipt)>,
    pub(super) rain: Vec<(InstrumentIndex, f64)>,
    /// When the state is due to be saved, and the record behind which it was saved last.
    pub(super) save_at: Duration,
    pub(super) saved: u64,
    pub(super) tended: Duration,
    pub(super) committed: Duration,
    pub(super) summed: Duration,
    pub(super) warned_aside: Option<Duration>,
    pub(super) keeping: Keeping,
    pub(super) weeks: Weeks,
    commands: mpsc::Receiver<Command>,
}

/// When the processor's state was saved before this process began.
#[derive(Clone, Copy, Debug, Default)]
pub struct LastSaved {
    /// How long ago.
    pub ago: Duration,
    /// Log number of the record behind which it stands; 0 for none.
    pub number: u64,
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
    /// When the state was saved last.
    pub last_saved: LastSaved,
    /// What is to be kept.
    pub keeping: Keeping,
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
            last_saved,
            keeping,
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
            // The clock begins with the process: what was before cannot be taken from it.
            save_at: now + SAVING.saturating_sub(last_saved.ago),
            saved: last_saved.number,
            tended: now,
            committed: now,
            summed: now,
            warned_aside: None,
            keeping,
            weeks: Weeks::default(),
            // Nobody asks anything before work begins.
            commands: mpsc::channel(1).1,
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
        commands: mpsc::Receiver<Command>,
        first_step: Option<Step>,
    ) -> Result<(), Fatal> {
        self.commands = commands;
        let result = self.turns(&mut deliveries, first_step).await;
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
                command = self.commands.recv(), if commanding => match command {
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
                    self.look_at_clock()?;
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

    pub(super) fn step_clock(&mut self, step: Step) -> Result<(), Fatal> {
        tracing::warn!("the clock was set from {} to {}", step.old, step.new);
        self.core.walk(step.old);
        self.commit_all(step.old, Reason::Other)?;
        self.core.step_clock(step.old, step.new);
        self.commit_all(step.old, Reason::Other)?;
        let mut pause = FIRST_PAUSE;
        while let Err(error) = self.core.record_step(step.old, step.new) {
            self.refused_write(&error, &mut pause)?;
        }
        self.judge_aside_again(step.new)?;
        self.next_walk = Time(0);
        self.give_receipts();
        Ok(())
    }

    fn take(&mut self, delivery: Delivery) -> Result<(), Fatal> {
        let Delivery { sender, messages, receipt } = delivery;
        let request = matches!(receipt, Receipt::Once(_));
        let passed = self.clock.monotonic();
        let received = self.timekeeping.received();
        for message in messages {
            let (station, samples) = (message.station, message.samples.len());
            let bytes = 24 + 12 * samples;
            self.pacing.arrived(passed, sender, station, samples, bytes, request);
            self.take_message(message, received, passed)?;
        }
        self.receipts.push((sender, receipt));
        Ok(())
    }

    /// Takes a message as of `received`. `passed` is monotonic time.
    pub(super) fn take_message(
        &mut self,
        mut message: Message,
        received: Time,
        passed: Duration,
    ) -> Result<(), Fatal> {
        message.received = received;
        let (station, source) = (message.station, message.source);
        let boundaries = self.core.waiting().panics.len();
        let asides = self.core.waiting().set_aside.len();
        let taken = self.core.take(message, passed)?;
        self.standing.seen(station, received);
        self.count(station, source, taken, asides, boundaries);
        if taken.panicked {
            self.standing.keep_rain(&self.rain);
        }
        Ok(())
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

    pub(super) fn show(&mut self) {
        let made = self.timekeeping.received();
        let snapshot = self.standing.snapshot(&self.core, made);
        self.outlet.send_replace(snapshot);
    }

    fn obey(&mut self, command: Command) -> Result<(), Fatal> {
        match command {
            Command::AddToken { token, reply } => {
                let result = self.core.history.add_token(&token);
                self.answer(result.map(|_| ()), reply)
            }
            Command::KeepProgress { unkept, reply } => {
                let result = match self.core.keep_progress(&unkept) {
                    Err(error) if error.is_final() => return Err(Fatal(error.to_string())),
                    result => result.map_err(|e| e.to_string()),
                };
                // Whoever asked may have gone.
                drop(reply.send(result));
                Ok(())
            }
            Command::Append { messages, readings, reply } => {
                drop(reply.send(self.append(messages, &readings)?));
                Ok(())
            }
            Command::TakeAside { ids, reply } => {
                let result = self.core.history.take_set_aside(&ids);
                if let Err(error) = self.standing.recount_aside(&self.core.history) {
                    tracing::error!("what is set aside cannot be counted: {error}");
                }
                self.answer(result, reply)
            }
            Command::Revise { day, readings, reply } => {
                drop(reply.send(self.revise(day, &readings)?));
                Ok(())
            }
            Command::Revised { reply } => {
                drop(reply.send(self.begin_again()?));
                Ok(())
            }
            Command::RevokeTokens { gateway, owner, reply } => {
                let now = self.timekeeping.received();
                let result = crate::tokens::revoke(&mut self.core.history, gateway, &owner, now);
                self.answer(result, reply)
            }
        }
    }

    /// Does what can be done while records cannot be committed: what is small enough for
    /// the ballast. All else is answered with the reason.
    pub(super) fn obey_meanwhile(&mut self, error: &WriteError) -> Result<(), Fatal> {
        while let Ok(command) = self.commands.try_recv() {
            match command {
                Command::AddToken { .. }
                | Command::KeepProgress { .. }
                | Command::RevokeTokens { .. } => self.obey(command)?,
                // Whoever asked may have gone.
                Command::Append { reply, .. }
                | Command::Revised { reply }
                | Command::TakeAside { reply, .. } => {
                    drop(reply.send(Err(error.to_string())));
                }
                Command::Revise { reply, .. } => drop(reply.send(Err(error.to_string()))),
            }
        }
        Ok(())
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
            Err(error) if error.is_final() => return Err(Fatal(error.to_string())),
            Err(error) => Err(error.to_string()),
        };
        drop(reply.send(result));
        Ok(())
    }
}
