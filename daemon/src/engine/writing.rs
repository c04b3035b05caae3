//! Committing, waiting for a device that refuses, giving receipts.

use super::core::Fatal;
use super::pacing::Reason;
use super::process::Process;
use super::turn::Turn;
use adapters::port::Receipt;
use history::{AsideUse, Committed, WriteError};
use observation::Time;
use std::time::Duration;

/// Time between two savings of the state, and between two tidyings of the store.
pub(super) const SAVING: Duration = Duration::from_secs(600);
/// Records behind the saved state, at most: a start reads them all again. Fewer in this
/// crate's tests, which sync a commit for each.
pub(super) const RECORDS: u64 = if cfg!(test) { 100 } else { 10_000 };
/// Nothing was committed for this long: the store may be tidied.
const QUIET: Duration = Duration::from_secs(5);
/// Pauses between tries to write to a device that refuses.
pub(super) const FIRST_PAUSE: Duration = Duration::from_millis(200);
const LONGEST_PAUSE: Duration = Duration::from_secs(5);
/// How long a stop waits for a device that refuses.
const LAST_PATIENCE: Duration = Duration::from_secs(5);
/// Time between two warnings that what is set aside will be given up.
const WARNING: Duration = Duration::from_secs(86_400);
/// Time between two summaries of refusals in the log.
const SUMMARY: Duration = Duration::from_secs(3_600);

impl<P: Process> Turn<P> {
    /// Commits what waits, shows it, gives the receipts.
    pub(super) fn settle(&mut self) -> Result<(), Fatal> {
        let reason = self.pacing.reason(self.clock.monotonic());
        if self.commit_all(self.timekeeping.received(), reason)? {
            self.show();
        } else if self.receipts.is_empty() {
            return Ok(());
        }
        self.give_receipts();
        self.save_if_due()
    }

    /// Saves the state behind what was committed. It is large: nobody waits for it, and
    /// where the process is killed meanwhile what was committed stands.
    fn save_if_due(&mut self) -> Result<(), Fatal> {
        let (now, number) = (self.clock.monotonic(), self.core.history.next_number());
        if now < self.save_at && number.saturating_sub(self.saved) <= RECORDS {
            return Ok(());
        }
        let saved = self.core.save_state();
        if let Err(error) = saved {
            if error.is_final() {
                return Err(Fatal(error.to_string()));
            }
            tracing::warn!("the state was not saved: {error}; it is tried again");
        }
        (self.save_at, self.saved) = (now + SAVING, number);
        Ok(())
    }

    /// Commits what waits, however long the device refuses; whether anything did.
    pub(super) fn commit_all(&mut self, now: Time, reason: Reason) -> Result<bool, Fatal> {
        let mut pause = FIRST_PAUSE;
        loop {
            match self.core.commit() {
                Ok(None) => return Ok(false),
                Ok(Some(committed)) => {
                    self.written(committed, now);
                    self.standing.history.commit_reasons.add(reason);
                    return Ok(true);
                }
                Err(error) => self.refused_write(&error, &mut pause)?,
            }
        }
    }

    pub(super) fn written(&mut self, committed: Committed, now: Time) {
        let mut aside = false;
        for (station, reason) in self.core.written_aside() {
            self.standing.set_aside(station, reason);
            aside = true;
        }
        if aside {
            self.aside_grew(committed.given_up);
        }
        let (messages, readings) = self.core.written();
        self.standing.written(messages, readings, now);
        self.core.committed();
        self.standing.committed(committed, now, &self.core.history);
        self.rain = self.standing.rain_of(&self.core.processor);
        self.committed = self.clock.monotonic();
    }

    /// Something was set aside, and so many messages were given up for it: says so, first
    /// that it will come to that.
    fn aside_grew(&mut self, given_up: u64) {
        let state = &mut self.standing.history;
        state.given_up_aside += given_up;
        let first = given_up > 0 && state.given_up_aside == given_up;
        if given_up > 0
            && let Err(error) = self.standing.recount_aside(&self.core.history)
        {
            tracing::error!("what is set aside cannot be counted: {error}");
        }
        let Some((station, held)) = self.core.history.aside_nearly_full() else { return };
        let now = self.clock.monotonic();
        if self.warned_aside.is_some_and(|w| now.saturating_sub(w) < WARNING) && !first {
            return;
        }
        self.warned_aside = Some(now);
        let most = AsideUse::OF_A_STATION;
        tracing::warn!(
            "{} messages of {station} are set aside, {} bytes; of one station {} messages or {} bytes are kept, and four times that of all, then the oldest are given up ({} were since the start): bring them in with `isobarn import --set-aside {station}`, and mend what they are set aside for",
            held.messages,
            held.bytes,
            most.messages,
            most.bytes,
            self.standing.history.given_up_aside
        );
    }

    /// A write that failed: waits a little, or ends the process. Nothing is forgotten,
    /// nothing more is taken meanwhile.
    pub(super) fn refused_write(
        &mut self,
        error: &WriteError,
        pause: &mut Duration,
    ) -> Result<(), Fatal> {
        if error.is_final() {
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
            self.obey_meanwhile(error)?;
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

    pub(super) fn give_receipts(&mut self) {
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

    pub(super) fn tend(&mut self, now: Duration) -> Result<(), Fatal> {
        if now.saturating_sub(self.summed) >= SUMMARY {
            self.summed = now;
            self.counts.sum_up();
            // Under steady traffic there is no quiet, but maybe room for the ballast again.
            self.core.history.tend(false).map_err(|e| Fatal(e.to_string()))?;
        }
        if !self.core.is_waiting() {
            self.keep(now)?;
        }
        let quiet = now.saturating_sub(self.committed) >= QUIET && !self.core.is_waiting();
        if quiet && now.saturating_sub(self.tended) >= SAVING {
            self.tended = now;
            self.core.history.tend(true).map_err(|e| Fatal(e.to_string()))?;
        }
        Ok(())
    }

    /// The last commit, the state, the end.
    pub(super) fn end(&mut self) -> Result<(), Fatal> {
        self.pacing.hurry();
        self.settle()?;
        if let Err(error) = self.core.save_state() {
            tracing::warn!("the state was not saved: {error}; it is built anew at the next start");
        }
        self.core.history.tend(true).map_err(|e| Fatal(e.to_string()))
    }
}

pub(super) fn fail(receipts: impl Iterator<Item = (u64, Receipt)>) {
    for (_, receipt) in receipts {
        // An answer to a request is dropped without a word: it becomes a 503.
        if let Receipt::UpTo(mark, _) = receipt {
            mark.fail();
        }
    }
}
