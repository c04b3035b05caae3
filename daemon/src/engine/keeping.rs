//! Keeping decades: finished days are sealed into blocks, and when the store has reached
//! its size, or raw samples their age, the oldest of them go, a warning first.

use super::core::Fatal;
use super::process::Process;
use super::turn::Turn;
use history::{ReadError, WriteError};
use observation::time::{DAY, HOUR};
use observation::{Property, Span, Time};
use std::collections::VecDeque;
use std::time::Duration;

/// Time between two looks at what is to be sealed or trimmed.
const LOOKING: Duration = Duration::from_secs(3_600);
/// A day is sealed this long after its end: what comes late comes mostly within hours.
const REST: i64 = 6 * HOUR;
/// Time between two warnings that samples will go.
const WARNING: Duration = Duration::from_secs(86_400);

/// How long raw samples are kept.
#[derive(Clone, Copy, Debug)]
pub struct Limits {
    /// Until so many bytes of the store are in use.
    pub bytes: u64,
    /// Until they were received so long ago; none for ever.
    pub age: Option<Span>,
}

/// What is to be kept, and what is still to be done for it.
#[derive(Debug)]
pub struct Keeping {
    limits: Limits,
    span: Span,
    forwarders: Vec<String>,
    due: VecDeque<i64>,
    looked: Option<Duration>,
    warned: Option<Duration>,
}

impl Keeping {
    /// Of a property and its forwarders.
    pub fn new(property: &Property, limits: Limits, forwarders: Vec<String>) -> Self {
        let oldest = property.stations.iter().map(|s| -s.oldest.0).max().unwrap_or(0);
        Self {
            limits,
            // Late samples are compared with those of their day.
            span: Span(oldest.max(31 * DAY) + 2 * DAY),
            forwarders,
            due: VecDeque::new(),
            looked: None,
            warned: None,
        }
    }
}

impl<P: Process> Turn<P> {
    /// One step of keeping, between two commits: a day sealed, a week merged, or the log
    /// trimmed. What
    /// fails is told and tried again at the next look; only a failed sync ends the
    /// process.
    pub(super) fn keep(&mut self, now: Duration) -> Result<(), Fatal> {
        match self.core.history.set_noticed_aside() {
            Ok(told) if told.is_empty() => {}
            Ok(told) => {
                for repair in told {
                    tracing::warn!("history repaired: {repair}");
                    self.standing.history.repairs.push(repair);
                }
                // What is read of the log again is sealed again, now.
                self.keeping.looked = None;
                self.show();
            }
            Err(error) => return self.not_kept(&error),
        }
        if let Some(day) = self.keeping.due.pop_front() {
            match self.core.history.seal(day) {
                Ok(sealed) if sealed.blocks > 0 => tracing::info!(
                    "sealed {}: {} readings in {} blocks of {} bytes",
                    Time(day.saturating_mul(DAY)),
                    sealed.readings,
                    sealed.blocks,
                    sealed.bytes
                ),
                Ok(_) => {}
                Err(error) => return self.not_kept(&error),
            }
            return Ok(());
        }
        if self.keeping.looked.is_some_and(|l| now.saturating_sub(l) < LOOKING) {
            return self.merge_weeks(now);
        }
        self.keeping.looked = Some(now);
        let walked = self.timekeeping.received();
        let before = Time(walked.0.saturating_sub(REST)).utc_day();
        match self.core.history.look().days_to_seal(before) {
            Ok(days) => self.keeping.due = days.into(),
            Err(error) => tracing::error!("days are not sealed: {error}"),
        }
        if self.keeping.due.is_empty() { self.trim(now, walked) } else { Ok(()) }
    }

    fn trim(&mut self, now: Duration, received: Time) -> Result<(), Fatal> {
        let Keeping { limits: Limits { bytes, age }, span, .. } = self.keeping;
        let look = self.core.history.look();
        let read = || {
            let slowest = look.slowest(&self.keeping.forwarders)?;
            Ok::<_, ReadError>((look.used_bytes()?, look.oldest_samples()?, slowest))
        };
        let (used, oldest, slowest) = match read() {
            Ok(read) => read,
            Err(error) => {
                tracing::error!("the size of the history is not known: {error}");
                return Ok(());
            }
        };
        let state = &mut self.standing.history;
        (state.used_bytes, state.allowed_bytes) = (used, bytes);
        let aged = oldest.zip(age).map(|(oldest, age)| (received.0 - oldest.0, age.0));
        let large = used >= bytes / 10 * 9;
        let old = aged.is_some_and(|(oldest, age)| oldest >= age / 10 * 9);
        if !large && !old {
            return Ok(());
        }
        if self.keeping.warned.is_none_or(|w| now.saturating_sub(w) >= WARNING) {
            let first = self.keeping.warned.is_none();
            self.keeping.warned = Some(now);
            if large {
                tracing::warn!(
                    "the history has {used} bytes of the {bytes} that `keep_samples` allows; beyond it the oldest raw samples are deleted, readings stay: make a backup, or raise `keep_samples`"
                );
            }
            if let Some((oldest, age)) = aged.filter(|_| old) {
                tracing::warn!(
                    "the oldest raw samples are {} days old; after the {} that `keep_samples_for` allows they are deleted, readings stay: make a backup, or raise `keep_samples_for`",
                    oldest / DAY,
                    age / DAY
                );
            }
            // The warning comes first: nothing goes before the next look.
            if first {
                return Ok(());
            }
        }
        // What is young stays whatever its size.
        let keep = Time(received.0.saturating_sub(span.0));
        let by_size = self.core.history.trim(bytes, keep, slowest);
        self.gone(by_size, "`keep_samples` is reached")?;
        if let Some(age) = age {
            let keep = keep.min(Time(received.0.saturating_sub(age.0)));
            let by_age = self.core.history.trim(0, keep, slowest);
            self.gone(by_age, "they were older than `keep_samples_for`")?;
        }
        Ok(())
    }

    fn gone(&mut self, result: Result<u64, WriteError>, why: &str) -> Result<(), Fatal> {
        match result {
            Ok(0) => Ok(()),
            Ok(gone) => {
                self.standing.history.deleted_records += gone;
                tracing::warn!(
                    "the samples of the {gone} oldest records were deleted: {why}; their readings stay"
                );
                Ok(())
            }
            Err(error) => self.not_kept(&error),
        }
    }

    fn not_kept(&mut self, error: &WriteError) -> Result<(), Fatal> {
        self.keeping.due.clear();
        if error.is_final() {
            return Err(Fatal(error.to_string()));
        }
        tracing::error!("days are not sealed: {error}; tried again within the hour");
        Ok(())
    }
}
