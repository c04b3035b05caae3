//! Which readings made anew take the place of those that stand.

use super::stations;
use history::{History, Remade, WriteError};
use observation::{Property, Reading, Reason, Reasons};

/// The reasons that follow from settings and the sample alone. Others come of what was
/// known of neighbours, or of the instrument's past, when the reading was judged; where
/// the value is the same, that judgement stands.
fn of_settings(reasons: Reasons) -> u16 {
    let mask = Reasons::NONE.with(Reason::Range).with(Reason::Saturated).with(Reason::Incomplete);
    reasons.bits() & mask.bits()
}

/// Whether a reading made anew says something else.
fn differs(old: &Reading, new: &Reading) -> bool {
    old.value != new.value || of_settings(old.reasons) != of_settings(new.reasons)
}

/// Replaces what differs, station by station.
///
/// # Errors
/// See [`WriteError`]; stations done before stay done, and a repetition changes them no
/// more.
pub fn apply(
    history: &mut History,
    property: &Property,
    day: i64,
    made: &[Reading],
) -> Result<Remade, WriteError> {
    let mut sum = Remade::default();
    for station in stations(property) {
        let remade = history.revise(station, day, made, &differs)?;
        sum.readings += remade.readings;
        sum.series += remade.series;
    }
    Ok(sum)
}

#[cfg(test)]
mod tests {
    use super::*;
    use observation::{Flag, SeriesIndex, Time};

    #[test]
    fn a_judgement_stands_while_the_value_does() {
        let old = Reading {
            series: SeriesIndex(0),
            time: Time(0),
            value: Some(125),
            flag: Flag::Doubtful,
            reasons: Reasons::from(Reason::Neighbours),
            revision: 1,
            made_by: 1,
        };
        let plain = Reading { flag: Flag::Good, reasons: Reasons::NONE, revision: 0, ..old };
        assert!(!differs(&old, &plain));
        assert!(!differs(&old, &Reading { made_by: 2, ..plain }));
        assert!(differs(&old, &Reading { value: Some(126), ..plain }));
        assert!(differs(&old, &Reading { value: None, ..plain }));
        let out = Reading { reasons: Reasons::from(Reason::Range), ..plain };
        assert!(differs(&old, &out));
    }
}
