//! One station of the property: what its place does to the air, and what its instruments make
//! of it. The forms are published; the numbers of places and instruments are invented.

use super::sky::{FIRST, HOURS, MINUTES, Minute, around, between, wander};
use crate::faults::switches;
use quality::neighbours::{Site, Values};

/// Constant of the wake of a windbreak, and the height of the trees, m: see [`shelter`].
const WAKE: f64 = 0.32;
const TREES: f64 = 6.0;
/// Roughness of meadows, m.
const ROUGHNESS: f64 = 0.05;
/// Depth of one tip, mm.
const TIP: f64 = 0.2;
/// Speed of one turn a second, and of none, m/s; below this the cup stands.
const CUP: (f64, f64, f64) = (0.66, 0.3, 0.5);
/// Minutes before the time asked for from which on instruments are followed: their lags.
const SPIN_UP: usize = 48 * MINUTES;

/// What is physically wrong with an instrument.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Wrong {
    /// The screen lets so many times as much sun to the thermometer.
    Sunlit(f64),
    /// The filter of the humidity sensor holds so much water, mm, and is saturated until it
    /// is gone.
    Wet(f64),
    /// Pulses that follow within so many seconds are lost.
    Dead(f64),
    /// A row of trees from one direction over so many degrees, so many heights away.
    Trees { from: f64, width: f64, heights: f64 },
    /// Each tip is counted twice: its switch bounces.
    Bounce,
    /// Only this share of the rain reaches the bucket.
    Leak(f64),
    /// A sprinkler reaches the gauge every third evening and gives so much, mm.
    Sprinkler(f64),
    /// The switch in that direction, of four that close over 135 degrees each, never closes.
    DeadSwitch(f64),
    /// So much more of the pressure of the wind's speed acts on the vent of the barometer.
    Pumped(f64),
    /// The barometer follows the temperature of its box, by so many hPa a K from 15 Cel.
    WarmBox(f64),
}

/// What is usual at a place.
#[derive(Clone, Debug)]
pub(crate) struct Station {
    pub(crate) site: Site,
    seed: u64,
    /// Above the middle of the property, m.
    rise: f64,
    /// Depth of the hollow: cooling by the square root of an hour of clear calm night, K.
    hollow: f64,
    /// Share of the sun that reaches the thermometer of a usual screen: its quality.
    screen: f64,
    /// Where a wall shades the screen: from, to, degrees, and up to this elevation.
    shade: (f64, f64, f64),
    /// Height of the cup, m, and what stands around it: wind left, by eight sectors.
    height: f64,
    left: [f64; 8],
    /// The same turns the wind, degrees.
    turned: [f64; 8],
    /// Share of the speed's pressure that the vent of the barometer takes up.
    vent: f64,
    /// Share of the rain that is caught.
    catches: f64,
    /// Offsets of the instruments: K, %, hPa, degrees.
    offsets: [f64; 4],
    /// Hourly wanderings: temperature fast and slow, humidity, pressure, speed, direction.
    waves: [Vec<f64>; 6],
    /// Hours in which no message arrives.
    silent: Vec<bool>,
}

/// Share of the wind left behind a windbreak, at so many of its heights behind it and at so
/// much of its height: Perera, J. Wind Eng. Ind. Aerodyn. 8, 1981, 93-104, as used in wind
/// atlases (from memory), with a porosity of 0.4.
pub(crate) fn shelter(heights: f64, level: f64) -> f64 {
    let widening = WAKE / (TREES / ROUGHNESS).ln();
    let eta = level * (widening * heights).powf(-0.47);
    let deficit = 9.8 * level.powf(0.14) / heights * 0.6 * eta * (-0.67 * eta.powf(1.5)).exp();
    1.0 - deficit.clamp(0.0, 0.9)
}

