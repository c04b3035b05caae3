//! Invented weather for one smallholding: a pure function of a seed and an instant, so
//! that the same seed always gives the same weather. Lows pass at irregular intervals, the
//! sun is that of the place and the season. It is made to look believable in a
//! demonstration and is good for nothing else: every number here is an own choice.

mod lows;
mod noise;
mod sun;

pub use sun::{LATITUDE, LONGITUDE};

use lows::Lows;
use meteorology::saturation::{self, Method, Phase};
use noise::Noise;
use std::f64::consts::TAU;
use sun::Sun;

/// Seconds of a day, an hour, a year.
const DAY: f64 = 86_400.0;
const HOUR: f64 = 3_600.0;
const YEAR: f64 = 365.25 * DAY;

/// The weather at one instant over the whole property, before any station is in its way.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Weather {
    /// Degrees Celsius at 1.5 m.
    pub air_temperature: f64,
    /// Degrees Celsius.
    pub dew_point: f64,
    /// Degrees Celsius at 10 cm in the soil.
    pub soil_temperature: f64,
    /// Hectopascals at 212 m above sea level.
    pub pressure: f64,
    /// Metres per second at the mast.
    pub wind_speed: f64,
    /// Degrees clockwise from north the wind blows from, 0 to below 360.
    pub wind_from: f64,
    /// Millimetres per hour.
    pub rainfall_rate: f64,
    /// Watts per square metre.
    pub shortwave: f64,
    /// Share of the sky, 0 to 1.
    pub cloud: f64,
}

/// The weather of one seed.
#[derive(Clone, Debug)]
pub struct Sky {
    noise: Noise,
    sun: Sun,
}

/// What changes within hours: the ground on which the rest is laid.
struct Air {
    lows: Lows,
    pressure: f64,
    cloud: f64,
}

impl Sky {
    /// The sky of a seed, quick from `from` to `to` in Unix time and right everywhere.
    pub fn new(seed: u64, from: f64, to: f64) -> Self {
        Self { noise: Noise::new(seed), sun: Sun::new(from, to) }
    }

    fn air(&self, seconds: f64) -> Air {
        let noise = self.noise;
        let lows = Lows::at(noise, seconds);
        let slow = noise.smooth(2, seconds / (6.0 * DAY));
        let pressure = 991.0 + 8.0 * slow - 21.0 * lows.deep
            + 2.5 * noise.smooth(3, seconds / (1.4 * DAY))
            + 0.12 * noise.smooth(4, seconds / 1_800.0);
        let cloud = 0.42 - 0.2 * slow
            + 0.9 * lows.band
            + 0.2 * lows.showery
            + 0.4 * noise.smooth(5, seconds / (7.0 * HOUR))
            + 0.15 * noise.smooth(6, seconds / 1_200.0);
        Air { lows, pressure, cloud: cloud.clamp(0.0, 1.0) }
    }

    /// Speed in metres per second and direction in degrees at `seconds` of Unix time.
    pub fn wind(&self, seconds: f64) -> (f64, f64) {
        self.wind_in(&self.air(seconds), seconds)
    }

    fn wind_in(&self, Air { lows, cloud, .. }: &Air, seconds: f64) -> (f64, f64) {
        let noise = self.noise;
        let mixing = self.sun.sine(seconds).max(0.0) * (1.0 - 0.6 * cloud);
        let mean = 1.9
            + 5.2 * lows.deep
            + 1.2 * lows.showery
            + 2.2 * mixing
            + 1.1 * noise.smooth(10, seconds / (5.0 * HOUR))
            + 0.6 * noise.smooth(17, seconds / 2_700.0);
        // Gusts: three octaves of noise over a slowly changing mean.
        let gust = 0.5 * noise.smooth(11, seconds / 37.0)
            + 0.3 * noise.smooth(12, seconds / 9.0)
            + 0.2 * noise.smooth(13, seconds / 2.5);
        let speed = (mean.max(0.0) * (1.0 + 0.7 * gust)).max(0.0);
        // Backed ahead of a low, veered behind it; without one it goes where it likes.
        let aimless = (1.0 - lows.deep).max(0.0);
        let from = 232.0
            + 58.0 * lows.behind
            + 95.0 * aimless * noise.smooth(14, seconds / (1.9 * DAY))
            + 18.0 * noise.smooth(18, seconds / (3.0 * HOUR))
            + 12.0 * noise.smooth(15, seconds / 600.0)
            + 26.0 * noise.smooth(16, seconds / 13.0);
        (speed, from.rem_euclid(360.0))
    }

