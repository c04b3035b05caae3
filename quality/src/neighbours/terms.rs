//! The terms that explain a contrast, group by group, and the contrasts themselves.
//!
//! A term that is not known is not a number; the regression puts its mean there.

use super::contrast::Contrasts;
use super::values::{Group, Values, median, turn};
use super::weather::Weather;

/// Below this median speed the ratio of two cups says little, m/s.
const SPEED_FROM: f64 = 1.5;
/// Every vane must feel at least this, m/s.
const VANE_FROM: f64 = 2.0;
/// And stand within this of the mean of all, degrees, or within so many steps where vanes have
/// few points: half of them may stand a whole step away.
const VANE_WITHIN: f64 = 60.0;
const STEPS_WITHIN: f64 = 1.1;
/// Below this a direction is no direction, m/s.
const CALM: f64 = 0.5;

/// Membership in `count` sectors, triangular, one or two of them not zero.
fn sectors(east: f64, north: f64, count: u32, out: &mut Vec<f64>) {
    let width = 360.0 / f64::from(count);
    let direction = east.atan2(north).to_degrees();
    let calm = east.hypot(north) <= CALM;
    for sector in 0..count {
        let off = turn(direction - f64::from(sector) * width).abs();
        out.push(if calm { 0.0 } else { (1.0 - off / width).max(0.0) });
    }
}

/// The terms of all groups for one step.
#[derive(Clone, Debug, Default)]
pub(super) struct Terms {
    air: Vec<f64>,
    pressure: Vec<f64>,
    speed: Vec<f64>,
    vane: Vec<f64>,
}

impl Terms {
    pub(super) fn of(&self, group: Group) -> &[f64] {
        match group {
            Group::Air | Group::Dew => &self.air,
            Group::Pressure => &self.pressure,
            Group::Speed => &self.speed,
            Group::Vane => &self.vane,
        }
    }

    /// Number of terms of a group.
    pub(super) fn count(group: Group, stations: usize) -> usize {
        match group {
            Group::Air | Group::Dew => 16 + 19 * stations,
            Group::Pressure => 28,
            Group::Speed => 50,
            Group::Vane => 43 + 3 * (stations - 1),
        }
    }

    pub(super) fn new(weather: &Weather, contrasts: &Contrasts) -> Self {
        let mut eight = Vec::new();
        sectors(weather.east, weather.north, 8, &mut eight);
        let mut sixteen = Vec::new();
        sectors(weather.east, weather.north, 16, &mut sixteen);
        Self {
            air: air(weather),
            pressure: pressure(weather, &eight),
            speed: speed(weather, &eight, &sixteen),
            vane: vane(weather, &eight, &sixteen, contrasts),
        }
    }
}

/// Hour, cloud, humidity, season and tendency: what moves nearly everything.
fn base(weather: &Weather) -> Vec<f64> {
    let (swing, humidity, anomaly) =
        (weather.swing / 5.0, weather.humidity / 20.0, weather.anomaly / 5.0);
    let mut out = vec![1.0];
    out.extend(weather.hour);
    for term in [swing, humidity, anomaly] {
        out.extend([term, term * weather.hour[0], term * weather.hour[1]]);
    }
    out.extend([weather.tendency / 2.0, weather.pressure / 10.0]);
    out
}

fn air(weather: &Weather) -> Vec<f64> {
    let mut out = base(weather);
    for (east, north, speed) in &weather.winds {
        out.extend([east / 5.0, north / 5.0, speed.sqrt()]);
        let start = out.len();
        sectors(*east, *north, 8, &mut out);
        for sector in start..start + 8 {
            // Outside the sector the product is zero whether or not the anomaly is known.
            let share = out[sector];
            out.push(if share == 0.0 { 0.0 } else { share * weather.anomaly / 5.0 });
        }
    }
    out
}

fn speed(weather: &Weather, eight: &[f64], sixteen: &[f64]) -> Vec<f64> {
    let logarithm = weather.speed.ln_1p();
    let mut out = base(weather);
    out.extend(sixteen);
    out.extend([logarithm, weather.speed / 5.0]);
    out.extend(eight.iter().map(|s| s * logarithm));
    out.extend(eight.iter().map(|s| s * weather.day));
    out
}

fn vane(weather: &Weather, eight: &[f64], sixteen: &[f64], contrasts: &Contrasts) -> Vec<f64> {
    let logarithm = weather.speed.ln_1p();
    let mut out = vec![1.0];
    out.extend(weather.hour);
    out.extend([
        weather.humidity / 20.0,
        weather.anomaly / 5.0,
        weather.pressure / 10.0,
        weather.swing / 5.0,
    ]);
    out.extend(sixteen);
    out.extend([logarithm, weather.speed.min(8.0) / 5.0]);
    out.extend(eight.iter().map(|s| s * weather.day));
    out.extend(eight.iter().map(|s| s * logarithm));
    // One bad instrument may move these: they are bounded, and nothing if not known.
    let bounded = |values: &[f64], bound: f64| {
        let mut found = Vec::new();
        contrasts.append(values, &mut found);
        for value in &mut found {
            *value = if value.is_nan() { 0.0 } else { value.clamp(-bound, bound) / bound * 2.0 };
        }
        found
    };
    let temperatures = bounded(&weather.temperatures, 8.0);
    out.extend(&temperatures);
    out.extend(temperatures.iter().map(|t| t * weather.day));
    out.extend(bounded(&weather.humidities, 40.0));
    out
}

