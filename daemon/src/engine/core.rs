//! The processor and the log together: what `run` and `replay` share.
//!
//! The rules kept here: what one commit writes is what the processor accepted and made,
//! in its order; a batch that could not be written stays as it is until it is written;
//! a message whose processing panics is set aside, and everything since the last commit
//! is processed again without it.

use super::process::Process;
use super::recall::LogRecall;
use crate::delivery::unkept::Unkept;
use history::{Batch, ClockStep, Committed, Entry, History, ReadError, WriteError};
use observation::sample::Redelivery;
use observation::{Message, Reading, Refusal, SourceIndex, StationIndex, Time};
use processor::Output;
use std::collections::VecDeque;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Arc;
use std::time::Duration;

/// Panics within this span end the process at the third.
const PANIC_SPAN: Duration = Duration::from_secs(3_600);
/// How many end it.
const PANICS: usize = 3;

/// What ends the process.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Fatal(pub String);

impl std::fmt::Display for Fatal {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(&self.0)
    }
}

/// What became of the samples of one message.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Taken {
    /// Accepted.
    pub accepted: u64,
    /// Repeats of the same value.
    pub repeats: u64,
    /// Repeats of another value.
    pub conflicts: u64,
    /// Recognised as redelivered.
    pub redelivered: u64,
    /// Samples set aside.
    pub set_aside: u64,
    /// Whether processing it panicked.
    pub panicked: bool,
}

/// Makes a processor as it stood after the last record of a history.
pub type Rebuild<P> = Box<dyn FnMut(&History) -> Result<P, ReadError> + Send>;

/// The processor, the log, and what waits between them.
pub struct Core<P> {
    /// The processor.
    pub processor: P,
    /// The log.
    pub history: History,
    rebuild: Rebuild<P>,
    out: Output,
    /// What is set aside of the waiting batch, in the words of the history.
    aside: Vec<history::SetAside>,
    /// The message in hand, should its processing panic.
    spare: Message,
    /// The latest instant that the processor was told: every boundary due by then was
    /// walked.
    now: Time,
    /// Up to where the log was walked before the step of the clock under way.
    hold_walked: Option<Time>,
    panics: VecDeque<Duration>,
    fault: Option<ReadError>,
    forwarders: Vec<Arc<Unkept>>,
}

/// Sizes of an [`Output`], to undo what came after.
#[derive(Clone, Copy)]
struct Mark {
    messages: usize,
    readings: usize,
    diagnoses: usize,
    set_aside: usize,
    conflicts: usize,
    panics: usize,
    accepted: u64,
    repeats: u64,
    redelivered: u64,
}

impl Mark {
    fn of(out: &Output) -> Self {
        Self {
            messages: out.messages.len(),
            readings: out.readings.len(),
            diagnoses: out.diagnoses.len(),
            set_aside: out.set_aside.len(),
            conflicts: out.conflicts.len(),
            panics: out.panics.len(),
            accepted: out.accepted,
            repeats: out.repeats,
            redelivered: out.redelivered,
        }
    }

    fn undo(self, out: &mut Output) {
        out.messages.truncate(self.messages);
        out.readings.truncate(self.readings);
        out.diagnoses.truncate(self.diagnoses);
        out.set_aside.truncate(self.set_aside);
        out.conflicts.truncate(self.conflicts);
        out.panics.truncate(self.panics);
        (out.accepted, out.repeats, out.redelivered) =
            (self.accepted, self.repeats, self.redelivered);
    }

    fn since(self, out: &Output) -> Taken {
        let aside = out.set_aside.iter().skip(self.set_aside);
        // A part may have been added to the last one set aside before.
        Taken {
            accepted: out.accepted - self.accepted,
            repeats: out.repeats - self.repeats,
            conflicts: (out.conflicts.len() - self.conflicts) as u64,
            redelivered: out.redelivered - self.redelivered,
            set_aside: aside.map(|a| a.message.samples.len() as u64).sum(),
            panicked: false,
        }
    }
}

fn nothing() -> Message {
    Message {
        station: StationIndex(0),
        source: SourceIndex(0),
        boot: None,
        sequence: None,
        received: Time(0),
        early: false,
        redelivery: None,
        samples: Vec::new(),
    }
}

/// Texts that stay the same from message to message are not counted anew: their counts
/// are shared with the thread that reads.
fn remember_redelivery(spare: &mut Option<Redelivery>, new: Option<&Redelivery>) {
    let (Some(old), Some(new)) = (spare.as_mut(), new) else {
        *spare = new.cloned();
        return;
    };
    if !Arc::ptr_eq(&old.client, &new.client) {
        old.client = Arc::clone(&new.client);
    }
    if !Arc::ptr_eq(&old.topic, &new.topic) {
        old.topic = Arc::clone(&new.topic);
    }
    (old.connection, old.packet, old.again) = (new.connection, new.packet, new.again);
}

