//! What a sender's statement of time means.
//!
//! The rule kept here: whether a stated instant can be believed is not judged here; a
//! local time that names no instant or two is [`Stated::Unplaceable`], never a guess.

use super::refused::{Refused, shown};
use super::scalar::{Scalar, number};
use jiff::civil::DateTime;
use jiff::tz::{AmbiguousOffset, TimeZone};
use observation::property::Station;
use observation::{Refusal, Stated, Time};

/// Farthest instant that is kept, in milliseconds from 1970: beyond it a floating-point
/// number of seconds no longer tells milliseconds apart.
const FARTHEST: f64 = 9.0e15;

/// RFC 8428, section 4.5.3: a time below this many seconds is relative to now.
const RELATIVE_BELOW: f64 = 268_435_456.0;

/// How one station's own times are read.
#[derive(Debug)]
pub(super) struct StationClock {
    zone: Option<TimeZone>,
    milliseconds: bool,
}

impl StationClock {
    pub(super) fn of(station: &Station) -> Self {
        Self {
            zone: station.time_zone.as_deref().and_then(|name| TimeZone::get(name).ok()),
            milliseconds: station.time_in_milliseconds,
        }
    }

    /// A number (Unix seconds, or milliseconds where the station says so) or a text
    /// (RFC 3339, or a local time without offset).
    pub(super) fn read(&self, scalar: &Scalar<'_>) -> Result<Stated, Refused> {
        match scalar {
            Scalar::Null => Ok(Stated::Nothing),
            Scalar::Text(text) => self.text(text),
            Scalar::Untyped(text) => match number(text) {
                Ok(n) => Ok(self.number(n)),
                Err(Refusal::NotFinite) => Err(not_finite()),
                Err(_) => self.text(text),
            },
            Scalar::Bool(_) | Scalar::Nested => {
                Err(Refused::new(Refusal::WrongType, "`time` is neither a number nor a text"))
            }
            Scalar::Unsigned(_) | Scalar::Signed(_) | Scalar::Float(_) => scalar
                .number()
                .filter(|n| n.is_finite())
                .map(|n| self.number(n))
                .ok_or_else(not_finite),
        }
    }

    fn number(&self, number: f64) -> Stated {
        Stated::At(instant(if self.milliseconds { number } else { number * 1_000.0 }))
    }

    fn text(&self, text: &str) -> Result<Stated, Refused> {
        let malformed = || {
            Refused::new(
                Refusal::Malformed,
                format!(
                    "`time` is `{}`, which is not an RFC 3339 instant such as 2026-03-01T06:00:00Z",
                    shown(text)
                ),
            )
        };
        let bytes = text.as_bytes();
        // Date, `T` or a blank, and at least hours and minutes; no zone in brackets.
        let shaped = (16..=40).contains(&bytes.len())
            && matches!(bytes.get(10), Some(b'T' | b't' | b' '))
            && !bytes.contains(&b'[');
        if !shaped {
            return Err(malformed());
        }
        if let Ok(timestamp) = text.parse::<jiff::Timestamp>() {
            return Ok(Stated::At(Time(timestamp.as_millisecond())));
        }
        let local: DateTime = text.parse().map_err(|_| malformed())?;
        let Some(zone) = &self.zone else { return Ok(Stated::Unplaceable) };
        let ambiguous = zone.to_ambiguous_timestamp(local);
        match ambiguous.offset() {
            AmbiguousOffset::Unambiguous { .. } => ambiguous
                .compatible()
                .map(|t| Stated::At(Time(t.as_millisecond())))
                .map_err(|_| malformed()),
            AmbiguousOffset::Gap { .. } | AmbiguousOffset::Fold { .. } => Ok(Stated::Unplaceable),
        }
    }
}

/// A resolved SenML time in seconds.
pub(super) fn senml(seconds: f64) -> Stated {
    if seconds < RELATIVE_BELOW {
        Stated::Relative(instant(seconds * 1_000.0).0)
    } else {
        Stated::At(instant(seconds * 1_000.0))
    }
}

fn instant(milliseconds: f64) -> Time {
    // Within the clamp every value fits.
    #[allow(clippy::cast_possible_truncation)]
    Time(milliseconds.round().clamp(-FARTHEST, FARTHEST) as i64)
}

fn not_finite() -> Refused {
    Refused::new(Refusal::NotFinite, "`time` is not a finite number")
}
