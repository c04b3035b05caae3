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

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used)]
    use super::*;

    #[test]
    fn a_count_covers_the_time_since_the_sample_before_or_one_interval() {
        let limits = Limits::new(32, Span(300));
        let minute = Span::minutes(1);
        for (name, previous, interval, from) in [
            ("in time", Some(Time(0)), minute, Some(Time(0))),
            ("a little late", Some(Time(-20_000)), minute, Some(Time(-20_000))),
            ("one was lost", Some(Time(-60_000)), minute, Some(Time(0))),
            ("the first", None, minute, Some(Time(0))),
            ("on change", Some(Time(-3_600_000)), Span::ZERO, Some(Time(-3_600_000))),
            ("on change, the first", None, Span::ZERO, None),
            ("out of order", Some(Time(70_000)), minute, Some(Time(60_000))),
        ] {
            let got = interval_count(3.0, previous, Time(60_000), interval, limits).unwrap();
            assert_eq!((got.count, got.from, got.flag), (3, from, Flag::Unchecked), "{name}");
        }
    }

    #[test]
    fn more_than_the_time_allows_is_kept_and_doubtful() {
        let limits = Limits::new(32, Span(300));
        let got =
            interval_count(500.0, Some(Time(0)), Time(60_000), Span::minutes(1), limits).unwrap();
        assert_eq!((got.count, got.flag, got.reasons), (500, Flag::Doubtful, Reason::Range.into()));
        for (bad, fault) in [
            (-1.0, CountFault::Negative),
            (0.5, CountFault::Fractional),
            (f64::NAN, CountFault::NotFinite),
            (1e300, CountFault::TooLarge),
        ] {
            let got = interval_count(bad, None, Time(0), Span::ZERO, limits);
            assert_eq!(got, Err(fault));
        }
    }
}
