//! Counts since the sample before, without a total.

use super::super::limits::Limits;
use super::{CountFault, Increment, Kind, count};
use crate::{Flag, Reason, Span, Time};

/// Counts since the sample before, sent without a total.
///
/// `previous` is the time of the sample before and `interval` the expected spacing,
/// zero for a sender that reports on change: if the sample before is more than one and
/// a half intervals ago, one was lost with its counts, and the increment covers one
/// interval. More than the time allows is kept, `doubtful`, reason `range`: with
/// no total there is nothing to tell a glitch by.
///
/// # Errors
/// As [`count`].
pub fn interval_count(
    value: f64,
    previous: Option<Time>,
    time: Time,
    interval: Span,
    limits: Limits,
) -> Result<Increment, CountFault> {
    let count = count(value)?;
    let patience = Span(interval.0.saturating_add(interval.0 / 2));
    let from = match previous {
        Some(before) if before > time => time,
        Some(before) if interval <= Span::ZERO || time - before <= patience => before,
        None if interval <= Span::ZERO => {
            return Ok(Increment::new(Kind::Normal, count, None, time));
        }
        _ => time - interval,
    };
    let mut increment = Increment::new(Kind::Normal, count, Some(from), time);
    if count > limits.most(time - from) {
        increment.flag = Flag::Doubtful;
        increment.reasons = Reason::Range.into();
    }
    Ok(increment)
}