impl<P: Process> Core<P> {
    /// A core of a processor that stands at the end of the history. `rebuild` makes such
    /// a one again should it fail inside.
    pub fn standing(processor: P, history: History, rebuild: Rebuild<P>) -> Self {
        let now = history.last().map_or(Time(0), |l| l.received.max(l.walked));
        Self {
            processor,
            history,
            rebuild,
            out: Output::default(),
            aside: Vec::new(),
            spare: nothing(),
            now,
            hold_walked: None,
            panics: VecDeque::new(),
            fault: None,
            forwarders: Vec::new(),
        }
    }

    /// What was accepted and made since the last commit.
    pub const fn waiting(&self) -> &Output {
        &self.out
    }

    /// Whether there is something to commit.
    pub fn is_waiting(&self) -> bool {
        !(self.out.messages.is_empty()
            && self.out.readings.is_empty()
            && self.out.diagnoses.is_empty()
            && self.out.set_aside.is_empty()
            && self.aside.is_empty())
    }

    /// A failure to read the log since this was asked last. Whoever handed something
    /// over meanwhile gets no receipt.
    pub fn read_fault(&mut self) -> Option<ReadError> {
        self.fault.take()
    }

    /// Takes a message whose `received` is set. `passed` is monotonic time.
    ///
    /// # Errors
    /// The third panic within an hour, or a rebuild that failed.
    pub fn take(&mut self, message: Message, passed: Duration) -> Result<Taken, Fatal> {
        self.now = self.now.max(message.received);
        self.remember(&message);
        let mark = Mark::of(&self.out);
        let number = self.history.next_number();
        let last_aside = self.out.set_aside.last().map_or(0, |a| a.message.samples.len());
        let (processor, out) = (&mut self.processor, &mut self.out);
        let mut recall = LogRecall::new(self.history.look(), number, &mut self.fault);
        let result = catch_unwind(AssertUnwindSafe(|| {
            processor.take(message, number, &mut recall, out);
        }));
        if result.is_ok() {
            let mut taken = mark.since(&self.out);
            if let Some(joined) =
                mark.set_aside.checked_sub(1).and_then(|p| self.out.set_aside.get(p))
            {
                taken.set_aside += (joined.message.samples.len() - last_aside) as u64;
            }
            return Ok(taken);
        }
        mark.undo(&mut self.out);
        if let Some(joined) = self.out.set_aside.last_mut() {
            joined.message.samples.truncate(last_aside);
        }
        self.without_culprit(passed)?;
        let set_aside = self.spare.samples.len() as u64;
        Ok(Taken { set_aside, panicked: true, ..Taken::default() })
    }

    /// Keeps a copy of the message in hand; allocates only while it grows.
    fn remember(&mut self, message: &Message) {
        let Message { station, source, boot, sequence, received, early, redelivery, samples } =
            message;
        let spare = &mut self.spare;
        (spare.station, spare.source, spare.sequence) = (*station, *source, *sequence);
        (spare.received, spare.early) = (*received, *early);
        spare.boot.clone_from(boot);
        remember_redelivery(&mut spare.redelivery, redelivery.as_ref());
        spare.samples.clone_from(samples);
    }

    fn without_culprit(&mut self, passed: Duration) -> Result<(), Fatal> {
        self.panics.push_back(passed);
        while self.panics.front().is_some_and(|&p| passed.saturating_sub(p) > PANIC_SPAN) {
            self.panics.pop_front();
        }
        if self.panics.len() >= PANICS {
            return Err(Fatal(format!(
                "processing failed inside {PANICS} times within an hour; the last message came from station number {}",
                self.spare.station.0
            )));
        }
        tracing::error!("processing a message failed inside; it is set aside as `panic`");
        self.processor = (self.rebuild)(&self.history).map_err(|e| Fatal(e.to_string()))?;
        let before = Mark::of(&self.out);
        let messages = std::mem::take(&mut self.out.messages);
        let set_aside = std::mem::take(&mut self.out.set_aside);
        let conflicts = std::mem::take(&mut self.out.conflicts);
        self.out.readings.clear();
        self.out.diagnoses.clear();
        let number = self.history.next_number();
        let (processor, out, now) = (&mut self.processor, &mut self.out, self.now);
        let mut recall = LogRecall::new(self.history.look(), number, &mut self.fault);
        catch_unwind(AssertUnwindSafe(|| {
            for message in messages {
                processor.take(message, number, &mut recall, out);
            }
            processor.walk(now, &mut recall, out);
        }))
        .map_err(|_| Fatal("processing failed inside twice on the same samples".to_owned()))?;
        out.set_aside = set_aside;
        out.conflicts = conflicts;
        (out.accepted, out.repeats, out.redelivered) =
            (before.accepted, before.repeats, before.redelivered);
        let culprit = std::mem::replace(&mut self.spare, nothing());
        out.set_aside
            .push(processor::SetAside { message: culprit.clone(), reason: Refusal::Panic });
        self.spare = culprit;
        Ok(())
    }

