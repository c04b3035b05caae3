//! Under which conditions is an instrument off? An offset that is there only in sun and
//! light wind is a sunlit screen; one that grows with the wind is a lost pulse; one that
//! comes from some sectors is a shelter. Each condition is compared with itself before the
//! change, so that what is usual at the place says nothing.
//!
//! The signatures are common practice; the limits are own choices.

mod boxes;
#[cfg(test)]
mod tests;
mod winds;

use super::causes::Cause;
use super::month::Month;
use boxes::boxed;
pub(crate) use boxes::{PUMPING, STILL};
use winds::{cup, sheltered, whole};

/// One hour of one instrument beside its neighbours; not a number where not known.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Hour {
    /// What it said, in the canonical unit.
    pub own: f64,
    /// The median of what its neighbours said.
    pub others: f64,
    /// Elevation of the sun, degrees.
    pub sun: f64,
    /// Median wind of the neighbours, m/s.
    pub wind: f64,
    /// Where it blows from, degrees.
    pub direction: f64,
    /// Median humidity of the neighbours, %.
    pub humidity: f64,
    /// Hours since the neighbours were last saturated or had rain.
    pub since_wet: f64,
    /// Its number, counted from 1970.
    pub number: i64,
}

/// A cause that the conditions tell: a more telling one, or that it is the same in all of
/// them.
#[derive(Clone, Debug, PartialEq)]
pub struct Refined {
    /// The cause.
    pub cause: Cause,
    /// The condition, in words.
    pub words: String,
    /// What is seen under it and otherwise.
    pub numbers: Vec<(&'static str, f64)>,
}

/// Hours of a condition that are needed after the change, and before it.
const LEAST_AFTER: usize = 6;
const LEAST_BEFORE: usize = 12;
/// Days on which a signature must have been seen where the change itself is too young.
const LEAST_DAYS: usize = 2;
/// A signature stands out when it is so many times what is seen otherwise.
const TIMES: f64 = 2.0;
/// Sun that heats a screen, degrees; wind that ventilates it, m/s.
const HIGH_SUN: f64 = 20.0;
const LIGHT_WIND: f64 = 3.0;
const FRESH_WIND: f64 = 5.0;
/// Least offset of a thermometer that is worth a condition, Cel, and of a humidity, %.
const LEAST_WARMTH: f64 = 0.4;
const LEAST_MOISTURE: f64 = 4.0;
/// Speeds below which both numbers of a ratio are lifted by so much, m/s.
const LIFT: f64 = 0.3;
/// Depths below a tip are not resolved, mm.
const TIP: f64 = 0.2;
/// Hours that are compared with what was usual before.
#[derive(Clone, Copy)]
struct Look<'a> {
    before: &'a [Hour],
    after: &'a [Hour],
    of: fn(&Hour) -> f64,
}

fn mean(found: impl Iterator<Item = f64>, least: usize) -> Option<f64> {
    let (sum, count) =
        found.filter(|d| d.is_finite()).fold((0.0, 0), |(sum, count), d| (sum + d, count + 1));
    (count >= least).then(|| sum / f64::from(count as u32))
}

impl Look<'_> {
    fn usual(&self, belongs: impl Fn(&Hour) -> bool) -> Option<f64> {
        mean(self.before.iter().filter(|h| belongs(h)).map(self.of), LEAST_BEFORE)
    }

    /// The excess over what was usual under a condition.
    fn excess(&self, belongs: impl Fn(&Hour) -> bool) -> Option<f64> {
        let now = mean(self.after.iter().filter(|h| belongs(h)).map(self.of), LEAST_AFTER)?;
        Some(now - self.usual(belongs)?)
    }

    /// On how many days the excess was at least so much.
    fn days(&self, least: f64, belongs: impl Fn(&Hour) -> bool) -> usize {
        let Some(usual) = self.usual(&belongs) else { return 0 };
        let days = self.after.chunk_by(|a, b| a.number.div_euclid(24) == b.number.div_euclid(24));
        let excess = days.filter_map(|day| mean(day.iter().filter(|h| belongs(h)).map(self.of), 2));
        excess.filter(|now| now - usual >= least).count()
    }
}

impl Hour {
    /// By how much it is above its neighbours.
    pub(crate) fn offset(&self) -> f64 {
        self.own - self.others
    }

    /// Logarithm of the ratio of its wind to theirs.
    pub(crate) fn ratio(&self) -> f64 {
        ((self.own + LIFT) / (self.others + LIFT)).ln()
    }

    /// Logarithm of the ratio of its rain to theirs.
    pub(crate) fn rain_ratio(&self) -> f64 {
        ((self.own + TIP / 2.0) / (self.others + TIP / 2.0)).ln()
    }
}

/// Whether a direction lies in the eighth around `middle`, degrees.
pub(crate) fn in_sector(direction: f64, middle: f64) -> bool {
    ((direction - middle + 180.0).rem_euclid(360.0) - 180.0).abs() <= 22.5
}

/// What the conditions tell of `cause`, given the month of its instrument; none where they
/// do not tell.
pub fn refine(cause: Cause, month: &Month) -> Option<Refined> {
    let look = |of| Look { before: &month.before, after: &month.after, of };
    let lately = |of| Look { after: &month.lately, ..look(of) };
    match cause {
        Cause::ThermometerOffset => screen(&look(Hour::offset), 0)
            .or_else(|| drift(Cause::ThermometerDrift, "Cel", &look(Hour::offset)))
            .or_else(|| as_in_all_weather(cause, &look(Hour::offset)))
            .or_else(|| screen(&lately(Hour::offset), LEAST_DAYS)),
        Cause::HumidityOffset => wet(&look(Hour::offset), 0)
            .or_else(|| drift(Cause::HumidityDrift, "%", &look(Hour::offset)))
            .or_else(|| as_wet_as_dry(cause, &look(Hour::offset)))
            .or_else(|| wet(&lately(Hour::offset), LEAST_DAYS)),
        Cause::BarometerOffset => boxed(&look(Hour::offset))
            .or_else(|| drift(Cause::BarometerDrift, "hPa", &look(Hour::offset))),
        Cause::CupFactorWrong => sheltered(&look(Hour::ratio))
            .or_else(|| cup(&look(Hour::ratio)))
            .or_else(|| whole(cause, &look(Hour::ratio))),
        _ => None,
    }
}

