//! One value judged by itself and by the value before it.

use crate::{fault, range, step};
use observation::{Flag, Quantity, Reason, Reasons, Span};

/// Humidity up to this reads as saturated: cheap sensors give a little more than
/// 100 per cent (common practice).
const SATURATED_UP_TO: f64 = 105.0;

/// A value in the canonical unit, as it stands after the checks.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Checked {
    /// The value; humidity beyond saturation is set to 100 per cent.
    pub value: f64,
    /// How far to trust it.
    pub flag: Flag,
    /// Why.
    pub reasons: Reasons,
}

/// Checks `value`. `plausible` is the instrument's own range where the settings give
/// one; `before` is the last value that was not erroneous and how long ago it was.
pub fn check(
    quantity: Quantity,
    value: f64,
    plausible: Option<(f64, f64)>,
    before: Option<(f64, Span)>,
) -> Checked {
    let mut checked = Checked { value, flag: Flag::Unchecked, reasons: Reasons::NONE };
    if matches!(quantity, Quantity::RelativeHumidity) && value > 100.0 && value <= SATURATED_UP_TO {
        checked.value = 100.0;
        checked.reasons = checked.reasons.with(Reason::Saturated);
    }
    if let Some((low, high)) = range::plausible(quantity) {
        let inside = (low..=high).contains(&checked.value);
        checked.note(if inside { Flag::Good } else { Flag::Erroneous }, Reason::Range);
    }
    if let Some((low, high)) = plausible {
        let inside = (low..=high).contains(&checked.value);
        checked.note(if inside { Flag::Good } else { Flag::Doubtful }, Reason::Range);
    }
    if fault::suspected(quantity, value, before) {
        checked.note(Flag::Doubtful, Reason::Fault);
    } else if let Some((previous, elapsed)) = before
        && !quantity.is_direction()
        && let Some(believable) = step::believable(quantity, checked.value - previous, elapsed)
    {
        checked.note(if believable { Flag::Good } else { Flag::Doubtful }, Reason::Step);
    }
    checked
}

impl Checked {
    fn note(&mut self, flag: Flag, reason: Reason) {
        self.flag = self.flag.worse(flag);
        if !matches!(flag, Flag::Good) {
            self.reasons = self.reasons.with(reason);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn flags_follow_range_step_saturation_and_fault() {
        let minute = Span::minutes(1);
        for (name, quantity, value, own, before, flag, reason) in [
            ("plain", Quantity::AirTemperature, 17.3, None, None, Flag::Good, None),
            (
                "absurd wind",
                Quantity::WindSpeed,
                468.7,
                None,
                None,
                Flag::Erroneous,
                Some(Reason::Range),
            ),
            (
                "own range",
                Quantity::AirTemperature,
                50.0,
                Some((-30.0, 45.0)),
                None,
                Flag::Doubtful,
                Some(Reason::Range),
            ),
            (
                "step",
                Quantity::AirTemperature,
                20.0,
                None,
                Some((10.0, minute)),
                Flag::Doubtful,
                Some(Reason::Step),
            ),
            (
                "no step",
                Quantity::AirTemperature,
                20.0,
                None,
                Some((18.0, minute)),
                Flag::Good,
                None,
            ),
            (
                "saturated",
                Quantity::RelativeHumidity,
                103.0,
                None,
                None,
                Flag::Good,
                Some(Reason::Saturated),
            ),
            (
                "beyond",
                Quantity::RelativeHumidity,
                140.0,
                None,
                None,
                Flag::Erroneous,
                Some(Reason::Range),
            ),
            (
                "start-up",
                Quantity::AirTemperature,
                85.0,
                None,
                Some((12.0, minute)),
                Flag::Erroneous,
                Some(Reason::Fault),
            ),
            ("no check", Quantity::SurfaceSnowThickness, 0.4, None, None, Flag::Unchecked, None),
        ] {
            let checked = check(quantity, value, own, before);
            assert_eq!(checked.flag, flag, "{name}");
            if let Some(reason) = reason {
                assert!(checked.reasons.contains(reason), "{name}: {:?}", checked.reasons);
            } else {
                assert!(checked.reasons.is_empty(), "{name}: {:?}", checked.reasons);
            }
        }
        let saturated = check(Quantity::RelativeHumidity, 103.0, None, None);
        assert!((saturated.value - 100.0).abs() < f64::EPSILON);
    }
}