fn pressure(weather: &Weather, eight: &[f64]) -> Vec<f64> {
    let logarithm = weather.speed.ln_1p();
    let mut out = vec![1.0];
    out.extend(weather.hour);
    out.extend([
        weather.anomaly / 5.0,
        weather.temperature / 10.0,
        weather.pressure / 10.0,
        weather.tendency / 2.0,
        weather.east / 5.0,
        weather.north / 5.0,
    ]);
    out.extend(eight);
    out.extend(eight.iter().map(|s| s * logarithm));
    out.push(logarithm);
    out
}

/// The contrasts of a group in one step.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Observed {
    /// With something likely in the place of what is missing.
    pub(super) contrasts: Vec<f64>,
    /// Hypotheses whose values are missing: nothing may be concluded from the likely
    /// ones.
    pub(super) missing: Vec<usize>,
}

/// The contrasts of a group in this step; none unless two stations at least can be
/// compared in each of its quantities. `step` is the smallest turn of a vane that was seen.
pub(super) fn observed(
    group: Group,
    contrasts: &Contrasts,
    values: &[Values],
    step: f64,
) -> Option<Observed> {
    let mut out = Observed::default();
    let mut add = |column: &mut [f64], quantity: usize| {
        let likely = median(column.iter().copied());
        let mut present = 0;
        for (station, value) in column.iter_mut().enumerate() {
            if value.is_finite() {
                present += 1;
            } else {
                *value = likely;
                out.missing.push(quantity * values.len() + station);
            }
        }
        contrasts.append(column, &mut out.contrasts);
        (present >= 2).then_some(())
    };
    match group {
        Group::Speed => {
            if median(values.iter().map(|v| v.speed)) < SPEED_FROM {
                return None;
            }
            let mut column: Vec<f64> = values.iter().map(|v| v.speed.ln_1p()).collect();
            add(&mut column, 0)?;
        }
        Group::Vane => {
            // A wind without direction is a variable one: nothing to compare.
            let unfit = |v: &Values| v.speed < VANE_FROM || v.direction.is_nan() && v.speed >= 0.0;
            if values.iter().any(unfit) {
                return None;
            }
            add(&mut about_their_mean(values, VANE_WITHIN.max(STEPS_WITHIN * step))?, 0)?;
        }
        Group::Air | Group::Dew | Group::Pressure => {
            for (place, quantity) in group.quantities().iter().enumerate() {
                let mut column: Vec<f64> = values.iter().map(|v| v.get(*quantity)).collect();
                add(&mut column, place)?;
            }
        }
    }
    Some(out)
}

/// Angles to the mean direction of all that have one; none if one of them is far off.
fn about_their_mean(values: &[Values], within: f64) -> Option<Vec<f64>> {
    let known = values.iter().filter(|v| v.direction.is_finite() && v.speed.is_finite());
    let (east, north) = known.fold((0.0, 0.0), |(east, north), v| {
        let (sin, cos) = v.direction.to_radians().sin_cos();
        (east + sin, north + cos)
    });
    let mean = east.atan2(north).to_degrees();
    let angle = |v: &Values| {
        if v.speed.is_finite() { turn(v.direction - mean) } else { f64::NAN }
    };
    let angles: Vec<f64> = values.iter().map(angle).collect();
    let together = angles.iter().all(|a| a.is_nan() || a.abs() <= within);
    together.then_some(angles)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_counts_of_terms_are_those_stated() {
        for stations in 2..6 {
            let contrasts = Contrasts::new(stations, 1);
            let weather = Weather {
                winds: vec![(1.0, 2.0, 5.0_f64.sqrt()); stations],
                temperatures: vec![10.0; stations],
                humidities: vec![80.0; stations],
                ..Weather::default()
            };
            let terms = Terms::new(&weather, &contrasts);
            for group in Group::ALL {
                assert_eq!(terms.of(group).len(), Terms::count(group, stations), "{group:?}");
            }
        }
    }

    #[test]
    fn sectors_share_one_between_two() {
        let mut out = Vec::new();
        let (sin, cos) = 100.0_f64.to_radians().sin_cos();
        sectors(3.0 * sin, 3.0 * cos, 8, &mut out);
        assert!((out.iter().sum::<f64>() - 1.0).abs() < 1e-9);
        assert!((out[2] - 35.0 / 45.0).abs() < 1e-9, "{out:?}");
    }

    #[test]
    fn a_turned_vane_moves_along_its_signature() {
        let contrasts = Contrasts::new(3, 1);
        let at = |a: f64, b: f64, c: f64| {
            let mut values = [Values::MISSING; 3];
            for (value, direction) in values.iter_mut().zip([a, b, c]) {
                (value.speed, value.direction) = (5.0, direction);
            }
            observed(Group::Vane, &contrasts, &values, 0.0).map(|o| o.contrasts)
        };
        let (plain, turned) = (at(350.0, 5.0, 10.0).unwrap_or_default(), at(350.0, 25.0, 10.0));
        let signature = contrasts.signature(1);
        for ((a, b), s) in plain.iter().zip(turned.unwrap_or_default()).zip(signature) {
            assert!((b - a - 20.0 * s).abs() < 0.5);
        }
        assert!(at(0.0, 180.0, 5.0).is_none());
    }
}
