//! What a chance of rain is made of: sixteen numbers of the last hours.

/// How many they are.
pub const TERMS: usize = 16;
/// Hours that they need: twelve back, and three more for a pressure that still stands.
pub const WINDOW: usize = 16;
/// Hours for which the last pressure stands for one that is missing.
const PRESSURE_STANDS: usize = 3;
/// Hours of twelve whose rain may be unknown; they count as dry.
const RAIN_UNKNOWN: usize = 3;

/// What was said in one hour.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Hour {
    /// Pressure at mean sea level, hPa.
    pub pressure: Option<f64>,
    /// Air temperature, Cel.
    pub temperature: Option<f64>,
    /// Dew point over water, Cel.
    pub dew_point: Option<f64>,
    /// Relative humidity, %.
    pub humidity: Option<f64>,
    /// Mean wind speed, m/s.
    pub speed: Option<f64>,
    /// Direction the wind blows from, deg; none in a calm or where it varies.
    pub direction: Option<f64>,
    /// Rain, mm.
    pub rain: Option<f64>,
}

impl Hour {
    /// Whether any rain fell; none where nobody measured.
    pub fn wet(&self) -> Option<bool> {
        self.rain.map(|rain| rain > 0.0)
    }

    /// Unit vector to where the wind comes from, east and north; nothing without a
    /// direction.
    fn bearing(&self) -> (f64, f64) {
        self.direction.map_or((0.0, 0.0), |d| d.to_radians().sin_cos())
    }

    /// The same times the speed; none without a speed but with a direction.
    fn from(&self) -> Option<(f64, f64)> {
        let (east, north) = self.bearing();
        if self.direction.is_none() {
            return Some((0.0, 0.0));
        }
        let speed = self.speed?;
        Some((east * speed, north * speed))
    }
}

/// The sixteen, see [`Terms::NAMES`].
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Terms(pub [f64; TERMS]);

impl Terms {
    /// What each is. Changes of pressure end now; winds point to where they come from and
    /// are means of three hours where they are compared with those six hours ago.
    pub const NAMES: [&'static str; TERMS] = [
        "pressure at mean sea level less 1015 hPa",
        "its change in 1 h",
        "its change in 3 h",
        "its change in 6 h",
        "its change in 12 h",
        "relative humidity, %",
        "temperature less dew point, K",
        "east part of the direction",
        "north part of the direction",
        "speed, m/s",
        "change of the east part of the wind in 6 h, m/s",
        "change of the north part of the wind in 6 h, m/s",
        "wet now",
        "wet hours of 3",
        "wet hours of 6",
        "wet hours of 12",
    ];

    /// The terms of the hours up to now, oldest first; the last is now. None where one of
    /// them is not known: pressure may be missing for three hours, rain in three of twelve,
    /// direction always.
    pub fn of(hours: &[Hour]) -> Option<Self> {
        let hours = hours.get(hours.len().checked_sub(WINDOW)?..)?;
        let back = |ago: usize| hours.get(WINDOW - 1 - ago);
        let pressure = |ago: usize| (ago..=ago + PRESSURE_STANDS).find_map(|a| back(a)?.pressure);
        let p = pressure(0)?;
        let fallen = |ago: usize| pressure(ago).map(|before| p - before);
        let now = back(0)?;
        let wind = |ago: usize| {
            let three = (ago..ago + 3).filter_map(|a| back(a)?.from());
            let (mut sum, mut count) = ((0.0, 0.0), 0.0);
            for (east, north) in three {
                sum = (sum.0 + east, sum.1 + north);
                count += 1.0;
            }
            (count > 0.0).then_some((sum.0 / count, sum.1 / count))
        };
        let (late, early) = (wind(0)?, wind(6)?);
        let (east, north) = now.bearing();
        let rain = |count: usize| (0..count).filter_map(move |a| back(a)?.wet());
        let wet = |count: usize| rain(count).filter(|wet| *wet).count() as f64;
        if rain(12).count() + RAIN_UNKNOWN < 12 {
            return None;
        }
        let terms = [
            p - 1015.0,
            fallen(1)?,
            fallen(3)?,
            fallen(6)?,
            fallen(12)?,
            now.humidity?,
            now.temperature? - now.dew_point?,
            east,
            north,
            now.speed?,
            late.0 - early.0,
            late.1 - early.1,
            f64::from(u8::from(now.wet()?)),
            wet(3),
            wet(6),
            wet(12),
        ];
        terms.iter().all(|t| t.is_finite()).then_some(Self(terms))
    }

    /// Whether any of the last twelve hours was wet.
    pub fn was_wet(&self) -> bool {
        self.0.last().is_some_and(|wet| *wet > 0.0)
    }
}

/// What became of the hours after: wet if any was, dry if all were measured and none was;
/// none where nobody can tell.
pub fn outcome(following: &[Hour]) -> Option<bool> {
    if following.iter().any(|hour| hour.wet() == Some(true)) {
        return Some(true);
    }
    following.iter().all(|hour| hour.wet().is_some()).then_some(false)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    fn falling() -> Vec<Hour> {
        (0..WINDOW)
            .map(|n| Hour {
                pressure: Some(1020.0 - n as f64),
                temperature: Some(12.0),
                dew_point: Some(9.0),
                humidity: Some(82.0),
                speed: Some(if n < 10 { 2.0 } else { 4.0 }),
                direction: Some(90.0),
                rain: Some(if n == 14 { 0.2 } else { 0.0 }),
            })
            .collect()
    }

    #[test]
    fn the_terms_are_what_their_names_say() {
        let terms = Terms::of(&falling()).unwrap();
        let wanted = [
            -10.0, -1.0, -3.0, -6.0, -12.0, 82.0, 3.0, 1.0, 0.0, 4.0, 2.0, 0.0, 0.0, 1.0, 1.0, 1.0,
        ];
        for ((ours, wanted), name) in terms.0.iter().zip(wanted).zip(Terms::NAMES) {
            assert!((ours - wanted).abs() < 1e-9, "{name}: {ours}, not {wanted}");
        }
        assert!(terms.was_wet());
    }

    #[test]
    fn what_is_missing_is_bridged_for_a_while_and_never_invented() {
        let mut hours = falling();
        for hour in &mut hours[13..] {
            hour.pressure = None;
        }
        assert!((Terms::of(&hours).unwrap().0[0] - -7.0).abs() < 1e-9, "three hours stand");
        hours[12].pressure = None;
        assert_eq!(Terms::of(&hours), None);
        let mut hours = falling();
        for hour in &mut hours[5..9] {
            hour.rain = None;
        }
        assert_eq!(Terms::of(&hours), None, "rain unknown in four of twelve");
        assert_eq!(Terms::of(&falling()[1..]), None, "too few hours");
    }

    #[test]
    fn an_outcome_is_dry_only_where_every_hour_was_measured() {
        let dry = Hour { rain: Some(0.0), ..Hour::default() };
        let wet = Hour { rain: Some(0.2), ..Hour::default() };
        assert_eq!(outcome(&[dry, dry]), Some(false));
        assert_eq!(outcome(&[dry, Hour::default()]), None);
        assert_eq!(outcome(&[wet, Hour::default()]), Some(true));
    }
}
