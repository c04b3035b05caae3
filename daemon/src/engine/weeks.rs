//! Weeks that are over since long get one block a station in the place of seven: one block
//! at a time, with rests, so that an old history changes over within hours and nobody waits.

use super::core::Fatal;
use super::process::Process;
use super::turn::Turn;
use history::WriteError;
use history::weeks::monday;
use observation::time::DAY;
use observation::{Span, Time};
use std::time::Duration;

/// A week is left in days for so long after its end: what comes late makes a day anew, and
/// of a week all seven.
const MARGIN: Span = Span(14 * DAY);
/// Between two blocks.
const REST: Duration = Duration::from_secs(10);
/// Weeks of which it is asked at a time whether there is anything to do.
const AT_A_TIME: usize = 8;
/// After a device was full.
const LONG_REST: Duration = Duration::from_secs(3_600);

/// How far it has come.
#[derive(Debug, Default)]
pub(super) struct Weeks {
    /// The Monday of the week that is next; none before the first look.
    next: Option<i64>,
    /// The last Monday when all weeks were gone through.
    pub(super) done: Option<i64>,
    /// Not before.
    rest: Option<Duration>,
}

impl<P: Process> Turn<P> {
    /// One step: at most one block is written. All weeks are gone through after a start,
    /// and again whenever one more is old enough: some were parted meanwhile.
    pub(super) fn merge_weeks(&mut self, now: Duration) -> Result<(), Fatal> {
        if now < *self.weeks.rest.get_or_insert(now + REST) {
            return Ok(());
        }
        self.weeks.rest = Some(now + REST);
        let walked = self.timekeeping.received();
        let last = monday(Time(walked.0.saturating_sub(MARGIN.0)).utc_day()) - 7;
        if self.weeks.done.is_some_and(|done| done >= last) {
            return Ok(());
        }
        let mut next = match self.weeks.next {
            Some(next) => next,
            None => match self.core.history.look().first_sealed() {
                Ok(first) => monday(first.unwrap_or(last + 7)),
                Err(error) => return self.not_merged(&WriteError::Failed(error.to_string())),
            },
        };
        for _ in 0..AT_A_TIME {
            if next > last {
                (self.weeks.next, self.weeks.done) = (None, Some(last));
                return Ok(());
            }
            let merged = self.core.history.merge(next);
            if let Ok(Some(week)) = merged {
                self.weeks.next = Some(next);
                tracing::debug!(
                    "{} readings of the week from {} are in one block of {} bytes",
                    week.readings,
                    Time(next.saturating_mul(DAY)),
                    week.bytes
                );
                return Ok(());
            }
            // What cannot be merged stays in days.
            next += 7;
            self.weeks.next = Some(next);
            if let Err(error) = merged {
                return self.not_merged(&error);
            }
        }
        Ok(())
    }

    fn not_merged(&mut self, error: &WriteError) -> Result<(), Fatal> {
        if error.is_final() {
            return Err(Fatal(error.to_string()));
        }
        if *error == WriteError::Full {
            (self.weeks.next, self.weeks.rest) =
                (None, self.weeks.rest.map(|rest| rest + LONG_REST));
        }
        tracing::error!("a week stays in blocks of days: {error}");
        Ok(())
    }
}
