//! How the pressure changes in three hours.
//!
//! The rule: from station level, rounded to 0.1 hPa before it is classed. Pressures in
//! hPa.

use crate::validity::{Valid, within};

/// Latitude in deg below which three-hour falls are mostly the daily tide, so that the
/// change over 24 hours is to be used (common practice).
pub const TIDE_LATITUDE: f64 = 25.0;

/// Change in tenths of hPa.
fn tenths(change: f64) -> f64 {
    (change * 10.0).round()
}

/// Change in hPa over three hours.
///
/// # Errors
/// A pressure outside 300 to 1100 hPa.
pub fn change(now: f64, before: f64) -> Valid {
    within("surface_air_pressure", now, 300.0, 1100.0, "hPa")?;
    within("surface_air_pressure three hours ago", before, 300.0, 1100.0, "hPa")?;
    Ok(now - before)
}

/// Words for a change over three hours (UK Met Office, glossary of marine forecasts).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Term {
    /// Below 0.1 hPa.
    Steady,
    /// 0.1 to 1.5 hPa.
    Slowly,
    /// 1.6 to 3.5 hPa: rising or falling without a further word.
    Plain,
    /// 3.6 to 6.0 hPa.
    Quickly,
    /// Above 6.0 hPa.
    VeryRapidly,
}

impl Term {
    /// The term of a change in hPa.
    pub fn of(change: f64) -> Self {
        match tenths(change).abs() {
            t if t < 1.0 => Self::Steady,
            t if t <= 15.0 => Self::Slowly,
            t if t <= 35.0 => Self::Plain,
            t if t <= 60.0 => Self::Quickly,
            _ => Self::VeryRapidly,
        }
    }

    /// Its place among the terms, from 0 for steady.
    pub const fn class(self) -> u8 {
        match self {
            Self::Steady => 0,
            Self::Slowly => 1,
            Self::Plain => 2,
            Self::Quickly => 3,
            Self::VeryRapidly => 4,
        }
    }

    /// The term's word.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Steady => "steady",
            Self::Slowly => "slowly",
            Self::Plain => "plain",
            Self::Quickly => "quickly",
            Self::VeryRapidly => "very_rapidly",
        }
    }
}

/// A change in hPa over three hours in plain words: `steady`, `rising slowly`, `falling`.
pub fn words(change: f64) -> &'static str {
    let rising = change > 0.0;
    match (Term::of(change), rising) {
        (Term::Steady, _) => "steady",
        (Term::Slowly, true) => "rising slowly",
        (Term::Slowly, false) => "falling slowly",
        (Term::Plain, true) => "rising",
        (Term::Plain, false) => "falling",
        (Term::Quickly, true) => "rising quickly",
        (Term::Quickly, false) => "falling quickly",
        (Term::VeryRapidly, true) => "rising very rapidly",
        (Term::VeryRapidly, false) => "falling very rapidly",
    }
}

/// What each characteristic means, by its code.
pub const CHARACTERISTICS: [&str; 9] = [
    "rose, then fell; as high or higher",
    "rose, then steady or more slowly; higher",
    "rose; higher",
    "fell or steady, then rose, or rose faster; higher",
    "steady",
    "fell, then rose; as low or lower",
    "fell, then steady or more slowly; lower",
    "fell; lower",
    "steady or rose, then fell, or fell faster; lower",
];

/// What the pressure did in one half of the three hours.
fn sign(change: f64) -> i8 {
    let t = tenths(change);
    i8::from(t > 0.0) - i8::from(t < 0.0)
}

/// The characteristic of the tendency, 0 to 8, from the pressure three hours ago, one and
/// a half hours ago and now (WMO-No. 306, code table 0200). "Slower" and "faster" compare
/// the two halves; a difference of up to 0.2 hPa counts as the same rate (own choice: the
/// table gives none).
pub fn characteristic(before: f64, middle: f64, now: f64) -> u8 {
    const SAME: f64 = 2.0;
    let (first, second) = (middle - before, now - middle);
    let faster = tenths(second.abs() - first.abs());
    match (sign(first), sign(second), sign(now - before)) {
        (1, -1, s) if s >= 0 => 0,
        (1, 0, 1) => 1,
        (1, 1, _) if faster < -SAME => 1,
        (0 | -1, 1, 1) => 3,
        (1, 1, _) if faster > SAME => 3,
        (1, 1, _) => 2,
        (-1, 1, _) => 5,
        (-1, 0, -1) => 6,
        (-1, -1, _) if faster < -SAME => 6,
        (0 | 1, -1, -1) => 8,
        (-1, -1, _) if faster > SAME => 8,
        (-1, -1, _) => 7,
        // Halves that each round to nothing.
        (_, _, 1) => 2,
        (_, _, -1) => 7,
        _ => 4,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // WMO-No. 306, code table 0200.
    #[test]
    fn every_shape_has_its_code() {
        for (before, middle, now, code) in [
            (1000.0, 1002.0, 1001.0, 0),
            (1000.0, 1001.0, 1000.0, 0),
            (1000.0, 1001.0, 1001.0, 1),
            (1000.0, 1002.0, 1002.5, 1),
            (1000.0, 1001.0, 1002.0, 2),
            (1000.0, 999.5, 1001.0, 3),
            (1000.0, 1000.0, 1001.0, 3),
            (1000.0, 1000.5, 1002.0, 3),
            (1000.0, 1000.0, 1000.0, 4),
            (1000.0, 998.0, 999.0, 5),
            (1000.0, 999.0, 1000.0, 5),
            (1000.0, 999.0, 999.0, 6),
            (1000.0, 998.0, 997.5, 6),
            (1000.0, 999.0, 998.0, 7),
            (1000.0, 1000.0, 999.0, 8),
            (1000.0, 1001.0, 999.0, 8),
            (1000.0, 999.5, 998.0, 8),
        ] {
            assert_eq!(characteristic(before, middle, now), code, "{before} {middle} {now}");
        }
    }
}
