//! Invented weather for one smallholding: a pure function of a seed and an instant, so
//! that the same seed always gives the same weather. It is made to look believable in a
//! demonstration and is good for nothing else.

use std::f64::consts::TAU;

/// Seconds of one day.
const DAY: f64 = 86_400.0;

/// The weather at one instant, at one place.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Weather {
    /// Degrees Celsius at 1.5 m.
    pub air_temperature: f64,
    /// Degrees Celsius at 10 cm in the soil.
    pub soil_temperature: f64,
    /// Per cent.
    pub relative_humidity: f64,
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
}

/// The weather of one seed.
#[derive(Clone, Copy, Debug)]
pub struct Sky {
    seed: u64,
}

impl Sky {
    /// The sky of a seed.
    pub fn new(seed: u64) -> Self {
        Self { seed }
    }

    /// The weather at `seconds` of Unix time.
    pub fn at(self, seconds: f64) -> Weather {
        let hour = (seconds / 3_600.0).rem_euclid(24.0);
        // Shallow lows pass every four days or so, with a shorter wave on top.
        let low = self.wave(1, seconds, 4.3 * DAY);
        let pressure = 987.0 - 9.0 * low
            + 2.5 * self.wave(2, seconds, 1.1 * DAY)
            + 0.25 * self.noise(3, seconds / 1_800.0);
        // Showers come with the lows and last a few minutes.
        let shower = self.noise(4, seconds / 240.0) + 0.2 * low;
        let rainfall_rate = if shower > 0.0 { 24.0 * shower } else { 0.0 };
        let cloud = (0.5 + 0.3 * low + 0.3 * self.noise(5, seconds / 1_200.0)).clamp(0.0, 1.0);
        let sun = (TAU * (hour - 6.0) / 24.0).sin().max(0.0);
        let shortwave = 820.0 * sun * (1.0 - 0.75 * cloud);
        // The warmest hour lies three after noon; clouds flatten the day.
        let daily = (TAU * (hour - 9.0) / 24.0).sin();
        let air_temperature = 10.5 + 4.5 * daily * (1.0 - 0.4 * cloud) - 1.5 * low
            + 0.25 * self.noise(6, seconds / 300.0)
            + 0.05 * self.noise(7, seconds / 11.0)
            - 0.3 * rainfall_rate.min(4.0) / 4.0;
        let soil_temperature = 10.0
            + 1.5 * (TAU * (hour - 13.0) / 24.0).sin()
            + 0.3 * self.wave(8, seconds, 9.0 * DAY);
        let relative_humidity = (78.0 - 13.0 * daily * (1.0 - 0.4 * cloud)
            + 8.0 * low
            + 5.0 * rainfall_rate.min(4.0) / 4.0
            + 1.5 * self.noise(9, seconds / 400.0))
        .clamp(25.0, 100.0);
        // Gusts: three octaves of noise over a slowly changing mean.
        let mean = 4.0 + 1.5 * low + 1.2 * daily + self.noise(10, seconds / 2_700.0);
        let gust = 0.5 * self.noise(11, seconds / 37.0)
            + 0.3 * self.noise(12, seconds / 9.0)
            + 0.2 * self.noise(13, seconds / 2.5);
        let wind_speed = (mean * (1.0 + 0.7 * gust)).max(0.0);
        let wind_from = (235.0 - 40.0 * self.wave(14, seconds, 4.3 * DAY)
            + 20.0 * self.noise(15, seconds / 600.0)
            + 32.0 * self.noise(16, seconds / 13.0))
        .rem_euclid(360.0);
        Weather {
            air_temperature,
            soil_temperature,
            relative_humidity,
            pressure,
            wind_speed,
            wind_from,
            rainfall_rate,
            shortwave,
        }
    }

    /// A slow wave between -1 and 1 with a phase of its own.
    fn wave(self, layer: u64, seconds: f64, period: f64) -> f64 {
        let phase = self.corner(layer, 0) * std::f64::consts::PI;
        (TAU * seconds / period + phase).sin()
    }

    /// Smooth noise between -1 and 1: random values at whole numbers, eased between.
    #[expect(clippy::cast_possible_truncation, reason = "a whole number of a scaled instant")]
    fn noise(self, layer: u64, x: f64) -> f64 {
        let corner = x.floor();
        let part = x - corner;
        let eased = part * part * (3.0 - 2.0 * part);
        let left = self.corner(layer, corner as i64);
        let right = self.corner(layer, (corner + 1.0) as i64);
        left + (right - left) * eased
    }

    /// A random value between -1 and 1 that belongs to a layer and a whole number.
    fn corner(self, layer: u64, x: i64) -> f64 {
        let mixed = fastrand::Rng::with_seed(
            self.seed.wrapping_mul(0x9e37_79b9_7f4a_7c15)
                ^ layer.wrapping_mul(0xd1b5_4a32_d192_ed03)
                ^ x.cast_unsigned().wrapping_mul(0x94d0_49bb_1331_11eb),
        )
        .f64();
        2.0 * mixed - 1.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_same_seed_gives_the_same_weather_and_another_seed_another() {
        let now = 1_780_000_000.0;
        assert_eq!(Sky::new(1).at(now), Sky::new(1).at(now));
        assert_ne!(Sky::new(1).at(now), Sky::new(2).at(now));
    }

    #[test]
    fn a_year_of_it_stays_believable() {
        let sky = Sky::new(7);
        let (mut wet, mut calm, mut all) = (0, 0, 0);
        for step in 0..(365 * 48) {
            let seconds = 1_780_000_000.0 + f64::from(step) * 1_800.0;
            let weather = sky.at(seconds);
            assert!((-5.0..30.0).contains(&weather.air_temperature), "{weather:?}");
            assert!((25.0..=100.0).contains(&weather.relative_humidity), "{weather:?}");
            assert!((970.0..1_000.0).contains(&weather.pressure), "{weather:?}");
            assert!((0.0..20.0).contains(&weather.wind_speed), "{weather:?}");
            assert!((0.0..360.0).contains(&weather.wind_from), "{weather:?}");
            assert!((0.0..900.0).contains(&weather.shortwave), "{weather:?}");
            wet += u32::from(weather.rainfall_rate > 0.0);
            calm += u32::from(weather.wind_speed < 0.9);
            all += 1;
        }
        assert!(wet > all / 20 && wet < all * 3 / 5, "{wet} of {all} wet");
        assert!(calm < all / 10, "{calm} of {all} calm");
    }

    #[test]
    fn nothing_jumps_from_one_second_to_the_next() {
        let sky = Sky::new(3);
        for step in 0..10_000 {
            let seconds = 1_780_000_000.0 + f64::from(step);
            let (now, next) = (sky.at(seconds), sky.at(seconds + 1.0));
            assert!((now.air_temperature - next.air_temperature).abs() < 0.3);
            assert!((now.pressure - next.pressure).abs() < 0.05);
        }
    }
}