/// Error of a naturally ventilated screen of many plates in K: 373.4 times the global
/// irradiance in W/m² over density, heat capacity, temperature and wind; Nakamura and Mahrt,
/// J. Atmos. Oceanic Technol. 22, 2005, 1046-1058 (slope from memory, its constant left out).
pub(crate) fn radiation_error(global: f64, temperature: f64, wind: f64) -> f64 {
    373.4 * global / (1.2 * 1004.0 * (temperature + 273.15) * wind.max(0.3))
}

/// Pulses counted of so many a second by a counter that is dead for so long after each
/// (non-paralysable: Knoll, Radiation Detection and Measurement, from memory).
pub(crate) fn counted(rate: f64, dead: f64) -> f64 {
    rate / (1.0 + rate * dead)
}

/// Water that evaporates in mm a day: Penman, Proc. R. Soc. A 193, 1948, 120-145, aerodynamic
/// term, vapour pressures in hPa, wind in m/s (from memory).
pub(crate) fn evaporation(saturated: f64, vapour: f64, wind: f64) -> f64 {
    0.26 * (1.0 + 0.54 * wind) * (saturated - vapour).max(0.0)
}

/// What the wind adds to the pressure at a vent, hPa: half the density times speed squared, by a
/// coefficient of the place on the body, about 1 on its windward side and down to -1.2 beside
/// and behind its edges; Liu and Darkow, J. Atmos. Oceanic Technol. 6, 1989, 5-12 (errors of this
/// kind in measured pressure; from memory), coefficients of bluff bodies common practice.
pub(crate) fn wind_pressure(coefficient: f64, wind: f64) -> f64 {
    coefficient * 0.006 * wind * wind
}

/// How much warmer than the air a grey box is all around in the sun, K: sol-air temperature of
/// absorptance 0.7, a quarter of its surface across the beam; film coefficient 5.7 + 3.8 times
/// the wind in W/(m2 K): McAdams, Heat Transmission, 1954 (from memory).
pub(crate) fn box_warmth(global: f64, wind: f64) -> f64 {
    0.7 * global / 4.0 / (5.7 + 3.8 * wind)
}

/// Saturation vapour pressure in hPa over water (Magnus form of WMO-No. 8).
fn saturated(temperature: f64) -> f64 {
    6.112 * (17.62 * temperature / (243.12 + temperature)).exp()
}

fn of_sector(values: &[f64; 8], direction: f64) -> f64 {
    let place = direction.rem_euclid(360.0) / 45.0;
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    let sector = place as usize % 8;
    let part = place.fract();
    values[sector] * (1.0 - part) + values[(sector + 1) % 8] * part
}

impl Station {
    /// The `nth` station of a property of that seed, 50 to 500 m from the others.
    pub(crate) fn new(seed: u64, nth: usize) -> Self {
        let seed = seed.wrapping_mul(7919).wrapping_add(nth as u64 + 1);
        let mut random = fastrand::Rng::with_seed(seed);
        let mut of = |low: f64, high: f64| low + (high - low) * random.f64();
        // Rings of growing width, so that no two stand closer than about 50 m.
        let (angle, far) = (nth as f64 * 2.4, 45.0 + 19.0 * nth as f64);
        let (east, north) = (far * f64::sin(angle), far * f64::cos(angle));
        let rise = of(-4.0, 12.0);
        let elevation = super::sky::PLACE.2 + rise;
        let latitude = super::sky::PLACE.0 + north / 111_200.0;
        let longitude =
            super::sky::PLACE.1 + east / 111_200.0 / super::sky::PLACE.0.to_radians().cos();
        let left = [(); 8].map(|()| if of(0.0, 1.0) < 0.4 { of(0.55, 0.9) } else { of(0.9, 1.0) });
        let turned = [(); 8].map(|()| of(-10.0, 10.0));
        let shade = of(60.0, 240.0);
        let parts = Self {
            site: Site { latitude, longitude, elevation },
            seed,
            rise,
            // Every fourth stands in a hollow.
            hollow: if nth % 4 == 1 { of(0.5, 0.9) } else { of(0.0, 0.12) },
            screen: of(0.5, 1.0),
            shade: (shade, shade + of(15.0, 50.0), of(8.0, 25.0)),
            height: of(3.0, 6.0),
            left,
            turned,
            vent: of(-0.3, 0.3),
            catches: of(0.93, 1.02),
            offsets: [of(-0.3, 0.3), of(-3.0, 3.0), of(-0.6, 0.6), of(-5.0, 5.0)],
            waves: [const { Vec::new() }; 6],
            silent: Vec::new(),
        };
        let memories = [1.5, 36.0, 36.0, 48.0, 1.0, 1.0];
        let waves = memories.map(|memory| wander(&mut random, memory, false));
        let mut silent = vec![false; HOURS];
        for _ in 0..12 {
            let from = random.usize(..HOURS - 13);
            silent[from..from + random.usize(1..13)].fill(true);
        }
        Self { waves, silent, ..parts }
    }

