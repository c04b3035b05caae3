//! An outlook in words: facts of the barometer, wind, damp and rain; then the chance and
//! what such chances were worth here. No grade of the weather is given.

use super::score::Score;
use super::terms::Hour;
use crate::tendency;
use observation::signal::direction;

/// Turn of the wind below which it is the same, deg.
const SAME_WIND: f64 = 30.0;
/// Chances like this one that must have been scored before their record is told.
const LEAST_LIKE: u64 = 10;

/// What an outlook is told from.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Facts {
    /// Pressure at mean sea level, hPa.
    pub pressure: Option<f64>,
    /// Its change, hPa.
    pub change: Option<f64>,
    /// Hours of that change: 3; 24 near the equator, where shorter changes are mostly the
    /// daily tide.
    pub change_hours: usize,
    /// Direction of the wind, deg.
    pub wind: Option<f64>,
    /// The same six hours before.
    pub wind_before: Option<f64>,
    /// Relative humidity, %.
    pub humidity: Option<f64>,
    /// Wet hours of the last twelve.
    pub wet_hours: usize,
    /// Hours of the last twelve in which rain was measured.
    pub rain_hours: usize,
}

/// The facts of hours up to now, oldest first, at a latitude in deg.
pub fn facts(hours: &[Hour], latitude: f64) -> Facts {
    let back = |ago: usize| hours.len().checked_sub(ago + 1).and_then(|place| hours.get(place));
    let change_hours = if latitude.abs() < tendency::TIDE_LATITUDE { 24 } else { 3 };
    let pressure = back(0).and_then(|hour| hour.pressure);
    let before = back(change_hours).and_then(|hour| hour.pressure);
    let rain = || (0..super::HORIZON).filter_map(|ago| back(ago)?.wet());
    Facts {
        pressure,
        change: pressure.zip(before).map(|(now, before)| now - before),
        change_hours,
        wind: back(0).and_then(|hour| hour.direction),
        wind_before: back(6).and_then(|hour| hour.direction),
        humidity: back(0).and_then(|hour| hour.humidity),
        wet_hours: rain().filter(|wet| *wet).count(),
        rain_hours: rain().count(),
    }
}

fn of_pressure(facts: &Facts) -> Option<String> {
    let pressure = facts.pressure?;
    let Some(change) = facts.change else {
        return Some(format!("{pressure:.1} hPa at sea level"));
    };
    let hours = facts.change_hours;
    if hours != 3 {
        return Some(format!("{pressure:.1} hPa at sea level, {change:+.1} hPa in {hours} h"));
    }
    let words = tendency::words(change);
    Some(if change.abs() < 0.05 {
        format!("{pressure:.1} hPa at sea level, {words}")
    } else {
        format!("{pressure:.1} hPa at sea level, {words}, {:.1} hPa in 3 h", change.abs())
    })
}

fn of_wind(facts: &Facts) -> Option<String> {
    let now = facts.wind?;
    let point = direction::point_of_eight(now)?;
    let Some(before) = facts.wind_before else { return Some(format!("wind {point}")) };
    let turn = (now - before + 180.0).rem_euclid(360.0) - 180.0;
    let from = direction::point_of_eight(before)?;
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
        (1, _) => Some("rain in 1 of the last 12 h".to_owned()),
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

/// The sentence; a chance only where it may be told. Empty where nothing is known.
pub fn sentence(facts: &Facts, chance: Option<f64>, score: &Score) -> String {
    let humidity = facts.humidity.map(|humidity| format!("humidity {humidity:.0} %"));
    let parts = [
        of_pressure(facts),
        of_wind(facts),
        humidity,
        of_rain(facts),
        chance.map(|chance| of_chance(chance, score)),
    ];
    let mut text = parts.into_iter().flatten().collect::<Vec<_>>().join("; ");
    if let Some(first) = text.get_mut(..1) {
        first.make_ascii_uppercase();
    }
    if !text.is_empty() {
        text.push('.');
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    fn hours() -> Vec<Hour> {
        (0..25)
            .map(|n| Hour {
                pressure: Some(if n < 21 {
                    1012.3
                } else {
                    1012.3 - 4.1 * f64::from(n - 21) / 3.0
                }),
                direction: Some(if n < 20 { 225.0 } else { 135.0 }),
                humidity: Some(91.0),
                rain: Some(if n > 21 { 0.4 } else { 0.0 }),
                ..Hour::default()
            })
            .collect()
    }

    #[test]
    fn facts_are_told_and_a_chance_only_with_its_record() {
        let facts = facts(&hours(), 54.0);
        let mut score = Score::default();
        assert_eq!(
            sentence(&facts, None, &score),
            "1008.2 hPa at sea level, falling quickly, 4.1 hPa in 3 h; wind backed from SW to SE \
             in 6 h; humidity 91 %; rain in 3 of the last 12 h."
        );
        for hour in 0..20 {
            score.add(hour, 0.68, true, hour % 4 != 0);
        }
        let text = sentence(&facts, Some(0.68), &score);
        assert!(
            text.ends_with(
                "rain within 12 h: 7 in 10; after 20 hours here with such a chance it rained 15 times."
            ),
            "{text}"
        );
    }

    #[test]
    fn near_the_equator_a_day_is_compared_and_nothing_known_says_nothing() {
        let text = sentence(&facts(&hours(), 5.0), None, &Score::default());
        assert!(text.starts_with("1008.2 hPa at sea level, -4.1 hPa in 24 h;"), "{text}");
        assert_eq!(sentence(&facts(&[], 54.0), None, &Score::default()), "");
        let veered = Facts { wind: Some(20.0), wind_before: Some(350.0), ..Facts::default() };
        let text = sentence(&veered, None, &Score::default());
        assert_eq!(text, "Wind N as six hours ago.");
    }
}