    /// Millimetres per hour.
    fn rain(&self, lows: &Lows, seconds: f64) -> f64 {
        let noise = self.noise;
        // A rain band lasts for hours and comes in waves.
        let waves = 0.75
            + 0.45 * noise.smooth(20, seconds / 4_200.0)
            + 0.3 * noise.smooth(21, seconds / 700.0);
        let steady = 3.4 * (lows.band * waves - 0.2).max(0.0);
        // Showers last a few minutes and need air that is made for them.
        let cell = noise.smooth(22, seconds / 900.0) + 0.25 * noise.smooth(23, seconds / 240.0);
        let shower = 13.0 * (cell - 0.95 + 0.75 * lows.showery).max(0.0);
        let shower = if lows.showery > 0.15 { shower } else { 0.0 };
        steady + shower
    }

    /// The weather at `seconds` of Unix time.
    pub fn at(&self, seconds: f64) -> Weather {
        let noise = self.noise;
        let air = self.air(seconds);
        let Air { lows, pressure, cloud } = air;
        let (wind_speed, wind_from) = self.wind_in(&air, seconds);
        let rainfall_rate = self.rain(&lows, seconds);
        // Coldest at the end of January, warmest at the end of July.
        let season = -(TAU * (seconds / YEAR - 0.075)).cos();
        let noon = self.sun.noon_height(seconds).to_radians().sin().max(0.0);
        let daily = (2.5 + 8.0 * noon) * (1.0 - 0.7 * cloud) * (1.0 - 0.3 * lows.deep.min(1.0));
        let mass = 8.6
            + 5.8 * season
            + 2.8 * noise.smooth(7, seconds / (5.0 * DAY))
            + 1.0 * noise.smooth(8, seconds / (0.8 * DAY))
            - 2.4 * lows.behind;
        let air_temperature = mass
            + daily * self.sun.course(seconds)
            + 0.2 * noise.smooth(9, seconds / 700.0)
            + 0.04 * noise.smooth(19, seconds / 11.0)
            - 0.5 * rainfall_rate.min(4.0) / 4.0;
        let spread = 3.0 + 1.6 * noon + 1.3 * noise.smooth(24, seconds / (0.9 * DAY))
            - 2.6 * lows.band.min(1.0)
            + 0.25 * noise.smooth(25, seconds / 1_500.0);
        let dew_point = (mass - spread.max(0.3)).min(air_temperature - 0.05);
        let soil_temperature = 9.4 - 4.6 * (TAU * (seconds / YEAR - 0.11)).cos()
            + 0.25 * daily * self.sun.course(seconds - 4.0 * HOUR)
            + 0.5 * noise.smooth(26, seconds / (6.0 * DAY));
        let clear = meteorology::sun::clear_sky(
            90.0 - self.sun.sine(seconds).clamp(-1.0, 1.0).asin().to_degrees(),
        );
        // Kasten and Czeplak, Sol. Energy 24, 1980, 177-189 (from memory).
        let shortwave = clear.unwrap_or(0.0) * (1.0 - 0.75 * cloud.powf(3.4));
        Weather {
            air_temperature,
            dew_point,
            soil_temperature,
            pressure,
            wind_speed,
            wind_from,
            rainfall_rate,
            shortwave,
            cloud,
        }
    }

