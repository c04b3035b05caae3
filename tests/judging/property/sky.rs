//! The weather over a property, minute by minute, from a seed: what all its stations stand in.
//!
//! Every number that is not given a source here is invented.

use std::f64::consts::TAU;

/// Minutes of an hour, hours of the simulated year.
pub(crate) const MINUTES: usize = 60;
pub(crate) const HOURS: usize = 365 * 24;
/// Start of the year: 2025-01-01T00:00:00Z, Unix seconds.
pub(crate) const FIRST: f64 = 1_735_689_600.0;
/// Where Alder Croft, an invented smallholding, is said to be: degrees and metres.
pub(crate) const PLACE: (f64, f64, f64) = (54.07, -2.28, 212.0);
/// The sun moves little in so many minutes.
const SUN_EVERY: usize = 10;

/// One minute.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Minute {
    /// Air temperature at the middle of the property, Cel.
    pub(crate) temperature: f64,
    /// Dew point, Cel.
    pub(crate) dew_point: f64,
    /// Pressure at mean sea level, hPa.
    pub(crate) pressure: f64,
    /// Wind in the open, 10 m above the ground, m/s, and where it blows from, degrees.
    pub(crate) speed: f64,
    pub(crate) direction: f64,
    /// Global irradiance, W/m².
    pub(crate) global: f64,
    /// Direction of the sun, degrees, and its elevation.
    pub(crate) sun: (f64, f64),
    /// Share of the sky that is clouded.
    pub(crate) cloud: f64,
    /// Rain, mm in the minute.
    pub(crate) rain: f64,
    /// Hours since sunset; 0 by day.
    pub(crate) night: f64,
}

/// A number around 0 with a spread of 1: the sum of four even ones.
pub(crate) fn around(random: &mut fastrand::Rng) -> f64 {
    let sum: f64 = (0..4).map(|_| random.f64()).sum();
    (sum - 2.0) * 3.0_f64.sqrt()
}

/// Hourly values around 0 with a spread of 1 that remember each other for so many hours
/// (autoregressive, of first order; smoothed once more where `smooth`).
pub(crate) fn wander(random: &mut fastrand::Rng, memory: f64, smooth: bool) -> Vec<f64> {
    let keep = (-1.0 / memory).exp();
    let mut at = around(random);
    let mut even = at;
    let mut found: Vec<f64> = (0..=HOURS + 1)
        .map(|_| {
            at = keep * at + (1.0 - keep * keep).sqrt() * around(random);
            even = keep * even + (1.0 - keep) * at;
            if smooth { even } else { at }
        })
        .collect();
    let count = found.len() as f64;
    let mean = found.iter().sum::<f64>() / count;
    let spread = (found.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / count).sqrt();
    for value in &mut found {
        *value = (*value - mean) / spread;
    }
    found
}

/// The value of a minute between hourly ones.
pub(crate) fn between(hourly: &[f64], minute: usize) -> f64 {
    let (hour, part) = (minute / MINUTES, (minute % MINUTES) as f64 / MINUTES as f64);
    hourly[hour] * (1.0 - part) + hourly[hour + 1] * part
}

/// Direction and elevation of the sun, degrees, and the irradiance under a clear sky.
fn suns() -> Vec<(f64, f64, f64)> {
    let (latitude, longitude, elevation) = PLACE;
    let place = meteorology::sun::Place {
        latitude,
        longitude,
        elevation,
        pressure: 990.0,
        temperature: 10.0,
    };
    (0..=HOURS * MINUTES / SUN_EVERY)
        .map(|nth| {
            let unix = FIRST + (nth * SUN_EVERY * 60) as f64;
            let at = meteorology::sun::position(unix, meteorology::sun::delta_t(unix), &place);
            let clear = meteorology::sun::clear_sky(at.zenith).unwrap_or(0.0);
            (at.azimuth, 90.0 - at.zenith, clear)
        })
        .collect()
}