    /// Hourly values of the hours asked for; `wrong` from its hour on.
    pub(crate) fn values(
        &self,
        sky: &[Minute],
        hours: std::ops::Range<usize>,
        wrong: Option<(Wrong, usize)>,
    ) -> Vec<Values> {
        let mut device = Device::default();
        let start = (hours.start * MINUTES).saturating_sub(SPIN_UP);
        let mut found = Vec::with_capacity(hours.len());
        for hour in start / MINUTES..hours.end {
            let now = wrong.filter(|(_, since)| hour >= *since).map(|(wrong, _)| wrong);
            let mut sums = Sums::default();
            let mut random = fastrand::Rng::with_seed(self.seed ^ ((hour as u64) << 20));
            let minutes = hour * MINUTES..(hour + 1) * MINUTES;
            for (sky, minute) in sky[minutes.clone()].iter().zip(minutes) {
                self.minute(sky, minute, now, &mut device, &mut random, &mut sums);
            }
            if hour >= hours.start {
                found.push(if self.silent[hour] { Values::MISSING } else { sums.hour() });
            }
        }
        found
    }

    fn minute(
        &self,
        sky: &Minute,
        minute: usize,
        wrong: Option<Wrong>,
        device: &mut Device,
        random: &mut fastrand::Rng,
        sums: &mut Sums,
    ) {
        let wave = |nth: usize| between(&self.waves[nth], minute);
        // The wind at the cup: neutral logarithmic profile (common practice) from 10 m, what
        // stands around, and what the place adds by itself.
        let direction = sky.direction + of_sector(&self.turned, sky.direction) + 4.0 * wave(5);
        let profile = (self.height / ROUGHNESS).ln() / (10.0 / ROUGHNESS).ln();
        let mut wind = sky.speed * profile * of_sector(&self.left, sky.direction);
        wind *= (0.07 * wave(4)).exp() * (1.0 + 0.08 * around(random));
        if let Some(Wrong::Trees { from, width, heights }) = wrong {
            let off = (sky.direction - from + 180.0).rem_euclid(360.0) - 180.0;
            // Soft edges of 10 degrees.
            let inside = ((width / 2.0 - off.abs()) / 10.0 + 0.5).clamp(0.0, 1.0);
            wind *= 1.0 - inside * (1.0 - shelter(heights, 0.6));
        }
        // The air: the lapse of the standard atmosphere (ISO 2533), a hollow that cools with
        // the square root of the night (Brunt, Q. J. R. Meteorol. Soc. 58, 1932, 389-420).
        let clear = 1.0 - sky.cloud;
        let still = (-sky.speed / 2.5).exp();
        let pool = self.hollow * sky.night.sqrt() * clear * still * 2.0;
        device.pool += (pool - device.pool) / 40.0;
        let fast = (0.06 + 0.12 * (sky.global / 800.0)) * wave(0);
        let air = sky.temperature - 0.0065 * self.rise - device.pool + fast;
        let vapour = saturated(sky.dew_point.min(air));
        // The screen.
        let (from, to, up_to) = self.shade;
        let shaded = sky.sun.1 < up_to && (from..to).contains(&sky.sun.0);
        let times = if let Some(Wrong::Sunlit(times)) = wrong { times } else { 1.0 };
        let global = sky.global * if shaded { 0.3 } else { 1.0 } * self.screen * times;
        let inside = air + radiation_error(global, air, 0.7 * wind);
        // A thermometer of three minutes, a humidity sensor of five (first order, WMO-No. 8).
        device.thermometer += (inside - device.thermometer) / 3.0;
        if !device.settled {
            device.thermometer = inside;
        }
        let own = device.thermometer + self.offsets[0] + 0.04 * wave(1) + 0.05 * around(random);
        let mut humidity = 100.0 * vapour / saturated(device.thermometer);
        if let Some(Wrong::Wet(depth)) = wrong {
            if sky.rain > 0.0 || humidity > 98.0 {
                device.water = depth;
            }
            let dries = evaporation(saturated(device.thermometer), vapour, 0.3 * wind);
            device.water = (device.water - dries / 1440.0).max(0.0);
            if device.water > 0.0 {
                humidity = 100.0;
            }
        }
        device.hygrometer += (humidity.min(100.0) - device.hygrometer) / 5.0;
        if !device.settled {
            device.hygrometer = humidity.min(100.0);
        }
        device.settled = true;
        let humidity = device.hygrometer + self.offsets[1] + 0.6 * wave(2) + 0.4 * around(random);
        // Barometer: half density times speed squared at its vent.
        let more = if let Some(Wrong::Pumped(more)) = wrong { more } else { 0.0 };
        let vent = wind_pressure(self.vent + more, wind);
        device.warmth += (box_warmth(global, wind) - device.warmth) / 20.0;
        let follows = match wrong {
            Some(Wrong::WarmBox(by)) => by * (air + device.warmth - 15.0),
            _ => 0.0,
        };
        let pressure = sky.pressure
            + vent
            + follows
            + self.offsets[2]
            + 0.04 * wave(3)
            + 0.03 * around(random);
        // Cup, vane and gauge.
        let (slope, offset, stands) = CUP;
        let mut turns = ((wind - offset) / slope).max(0.0);
        if let Some(Wrong::Dead(dead)) = wrong {
            turns = counted(turns, dead);
        }
        let speed = if wind < stands { 0.0 } else { slope * turns + offset };
        let vane = direction + self.offsets[3] + (25.0 / wind.max(1.0)) * around(random);
        let vane = match wrong {
            Some(Wrong::DeadSwitch(dead)) => switches(vane, 135.0, Some(dead)),
            _ => Some(vane),
        };
        let share = if let Some(Wrong::Leak(share)) = wrong { share } else { 1.0 };
        device.bucket += sky.rain * self.catches * (1.0 - 0.006 * wind) * share;
        if let Some(Wrong::Sprinkler(depth)) = wrong
            && (minute / (24 * MINUTES)).is_multiple_of(3)
            && minute / MINUTES % 24 == 19
        {
            device.bucket += depth / MINUTES as f64;
        }
        let mut tips = 0.0;
        while device.bucket >= TIP {
            device.bucket -= TIP;
            tips += if wrong == Some(Wrong::Bounce) { 2.0 } else { 1.0 };
        }
        sums.add(own, humidity.clamp(0.0, 100.0), pressure, speed, vane, tips * TIP);
    }
}

