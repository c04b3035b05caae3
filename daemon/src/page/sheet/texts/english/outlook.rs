//! An outlook in English: facts of the barometer, wind, damp and rain; then the chance and
//! what such chances were worth here. No grade of the weather is given.

use crate::page::sheet::figures::{Shown, capitalised, signed};
use crate::page::sheet::texts::{ENGLISH, Texts};
use meteorology::outlook::{Facts, Score};
use meteorology::tendency;
use observation::Quantity as Q;
use observation::reading::to_steps;

/// Turn of the wind below which it is the same, deg.
const SAME_WIND: f64 = 30.0;
/// Chances like this one that must have been scored before their record is told.
const LEAST_LIKE: u64 = 10;

/// The sentence; a chance only where it may be told. Empty where nothing is known.
pub(super) fn told(facts: &Facts, chance: Option<f64>, score: &Score, shown: &Shown) -> String {
    let humidity = facts.humidity.map(|humidity| format!("humidity {humidity:.0}\u{a0}%"));
    let parts = [
        of_pressure(facts, shown),
        of_wind(facts, &ENGLISH),
        humidity,
        of_rain(facts),
        chance.map(|chance| of_chance(chance, score)),
    ];
    let mut text = capitalised(&parts.into_iter().flatten().collect::<Vec<_>>().join("; "));
    if !text.is_empty() {
        text.push('.');
    }
    text
}

fn of_pressure(facts: &Facts, shown: &Shown) -> Option<String> {
    let quantity = Q::AirPressureAtMeanSeaLevel;
    let steps = to_steps(facts.pressure?, quantity.decimals())?;
    let pressure = format!("{} at sea level", shown.with_unit(quantity, steps));
    let Some(change) = facts.change else { return Some(pressure) };
    let hours = facts.change_hours;
    let quantity = Q::TendencyOfSurfaceAirPressure;
    let (factor, _) = shown.scale(quantity);
    let decimals = shown.decimals(quantity);
    if hours != 3 {
        let change = shown.behind(quantity, &signed(change * factor, decimals));
        return Some(format!("{pressure}, {change} in {hours} h"));
    }
    let words = tendency::words(change);
    Some(if change.abs() < 0.05 {
        format!("{pressure}, {words}")
    } else {
        let change = shown.behind(quantity, &format!("{:.decimals$}", change.abs() * factor));
        format!("{pressure}, {words}, {change} in 3 h")
    })
}

fn of_wind(facts: &Facts, texts: &Texts) -> Option<String> {
    let now = facts.wind?;
    let point = texts.octant(now)?;
    let Some(before) = facts.wind_before else { return Some(format!("wind {point}")) };
    let turn = (now - before + 180.0).rem_euclid(360.0) - 180.0;
    let from = texts.octant(before)?;
    // Clockwise is veering on either half of the globe (common practice).
    Some(if turn.abs() < SAME_WIND || from == point {
        format!("wind {point} as six hours ago")
    } else if turn > 0.0 {
        format!("wind veered from {from} to {point} in 6 h")
    } else {
        format!("wind backed from {from} to {point} in 6 h")
    })
}

fn of_rain(facts: &Facts) -> Option<String> {
    match (facts.wet_hours, facts.rain_hours) {
        (_, 0) => None,
        (0, 12) => Some("no rain for 12 h".to_owned()),
        (0, known) => Some(format!("no rain in the {known} h measured of the last 12")),
        (wet, _) => Some(format!("rain in {wet} of the last 12 h")),
    }
}

fn of_chance(chance: f64, score: &Score) -> String {
    let tenths = (chance * 10.0).round();
    let told = match tenths {
        t if t < 1.0 => "less than 1 in 10".to_owned(),
        t if t > 9.0 => "more than 9 in 10".to_owned(),
        t => format!("{t:.0} in 10"),
    };
    let like = score.bin(chance);
    if like.count < LEAST_LIKE {
        return format!("rain within 12 h: {told}");
    }
    format!(
        "rain within 12 h: {told}; after {} hours here with such a chance it rained {} times",
        like.count, like.wet
    )
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use observation::Unit;
    use std::collections::BTreeMap;

    fn facts() -> Facts {
        Facts {
            pressure: Some(1008.2),
            change: Some(-4.1),
            change_hours: 3,
            wind: Some(135.0),
            wind_before: Some(225.0),
            humidity: Some(91.0),
            wet_hours: 3,
            rain_hours: 12,
        }
    }

    #[test]
    fn facts_are_told_and_a_chance_only_with_its_record() {
        let (facts, shown) = (facts(), Shown::default());
        let mut score = Score::default();
        assert_eq!(
            told(&facts, None, &score, &shown),
            "1008.2\u{a0}hPa at sea level, falling quickly, 4.1\u{a0}hPa in 3 h; \
             wind backed from SW to SE in 6 h; humidity 91\u{a0}%; rain in 3 of the last 12 h."
        );
        for hour in 0..20 {
            score.add(hour, 0.68, true, hour % 4 != 0);
        }
        let text = told(&facts, Some(0.68), &score, &shown);
        assert!(
            text.ends_with(
                "rain within 12 h: 7 in 10; after 20 hours here with such a chance it rained 15 times."
            ),
            "{text}"
        );
        let inches = Unit::parse("[in_i'Hg]").unwrap();
        let own = Shown::new(&BTreeMap::from([
            (Q::AirPressureAtMeanSeaLevel, inches.clone()),
            (Q::TendencyOfSurfaceAirPressure, inches),
        ]));
        // 1 inHg is 33.86389 hPa (NIST SP 811, appendix B).
        let text = told(&facts, None, &score, &own);
        assert!(text.starts_with("29.77\u{a0}inHg at sea level, falling quickly, 0.12"), "{text}");
    }

    #[test]
    fn a_day_is_compared_near_the_equator_and_nothing_known_says_nothing() {
        let (score, shown) = (Score::default(), Shown::default());
        let text = told(&Facts { change_hours: 24, ..facts() }, None, &score, &shown);
        assert!(
            text.starts_with("1008.2\u{a0}hPa at sea level, \u{2212}4.1\u{a0}hPa in 24 h;"),
            "{text}"
        );
        assert_eq!(told(&Facts::default(), None, &score, &shown), "");
        let veered = Facts { wind: Some(20.0), wind_before: Some(350.0), ..Facts::default() };
        assert_eq!(told(&veered, None, &score, &shown), "Wind N as six hours ago.");
    }
}