    /// Noise of a station's own instruments, -1 to 1.
    pub fn own(&self, layer: u64, x: f64) -> f64 {
        self.noise.smooth(layer, x)
    }
}

/// Relative humidity in per cent of air of a temperature and a dew point, at most 100.
pub fn humidity(air_temperature: f64, dew_point: f64) -> f64 {
    let over = |t: f64| saturation::pressure(Method::default(), Phase::Water, t);
    match (over(dew_point), over(air_temperature)) {
        (Ok(vapour), Ok(most)) => (100.0 * vapour / most).clamp(1.0, 100.0),
        _ => 100.0,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const START: f64 = 1_780_000_000.0;

    fn sky(seed: u64) -> Sky {
        Sky::new(seed, START, START + 366.0 * DAY)
    }

    #[test]
    fn the_same_seed_gives_the_same_weather_and_another_seed_another() {
        assert_eq!(sky(1).at(START), sky(1).at(START));
        assert_ne!(sky(1).at(START), sky(2).at(START));
        let elsewhere = Sky::new(1, 0.0, 0.0);
        assert_eq!(sky(1).at(START), elsewhere.at(START), "the table of the sun is only for speed");
    }

    #[test]
    fn a_year_of_it_stays_believable() {
        for seed in [1, 7] {
            let sky = sky(seed);
            let (mut wet, mut calm, mut rain, mut all) = (0, 0, 0.0, 0);
            for step in 0..(365 * 48) {
                let weather = sky.at(START + f64::from(step) * 1_800.0);
                assert!((-14.0..32.0).contains(&weather.air_temperature), "{weather:?}");
                assert!(weather.dew_point < weather.air_temperature, "{weather:?}");
                assert!((940.0..1_010.0).contains(&weather.pressure), "{weather:?}");
                assert!((0.0..28.0).contains(&weather.wind_speed), "{weather:?}");
                assert!((0.0..360.0).contains(&weather.wind_from), "{weather:?}");
                assert!((0.0..950.0).contains(&weather.shortwave), "{weather:?}");
                assert!((0.0..30.0).contains(&weather.rainfall_rate), "{weather:?}");
                wet += u32::from(weather.rainfall_rate > 0.0);
                calm += u32::from(weather.wind_speed < 0.9);
                rain += weather.rainfall_rate * 0.5;
                all += 1;
            }
            assert!(wet > all / 20 && wet < all / 3, "{wet} of {all} wet");
            assert!(calm < all / 5, "{calm} of {all} calm");
            assert!((600.0..2_200.0).contains(&rain), "{rain} mm in a year");
        }
    }

    #[test]
    fn nothing_jumps_from_one_second_to_the_next() {
        let sky = sky(3);
        for step in 0..10_000 {
            let seconds = START + f64::from(step) * 7.0;
            let (now, next) = (sky.at(seconds), sky.at(seconds + 1.0));
            assert!((now.air_temperature - next.air_temperature).abs() < 0.3);
            assert!((now.dew_point - next.dew_point).abs() < 0.3);
            assert!((now.pressure - next.pressure).abs() < 0.05);
        }
    }

    /// What repeats is told from what does not by comparing each day with the days around:
    /// no lag of three to nine days makes the pressure of half a year its own image.
    #[test]
    fn lows_do_not_come_by_the_clock() {
        let sky = sky(1);
        let hours = 180 * 24;
        let pressure: Vec<f64> =
            (0..hours).map(|h| sky.at(START + f64::from(h) * HOUR).pressure).collect();
        let mean = pressure.iter().sum::<f64>() / f64::from(hours);
        let product = |lag: usize| -> f64 {
            let pairs = pressure.iter().zip(pressure.iter().skip(lag));
            pairs.map(|(a, b)| (a - mean) * (b - mean)).sum()
        };
        for lag in (72..=216).step_by(3) {
            let likeness = product(lag) / product(0);
            assert!(likeness < 0.5, "{likeness} after {lag} h");
        }
    }
}