/// Warmth in sun and light wind (in sun, where there was no light wind), and in calm nights.
fn sun_and_night(look: &Look) -> Option<(f64, f64)> {
    let sunny = look
        .excess(|h| h.sun >= HIGH_SUN && h.wind < LIGHT_WIND)
        .or_else(|| look.excess(|h| h.sun >= HIGH_SUN))?;
    // Calm beside calm: what is warm in calm nights too is not the sun's doing.
    let night = look
        .excess(|h| h.sun < -3.0 && h.wind < LIGHT_WIND)
        .or_else(|| look.excess(|h| h.sun < -3.0))?;
    Some((sunny, night))
}

fn screen(look: &Look, days: usize) -> Option<Refined> {
    let (sunny, night) = sun_and_night(look)?;
    let seen = || look.days(LEAST_WARMTH / 2.0, |h| h.sun >= HIGH_SUN) >= days;
    if sunny >= LEAST_WARMTH && sunny >= TIMES * night.abs() && seen() {
        return Some(Refined {
            cause: Cause::SunlitScreen,
            words: format!(
                "{sunny:+.1} Cel with the sun above {HIGH_SUN:.0} deg and the wind under {LIGHT_WIND:.0} m/s, {night:+.1} Cel at night"
            ),
            numbers: vec![("in_sun", sunny), ("at_night", night)],
        });
    }
    let calm_night = |h: &Hour| h.sun < -3.0 && h.wind < LIGHT_WIND;
    let calm = look.excess(calm_night)?;
    let windy = look.excess(|h| h.sun < -3.0 && h.wind >= FRESH_WIND)?;
    let told = calm >= LEAST_WARMTH && calm >= TIMES * windy.abs() && sunny >= 0.5 * calm;
    (told && look.days(LEAST_WARMTH / 2.0, calm_night) >= days).then(|| Refined {
        cause: Cause::SelfHeating,
        words: format!("{calm:+.1} Cel in calm nights, {windy:+.1} Cel in windy ones"),
        numbers: vec![("calm_nights", calm), ("windy_nights", windy)],
    })
}

fn as_in_all_weather(cause: Cause, look: &Look) -> Option<Refined> {
    let (sunny, night) = sun_and_night(look)?;
    Some(Refined {
        cause,
        words: format!("{sunny:+.1} Cel in the sun, {night:+.1} Cel at night"),
        numbers: vec![("in_sun", sunny), ("at_night", night)],
    })
}

/// Moisture while it dries, and when it is dry.
fn drying_and_dry(look: &Look) -> Option<(f64, f64)> {
    let drying = look.excess(|h| h.humidity < 90.0 && h.since_wet <= 8.0)?;
    Some((drying, look.excess(|h| h.humidity < 90.0 && h.since_wet > 12.0)?))
}

fn wet(look: &Look, days: usize) -> Option<Refined> {
    let (drying, dry) = drying_and_dry(look)?;
    let seen = || look.days(LEAST_MOISTURE / 2.0, |h| h.humidity < 90.0 && h.since_wet <= 8.0);
    (drying >= LEAST_MOISTURE && drying >= TIMES * dry.abs() && seen() >= days).then(|| Refined {
        cause: Cause::HumiditySlowToDry,
        words: moisture(drying, dry),
        numbers: vec![("while_drying", drying), ("when_dry", dry)],
    })
}

fn as_wet_as_dry(cause: Cause, look: &Look) -> Option<Refined> {
    let (drying, dry) = drying_and_dry(look)?;
    Some(Refined {
        cause,
        words: moisture(drying, dry),
        numbers: vec![("while_drying", drying), ("when_dry", dry)],
    })
}

/// Moisture under both conditions in words; what is the same under both is said once.
fn moisture(drying: f64, dry: f64) -> String {
    let (drying, dry) = (format!("{drying:+.0} %"), format!("{dry:+.0} %"));
    if drying == dry {
        format!("{drying} both while its neighbours dry and when they are dry")
    } else {
        format!("{drying} while its neighbours dry, {dry} when they are dry")
    }
}

fn drift(cause: Cause, unit: &str, look: &Look) -> Option<Refined> {
    let after = look.after;
    // Ten days at least, in thirds: a step is the same in all of them.
    if after.len() < 240 {
        return None;
    }
    let third = after.len() / 3;
    let of = |hours: &[Hour]| Look { after: hours, ..*look }.excess(|_| true);
    let first = of(after.get(..third)?)?;
    let middle = of(after.get(third..2 * third)?)?;
    let last = of(after.get(2 * third..)?)?;
    let rises = first.abs() < 0.6 * last.abs()
        && (middle - 0.5 * (first + last)).abs() < 0.3 * last.abs()
        && first * last >= -0.1 * last * last;
    let a_day = (last - first) / (2.0 * third as f64 / 24.0);
    rises.then(|| Refined {
        cause,
        words: format!("grows by {a_day:+.3} {unit} a day"),
        numbers: vec![("a_day", a_day)],
    })
}
