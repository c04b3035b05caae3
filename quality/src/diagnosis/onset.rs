//! When an instrument was first suspected: what shows under some conditions only is suspected
//! again and again, and its conditions are to be looked at since the first time.

use observation::{Span, Time};
use serde::{Deserialize, Serialize};

/// What was not suspected for so long begins anew.
const FORGOTTEN: Span = Span::days(14);
/// The date of the first suspicion is looked at again, so many times.
const LOOKS: u8 = 2;

/// The first suspicion of an instrument.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Onset {
    since: Time,
    looks: u8,
    last: Time,
}

impl Onset {
    /// An instrument is suspected at `now` to be wrong since `since`; returns since when its
    /// conditions are to be looked at.
    pub fn seen(of: &mut Option<Self>, since: Time, now: Time) -> Time {
        let known = of.filter(|onset| now - onset.last < FORGOTTEN);
        let mut onset = known.unwrap_or(Self { since, looks: 0, last: now });
        if onset.looks < LOOKS {
            onset.since = since;
            onset.looks += 1;
        }
        onset.last = now;
        *of = Some(onset);
        onset.since.min(since)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_first_date_is_kept_while_the_suspicion_comes_back() {
        let day = |days: i64| Time(0) + Span::days(days);
        let mut onset = None;
        assert_eq!(Onset::seen(&mut onset, day(10), day(11)), day(10));
        assert_eq!(Onset::seen(&mut onset, day(9), day(12)), day(9));
        assert_eq!(Onset::seen(&mut onset, day(20), day(21)), day(9));
        assert_eq!(Onset::seen(&mut onset, day(5), day(22)), day(5));
        assert_eq!(Onset::seen(&mut onset, day(40), day(41)), day(40));
    }
}
