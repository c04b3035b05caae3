//! One value of a direct channel: converted, and judged by itself and by what was
//! before it.

use crate::plan::Part;
use crate::track::Point;
use observation::property::{Instrument, Signal};
use observation::signal::vane::{Pointing, Seen, Vane};
use observation::signal::{calibration, direction, ratio};
use observation::{Flag, Reason, Span, Time, Value};
use quality::single::{Checked, check};
use serde::{Deserialize, Serialize};

/// How old a supply may be for a ratio.
pub(crate) const SUPPLY: Span = Span::hours(1);

/// A value in the canonical unit, before checks, and what made it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Converted {
    pub(crate) value: f64,
    pub(crate) made_by: u32,
}

/// What one sample of a directly read quantity means. None where it means nothing: no
/// number, a ratio between two bands or without a supply, a calibration that does not fit.
pub(crate) fn convert(
    instrument: &Instrument,
    part: &Part,
    point: &Point,
    supply: &[Point],
) -> Option<Converted> {
    let directed = instrument.quantity.is_direction();
    let raw = match (&instrument.signal, &point.value) {
        (_, Value::Text(word)) if directed => direction::parse_point(word)?,
        (Signal::Ratio(signal), _) => {
            let share = match signal.supply {
                Some(_) => ratio::ratio(point.number()?, supply_at(supply, point.time)?).ok()?,
                None => point.number()?,
            };
            ratio::value(signal, share).ok()?
        }
        _ => point.number()?,
    };
    let scale = part.scale;
    let made = calibration::direct(raw, scale, &instrument.calibrations, point.time)?;
    let value =
        if directed { direction::normalise(made.value + instrument.mounting)? } else { made.value };
    Some(Converted { value, made_by: made.made_by })
}

/// The supply that was read with or last before a sample.
fn supply_at(points: &[Point], time: Time) -> Option<f64> {
    let end = points.partition_point(|p| p.place <= time);
    let point = points.get(end.checked_sub(1)?)?;
    (time - point.time <= SUPPLY).then(|| point.number()).flatten()
}

/// A vane that says something it cannot.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Fault;

/// The direction of one sample and what made it; none in a gap between two points that
/// is not known.
pub(crate) fn point_at(
    instrument: &Instrument,
    part: &Part,
    vane: Option<&Vane>,
    point: &Point,
    supply: &[Point],
    seen: &mut Seen,
) -> Result<Option<Converted>, Fault> {
    let Some(vane) = vane else {
        return convert(instrument, part, point, supply).map(Some).ok_or(Fault);
    };
    match vane.read(&point.value, point.time, seen, None) {
        Pointing::At(read) => corrected(instrument, point.time, read).map(Some).ok_or(Fault),
        Pointing::Unknown => Ok(None),
        Pointing::Fault(_) => Err(Fault),
    }
}

/// A direction, mounting included, by the calibration that held.
fn corrected(instrument: &Instrument, time: Time, read: f64) -> Option<Converted> {
    let Some(active) = calibration::active(&instrument.calibrations, time) else {
        return Some(Converted { value: read, made_by: 0 });
    };
    let value = direction::normalise(calibration::correct(active.transfer, read)?)?;
    Some(Converted { value, made_by: active.made_by })
}

/// What a value is compared with: the last good one and the last that was possible. A
/// value that follows from either is no step, so that a spike makes no second one and a
/// true change is doubted once.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(crate) struct Before {
    good: Option<(Time, f64)>,
    last: Option<(Time, f64)>,
}

impl Before {
    /// Judges a value and remembers it. What is not later than the last is compared
    /// with nothing.
    pub(crate) fn judge(&mut self, instrument: &Instrument, time: Time, value: f64) -> Checked {
        let checked = self.look(instrument, time, value);
        if checked.flag != Flag::Erroneous {
            self.last = Some((time, checked.value));
            if checked.flag.counts() {
                self.good = self.last;
            }
        }
        checked
    }

    /// Judges a value without remembering it.
    pub(crate) fn look(&self, instrument: &Instrument, time: Time, value: f64) -> Checked {
        let against = |before: Option<(Time, f64)>| {
            let before = before.filter(|&(t, _)| t < time).map(|(t, v)| (v, time - t));
            check(instrument.quantity, value, instrument.plausible, before)
        };
        let by_good = against(self.good.or(self.last));
        let only_a_step =
            by_good.reasons.contains(Reason::Step) && !by_good.reasons.contains(Reason::Fault);
        if only_a_step && self.last != self.good {
            let by_last = against(self.last);
            if !by_last.reasons.contains(Reason::Step) {
                return by_last;
            }
        }
        by_good
    }

    /// The time of the last.
    pub(crate) fn time(&self) -> Option<Time> {
        self.last.map(|(time, _)| time)
    }
}
