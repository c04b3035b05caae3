//! Values that would make sense in another unit than the declared one.

use crate::croft::{P, T, at, message, value};
use crate::log::Croft;
use observation::{ChannelIndex, Diagnosis, Stated};

/// A value each half minute; what is said after the last.
fn after(croft: &mut Croft, channel: ChannelIndex, values: &[f64]) -> Vec<Diagnosis> {
    let begin = croft
        .processor
        .heartbeat(crate::croft::ORCHARD)
        .map_or(0, |last| (last.0 - at(0).0) / 1_000 + 30);
    for (nth, &sent) in (0_i64..).zip(values) {
        let when = at(begin + nth * 30);
        croft.take(message(when, vec![value(channel, sent, Stated::At(when))]));
    }
    croft.processor.units_doubted()
}

#[test]
fn fahrenheit_in_a_channel_of_celsius_and_kilopascals_in_one_of_hectopascals_are_named() {
    let mut croft = Croft::new();
    let warm = [70.7, 70.9, 71.0, 71.0, 71.2, 71.4, 71.4, 71.5, 71.6, 71.6];
    assert!(after(&mut croft, T, &warm[..9]).is_empty(), "nine may be a fault that passes");
    let told = after(&mut croft, T, &warm[9..]);
    assert_eq!(told.len(), 1, "{told:?}");
    assert_eq!(told[0].cause, "unit_wrong");
    assert_eq!(told[0].station.as_deref(), Some("orchard"));
    assert_eq!(told[0].instrument.as_deref(), Some("screen"));
    assert_eq!((told[0].since, told[0].time), (at(0), at(270)));
    // (71.6 - 32) / 1.8 = 22.
    let words = &told[0].evidence.words;
    assert!(words.ends_with("the last 71.6; they would in `[degF]` (22.00 Cel)"), "{words}");
    assert!(told[0].confidence < 0.9, "it is a hint");

    let low = [98.8, 98.8, 98.81, 98.8, 98.82, 98.82, 98.83, 98.83, 98.84, 98.85];
    let told = after(&mut croft, P, &low);
    assert_eq!(told.len(), 2, "{told:?}");
    assert!(told[1].evidence.words.contains("`kPa` (988.50 hPa)"), "{:?}", told[1].evidence);

    // One that makes sense ends it.
    assert_eq!(after(&mut croft, T, &[21.3]).len(), 1);
    assert!(after(&mut croft, P, &[988.5]).is_empty());
    assert!(croft.processor.diagnoses().is_empty(), "it is no part of what is logged");
}

#[test]
fn what_stands_still_fails_or_fits_no_unit_is_no_matter_of_units() {
    for values in [
        // Stuck; a sensor's word at start-up; a wire that comes loose; short and no unit.
        [70.7; 12],
        [85.0; 12],
        [70.7, 12.0, 71.0, 12.1, 71.2, 12.0, 71.4, 12.2, 71.1, 12.3, 71.5, 12.4],
        [
            -300.0, -301.0, -302.0, -303.0, -304.0, -305.0, -306.0, -307.0, -308.0, -309.0, -310.0,
            -311.0,
        ],
    ] {
        let told = after(&mut Croft::new(), T, &values);
        assert!(told.is_empty(), "{told:?} of {values:?}");
    }
    // No unit fits all of them.
    let mixed = [70.7, 290.0, 71.0, 291.0, 70.7, 290.0, 71.0, 291.0, 70.7, 290.0, 71.0, 291.0];
    assert!(after(&mut Croft::new(), T, &mixed).is_empty());
}
