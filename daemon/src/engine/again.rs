//! After a step of the clock: what was set aside for its time is judged by the new clock.
//!
//! The rule kept here: what now lies in its station's window is taken like something
//! that arrives, with the new `received`, and marked as brought in only when that is
//! durable. Should the program end in between, the next step finds it held already.

use super::core::Fatal;
use super::pacing::Reason;
use super::process::Process;
use super::turn::Turn;
use super::writing::FIRST_PAUSE;
use history::Aside;
use observation::time::FIRST_BELIEVABLE;
use observation::{Message, Property, Refusal, Stated, Time};

/// Messages judged between two commits.
const AT_A_TIME: usize = 500;

/// Whether all that a message states lies in its station's window by a clock that shows
/// `now`.
fn placeable(property: &Property, message: &Message, now: Time) -> bool {
    property.stations.get(usize::from(message.station.0)).is_some_and(|station| {
        message.samples.iter().all(|sample| match sample.stated {
            Stated::At(time) => {
                time >= FIRST_BELIEVABLE
                    && time >= now + station.oldest
                    && time <= now + station.newest
            }
            // An age counts from the arrival, which is past.
            Stated::Relative(_) | Stated::Nothing | Stated::Unplaceable => false,
        })
    })
}

impl<P: Process> Turn<P> {
    /// Judges again what was set aside as too old or of the future. Nothing waits to be
    /// committed before and after.
    ///
    /// # Errors
    /// What ends the process.
    pub(super) fn judge_aside_again(&mut self, now: Time) -> Result<(), Fatal> {
        let mut after = 0;
        let mut taken = 0_usize;
        loop {
            self.counts.beat();
            let rows = match self.core.history.look().set_aside(None, after, AT_A_TIME) {
                Ok(rows) => rows,
                Err(error) => {
                    tracing::error!("what was set aside cannot be judged again: {error}");
                    break;
                }
            };
            let Some(last) = rows.last() else { break };
            after = last.id;
            let property = self.standing.property();
            let ripe: Vec<Aside> = rows
                .into_iter()
                .filter(|row| matches!(row.set_aside.reason, Refusal::TooOld | Refusal::Future))
                .filter(|row| placeable(&property, &row.set_aside.message, now))
                .collect();
            if ripe.is_empty() {
                continue;
            }
            let ids: Vec<i64> = ripe.iter().map(|row| row.id).collect();
            taken += ids.len();
            let passed = self.clock.monotonic();
            for row in ripe {
                self.take_message(row.set_aside.message, now, passed)?;
            }
            self.commit_all(now, Reason::Other)?;
            let mut pause = FIRST_PAUSE;
            while let Err(error) = self.core.history.take_set_aside(&ids) {
                self.refused_write(&error, &mut pause)?;
            }
        }
        if taken > 0 {
            tracing::info!("{taken} messages set aside under the old clock are samples now");
            if let Err(error) = self.standing.recount_aside(&self.core.history) {
                tracing::error!("what is set aside cannot be counted: {error}");
            }
        }
        Ok(())
    }
}