/// What instruments remember.
#[derive(Clone, Copy, Debug, Default)]
struct Device {
    settled: bool,
    pool: f64,
    thermometer: f64,
    hygrometer: f64,
    water: f64,
    bucket: f64,
    /// Of the barometer's box above the air, K.
    warmth: f64,
}

/// The readings of one hour, as the processor takes them together.
#[derive(Clone, Copy, Debug, Default)]
struct Sums {
    temperature: f64,
    humidity: f64,
    pressure: f64,
    speed: f64,
    east: f64,
    north: f64,
    winds: f64,
    rain: f64,
}

fn rounded(value: f64, step: f64) -> f64 {
    (value / step).round() * step
}

impl Sums {
    fn add(
        &mut self,
        temperature: f64,
        humidity: f64,
        pressure: f64,
        speed: f64,
        vane: Option<f64>,
        rain: f64,
    ) {
        self.temperature += rounded(temperature, 0.01);
        self.humidity += rounded(humidity, 0.1);
        self.pressure += rounded(pressure, 0.01);
        self.speed += rounded(speed, 0.01);
        self.rain += rain;
        // In a calm there is no direction.
        if let Some(vane) = vane.filter(|_| speed > 0.0) {
            let (sin, cos) = vane.to_radians().sin_cos();
            (self.east, self.north) = (self.east + sin, self.north + cos);
            self.winds += 1.0;
        }
    }