/// A year of weather.
pub(crate) fn year(seed: u64) -> Vec<Minute> {
    let mut random = fastrand::Rng::with_seed(seed);
    let mut wave = |memory: f64, smooth: bool| wander(&mut random, memory, smooth);
    let (pressure, air) = (wave(40.0, true), wave(60.0, true));
    let (moisture, covered, passing) = (wave(36.0, true), wave(14.0, false), wave(1.0, false));
    let (force, veer, swing) = (wave(20.0, false), wave(60.0, true), wave(8.0, false));
    let (wet, heavy) = (wave(4.0, false), wave(1.0, false));
    let suns = suns();
    let mut gusts = fastrand::Rng::with_seed(seed.wrapping_add(1));
    let (mut ground, mut lull, mut night) = (0.0_f64, 0.0_f64, 0.0_f64);
    (0..HOURS * MINUTES)
        .map(|minute| {
            let at = |hourly: &[f64]| between(hourly, minute);
            let day = minute as f64 / 1440.0;
            let season = -(TAU * (day - 20.0) / 365.0).cos();
            let low = at(&pressure);
            let unrest = at(&covered) - 0.7 * low + 0.2 * at(&passing);
            let cloud = 1.0 / (1.0 + (-1.7 * (unrest + 0.4)).exp());
            let (direction, elevation, clear) = suns[minute / SUN_EVERY];
            // Kasten and Czeplak, Solar Energy 24, 1980, 177-189: the share that clouds
            // let through (from memory).
            let global = clear * (1.0 - 0.75 * cloud.powf(3.4));
            night = if elevation < 0.0 { night + 1.0 / 60.0 } else { 0.0 };
            let open = (4.0_f64.ln() + 0.5 * at(&force) - 0.25 * low).exp();
            // Light wind of a clear night calms down.
            let calmed =
                if elevation < 0.0 { (1.0 - cloud) / (1.0 + (open / 4.0).powi(2)) } else { 0.0 };
            lull = 0.95 * lull + 0.312 * around(&mut gusts);
            let speed = (open * (1.0 - 0.6 * calmed) * (1.0 + 0.18 * lull)).max(0.05);
            // Warmed by the sun, cooled by a clear sky, drawn to what the wind brings.
            let (warming, cooling) = (global / 4.0e4, 0.011 * (1.0 - 0.75 * cloud * cloud));
            ground += warming - cooling - ground * (0.0013 + 0.0004 * speed);
            let temperature = 8.5 + 6.0 * season + 3.0 * at(&air) + ground;
            let dry = (3.5 - 2.0 * at(&moisture) - 1.5 * (cloud - 0.5)).max(0.0);
            let dew_point = (8.5 + 6.0 * season + 3.0 * at(&air) - dry).min(temperature);
            let raining = cloud > 0.7 && at(&wet) > 0.55;
            let rain = if raining { (0.35 + 0.9 * at(&heavy)).exp() / 60.0 } else { 0.0 };
            Minute {
                temperature,
                dew_point: if raining { dew_point.max(temperature - 1.2) } else { dew_point },
                pressure: 1013.0 + 9.0 * low,
                speed,
                direction: (235.0 + 75.0 * at(&veer) + 22.0 * at(&swing)).rem_euclid(360.0),
                global,
                sun: (direction, elevation),
                cloud,
                rain,
                night,
            }
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_year_is_repeatable_and_looks_like_weather() {
        let year = year(3);
        assert_eq!(year.len(), HOURS * MINUTES);
        let mean =
            |of: &dyn Fn(&Minute) -> f64| year.iter().map(of).sum::<f64>() / year.len() as f64;
        let rain = mean(&|m| m.rain) * year.len() as f64;
        assert!((400.0..2500.0).contains(&rain), "{rain} mm");
        let wind = mean(&|m| m.speed);
        assert!((2.5..6.0).contains(&wind), "{wind} m/s");
        let temperature = mean(&|m| m.temperature);
        assert!((5.0..14.0).contains(&temperature), "{temperature} Cel");
        let hours = mean(&|m| f64::from(u8::from(m.global > 120.0))) * 24.0;
        assert!((3.0..13.0).contains(&hours), "{hours} h of sun a day");
        assert!(year.iter().all(|m| m.dew_point <= m.temperature + 1e-9));
    }
}