    /// Makes the processor anew as it stands after the last record; nothing must wait.
    ///
    /// # Errors
    /// When the history cannot be read; then the processor stays.
    pub fn begin_again(&mut self) -> Result<(), ReadError> {
        if !self.is_waiting() {
            self.processor = (self.rebuild)(&self.history)?;
        }
        Ok(())
    }

    /// Walks every boundary due at `now`.
    pub fn walk(&mut self, now: Time) {
        self.now = self.now.max(now);
        let number = self.history.next_number();
        let mut recall = LogRecall::new(self.history.look(), number, &mut self.fault);
        self.processor.walk(now, &mut recall, &mut self.out);
    }

    /// Commits what waits; none if nothing does. After an error everything is as it
    /// was, and the call may be repeated.
    ///
    /// # Errors
    /// See [`WriteError`].
    pub fn commit(&mut self) -> Result<Option<Committed>, WriteError> {
        if !self.is_waiting() {
            return Ok(None);
        }
        self.aside.extend(
            self.out
                .set_aside
                .drain(..)
                .map(|a| history::SetAside { message: a.message, reason: a.reason }),
        );
        // While a step of the clock is under way the records still stand before it.
        let walked = self.hold_walked.unwrap_or(self.now);
        let batch = Batch {
            received: self.now,
            walked,
            messages: &self.out.messages,
            readings: &self.out.readings,
            set_aside: &self.aside,
        };
        let along: Vec<_> = self.forwarders.iter().filter_map(|u| Some((u, u.along()?))).collect();
        let progress: Vec<_> =
            along.iter().map(|(u, writing)| (u.name.as_str(), &writing.progress)).collect();
        let committed = self.history.commit_with(&batch, &self.out.diagnoses, &progress)?;
        for (unkept, writing) in &along {
            unkept.written(writing);
        }
        Ok(Some(committed))
    }

    /// From now on the progress of these forwarders goes along with what is committed.
    pub fn take_along(&mut self, forwarders: Vec<Arc<Unkept>>) {
        self.forwarders = forwarders;
    }

    /// Keeps the progress of a forwarder without waiting for a commit.
    ///
    /// # Errors
    /// See [`WriteError`]; then it waits on.
    pub fn keep_progress(&mut self, unkept: &Unkept) -> Result<(), WriteError> {
        if let Some(writing) = unkept.all() {
            self.history.keep_progress(&unkept.name, &writing.progress)?;
            unkept.written(&writing);
        }
        Ok(())
    }

    /// What the last commit wrote, until [`Self::committed`] is called.
    pub fn written(&self) -> (&[Message], &[Reading]) {
        (&self.out.messages, &self.out.readings)
    }

    /// What was said of instruments in the last commit, until [`Self::committed`] is
    /// called.
    pub fn said(&self) -> &[observation::Diagnosis] {
        &self.out.diagnoses
    }

    /// What the last commit set aside, until [`Self::committed`] is called.
    pub fn written_aside(&self) -> impl Iterator<Item = (StationIndex, Refusal)> {
        self.aside.iter().map(|a| (a.message.station, a.reason))
    }

    /// Forgets what was committed.
    pub fn committed(&mut self) {
        self.out.clear();
        self.aside.clear();
    }

    /// The clock was set from `old` to `new`: walks to the old one and tells the
    /// processor. Commit what waits before and after, then call [`Self::record_step`]:
    /// so what came before the step stands before it in the log, and what the step
    /// itself changed too.
    pub fn step_clock(&mut self, old: Time, new: Time) {
        self.hold_walked = Some(self.now);
        let number = self.history.next_number();
        let mut recall = LogRecall::new(self.history.look(), number, &mut self.fault);
        self.processor.step_clock(old, new, &mut recall, &mut self.out);
    }

    /// Writes the record of a step; nothing must wait.
    ///
    /// # Errors
    /// See [`WriteError`]; the call may be repeated.
    pub fn record_step(&mut self, old: Time, new: Time) -> Result<(), WriteError> {
        let entry = Entry::ClockStep(ClockStep { old, new });
        self.history.append(new, new, &entry)?;
        self.hold_walked = None;
        self.now = new;
        Ok(())
    }

    /// Closes every open window: the input has ended.
    pub fn close_windows(&mut self) {
        let number = self.history.next_number();
        let mut recall = LogRecall::new(self.history.look(), number, &mut self.fault);
        self.processor.close(&mut recall, &mut self.out);
    }

    /// Keeps the processor's state beside the log; nothing must wait.
    ///
    /// # Errors
    /// See [`WriteError`].
    pub fn save_state(&mut self) -> Result<(), WriteError> {
        if self.is_waiting() {
            return Ok(());
        }
        self.history.save_state(&self.processor.save())
    }

    /// The latest instant the processor was told: every boundary due by then was walked.
    pub const fn walked(&self) -> Time {
        self.now
    }
}