    fn hour(&self) -> Values {
        let count = MINUTES as f64;
        let steady = self.winds > 0.0 && self.east.hypot(self.north) >= 0.2 * self.winds;
        Values {
            temperature: self.temperature / count,
            humidity: self.humidity / count,
            // A home station has no instrument for it: none is compared.
            dew_point: f64::NAN,
            pressure: self.pressure / count,
            speed: self.speed / count,
            direction: if steady {
                self.east.atan2(self.north).to_degrees().rem_euclid(360.0)
            } else {
                f64::NAN
            },
            rain: self.rain,
        }
    }
}

/// The start of an hour in milliseconds.
pub(crate) fn start() -> i64 {
    #[allow(clippy::cast_possible_truncation)]
    let first = FIRST as i64;
    first * 1_000
}

#[cfg(test)]
mod tests {
    use super::*;
    use meteorology::humidity::humidity_from_dew_point;
    use meteorology::saturation::Method;

    #[test]
    fn the_forms_give_what_is_published() {
        // 800 W/m² and 1 m/s at 20 Cel: 0.85 K; three times the wind, a third of it.
        assert!((radiation_error(800.0, 20.0, 1.0) - 0.846).abs() < 0.01);
        assert!((radiation_error(800.0, 20.0, 3.0) - 0.282).abs() < 0.01);
        // A dead time of a tenth of the spacing loses a tenth of what is counted.
        assert!((counted(10.0, 0.01) - 9.0909).abs() < 1e-3);
        // Saturated air takes up nothing; 5 hPa short at 2 m/s: 0.26 x 2.08 x 5.
        assert!((evaporation(12.0, 7.0, 2.0) - 2.704).abs() < 1e-9);
        // 10 m/s are 60 Pa; 800 W/m2 at 2 m/s: 140 over 13.3.
        assert!((wind_pressure(1.0, 10.0) - 0.6).abs() < 1e-9);
        assert!((box_warmth(800.0, 2.0) - 10.526).abs() < 1e-3);
        // Far behind the trees the wind is whole again, near them the most is missing.
        assert!(shelter(4.0, 0.6) < shelter(8.0, 0.6) && shelter(8.0, 0.6) < shelter(30.0, 0.6));
        assert!(shelter(30.0, 0.6) > 0.9);
        let humidity = humidity_from_dew_point(Method::default(), 20.0, 10.0).unwrap_or(0.0);
        assert!((100.0 * saturated(10.0) / saturated(20.0) - humidity).abs() < 0.1, "{humidity}");
    }

    #[test]
    fn the_same_seed_says_the_same_and_a_fault_begins_at_its_hour() {
        let sky = super::super::sky::year(5);
        let station = Station::new(5, 0);
        let day = 150 * 24..160 * 24;
        let plain = station.values(&sky, day.clone(), None);
        let wrong = station.values(&sky, day, Some((Wrong::Sunlit(3.0), 154 * 24)));
        let apart = |hour: usize| (wrong[hour].temperature - plain[hour].temperature).abs();
        assert!(apart(0).is_finite() && (0..4 * 24).map(apart).fold(0.0, f64::max) < 1e-9);
        assert!((4 * 24..10 * 24).map(apart).fold(0.0, f64::max) > 0.5);
    }
}
