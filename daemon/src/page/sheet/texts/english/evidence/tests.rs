//! What is said of invented diagnoses.
#![allow(clippy::unwrap_used)]

use super::*;
use observation::diagnosis::Stage;
use observation::{Evidence, Time, Unit};
use std::collections::BTreeMap;

fn said(cause: Cause, size: Option<f64>, numbers: &[(&str, f64)]) -> Diagnosis {
    Diagnosis {
        time: Time(0),
        station: Some("orchard".into()),
        instrument: Some("screen".into()),
        cause: cause.word().into(),
        stage: Stage::Opened,
        since: Time(0),
        size,
        confidence: 0.9,
        evidence: Evidence {
            words: "as recorded".into(),
            numbers: numbers.iter().map(|(n, v)| ((*n).to_owned(), *v)).collect(),
            from: Time(0),
            to: Time(1),
        },
    }
}

#[test]
fn evidence_is_told_from_its_numbers_with_true_signs_and_nothing_twice() {
    let shown = Shown::default();
    let numbers = [("score", 30.0), ("hours", 288.0), ("while_drying", -9.2), ("when_dry", -8.9)];
    let dry = said(Cause::HumidityOffset, Some(-9.0), &numbers);
    assert_eq!(
        told(&dry, &shown).unwrap(),
        "9\u{a0}% below what the neighbours let expect, for 12 days; \u{2212}9\u{a0}% both \
         while its neighbours dry and when they are dry."
    );
    let numbers = [("score", 9.0), ("hours", 40.0), ("in_sun", 2.04), ("at_night", -0.1)];
    let pumped = [("cumulative_sum", 1.1), ("days", 5.0)];
    let pumped = said(Cause::BarometerPumped, Some(-0.42), &pumped);
    assert_eq!(
        told(&pumped, &shown).unwrap(),
        "\u{2212}0.42\u{a0}hPa in strong wind, against what it is in light wind and was before, \
         on 5 such days (cumulative sum at 1.1 of its limit)."
    );
    let sunlit = said(Cause::SunlitScreen, Some(1.3), &numbers);
    assert_eq!(
        told(&sunlit, &shown).unwrap(),
        "1.3\u{a0}K above what the neighbours let expect, for 40\u{a0}h; +2.0\u{a0}K in the \
         sun, \u{2212}0.10\u{a0}K at night."
    );
    let fahrenheit = Unit::parse("[degF]").unwrap();
    let own = Shown::new(&BTreeMap::from([(Quantity::AirTemperature, fahrenheit)]));
    let text = told(&sunlit, &own).unwrap();
    assert!(text.starts_with("2.3\u{a0}\u{b0}F above"), "{text}");
    let numbers = [
        ("score", 9.0),
        ("hours", 80.0),
        ("sheltered", 0.5),
        ("open", 0.97),
        ("from_s", 0.5),
        ("from_sw", 0.52),
    ];
    let sheltered = said(Cause::MastSheltered, Some(0.8), &numbers);
    assert!(told(&sheltered, &shown).unwrap().contains("0.50 times from S, SW; 0.97 times"));
}

#[test]
fn every_cause_is_told_from_its_own_numbers_or_left_to_its_record() {
    let shown = Shown::default();
    let (neighbours, itself) = ([("score", 9.0), ("hours", 30.0)], [("hours", 13.0)]);
    for &cause in Cause::ALL {
        let words = told(&said(cause, Some(1.5), &neighbours), &shown);
        let known = !matches!(cause, Cause::Disagreement | Cause::UnitWrong)
            && !matches!(cause, Cause::BatteryFailing | Cause::RadioDropouts | Cause::SensorFault);
        if known {
            let words = words.unwrap_or_else(|| panic!("{cause:?} says nothing"));
            assert!(words.contains("30\u{a0}h") || cause == Cause::StationClockWrong, "{words}");
        }
    }
    assert_eq!(told(&said(Cause::Disagreement, None, &neighbours), &shown), None);
    let stuck = told(&said(Cause::VaneStuck, None, &itself), &shown).unwrap();
    assert_eq!(stuck, "The value has not moved at all for 13\u{a0}h.");
    let numbers = [("first", 3.9), ("last", 3.4), ("slope", -0.05)];
    let battery = told(&said(Cause::BatteryFailing, Some(-0.5), &numbers), &shown).unwrap();
    assert!(battery.contains("from 3.90\u{a0}V to 3.40\u{a0}V, by 0.050\u{a0}V"), "{battery}");
    let chart = [("cumulative_sum", 1.2), ("days", 5.0), ("hours", 200.0)];
    let gauge = told(&said(Cause::GaugeCatchesTooLittle, Some(0.6), &chart), &shown).unwrap();
    assert!(gauge.starts_with("Rain is 0.60 times what"), "{gauge}");
    assert!(gauge.contains("on 5 such days"), "{gauge}");
    let chart = [
        ("cumulative_sum", 1.2),
        ("days", 5.0),
        ("hours_seen", 31.0),
        ("sector", 200.0),
        ("hour_of_day", 6.0),
        ("humidity", 71.0),
    ];
    let vane = told(&said(Cause::VaneSwitchDead, Some(45.0), &chart), &shown).unwrap();
    assert!(vane.starts_with("It left out S in 31\u{a0}h of wind from there"), "{vane}");
    let alone = told(&said(Cause::GaugeRainAlone, Some(12.4), &chart), &shown).unwrap();
    assert!(alone.contains("12.4\u{a0}mm in 31\u{a0}h on 5 days"), "{alone}");
    assert!(alone.contains("around 06:30 UTC, at a relative humidity of 71"), "{alone}");
}
