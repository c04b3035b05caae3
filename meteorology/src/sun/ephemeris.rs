//! The sun's place in the sky (report sections 3.1 to 3.14).

use super::tables::{LATITUDE, LONGITUDE, NUTATION, RADIUS, Term};

/// Where one stands.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Place {
    /// Latitude, deg, north positive.
    pub latitude: f64,
    /// Longitude, deg, east positive.
    pub longitude: f64,
    /// Elevation, m.
    pub elevation: f64,
    /// Pressure, hPa, for refraction.
    pub pressure: f64,
    /// Temperature, Cel, for refraction.
    pub temperature: f64,
}

/// Where the sun stands.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Position {
    /// Zenith angle as seen through the air, deg.
    pub zenith: f64,
    /// Zenith angle without refraction, deg.
    pub true_zenith: f64,
    /// Azimuth clockwise from north, deg, 0 to below 360.
    pub azimuth: f64,
    /// Equation of time, min: apparent less mean solar time.
    pub equation_of_time: f64,
    /// Distance, astronomical units.
    pub distance: f64,
}

/// Julian day of Unix seconds (eq. 4; the epoch of 1970 is 2440587.5).
pub fn julian_day(unix: f64) -> f64 {
    unix / 86_400.0 + 2_440_587.5
}

/// The sun as seen from the middle of the Earth.
pub(super) struct Geocentric {
    /// Right ascension, deg.
    pub(super) ascension: f64,
    /// Declination, deg.
    pub(super) declination: f64,
    /// Distance, astronomical units.
    pub(super) distance: f64,
    /// Apparent sidereal time at Greenwich, deg.
    pub(super) sidereal: f64,
    /// Equation of time, min.
    pub(super) equation_of_time: f64,
}

/// Sums of `A cos(B + C t)`, each times its power of t.
fn series(tables: &[&[Term]], t: f64) -> f64 {
    let sums = tables.iter().rev();
    sums.fold(0.0, |sum, table| {
        sum * t + table.iter().map(|&(a, b, c)| a * (b + c * t).cos()).sum::<f64>()
    }) / 1e8
}

fn polynomial(coefficients: &[f64], x: f64) -> f64 {
    coefficients.iter().rev().fold(0.0, |sum, c| sum * x + c)
}

/// Nutation in longitude and obliquity, deg (eq. 15 to 23).
fn nutation(t: f64) -> (f64, f64) {
    let arguments = [
        polynomial(&[297.850_36, 445_267.111_48, -0.001_914_2, 1.0 / 189_474.0], t),
        polynomial(&[357.527_72, 35_999.050_34, -0.000_160_3, -1.0 / 300_000.0], t),
        polynomial(&[134.962_98, 477_198.867_398, 0.008_697_2, 1.0 / 56_250.0], t),
        polynomial(&[93.271_91, 483_202.017_538, -0.003_682_5, 1.0 / 327_270.0], t),
        polynomial(&[125.044_52, -1_934.136_261, 0.002_070_8, 1.0 / 450_000.0], t),
    ];
    let (mut longitude, mut obliquity) = (0.0, 0.0);
    for (multiples, [a, b, c, d]) in NUTATION {
        let angle: f64 = multiples.iter().zip(arguments).map(|(m, x)| m * x).sum();
        let (sine, cosine) = angle.to_radians().sin_cos();
        longitude += (a + b * t) * sine;
        obliquity += (c + d * t) * cosine;
    }
    (longitude / 36e6, obliquity / 36e6)
}

pub(super) fn geocentric(unix: f64, delta_t: f64) -> Geocentric {
    let day = julian_day(unix);
    let century = (day - 2_451_545.0) / 36_525.0;
    let ephemeris_century = (day + delta_t / 86_400.0 - 2_451_545.0) / 36_525.0;
    let millennium = ephemeris_century / 10.0;
    let longitude = series(LONGITUDE, millennium).to_degrees() + 180.0;
    let latitude = -series(LATITUDE, millennium);
    let distance = series(RADIUS, millennium);
    let (in_longitude, in_obliquity) = nutation(ephemeris_century);
    // Eq. 24, in tens of millennia.
    let mean_obliquity = polynomial(
        &[84_381.448, -4_680.93, -1.55, 1_999.25, -51.38, -249.67, -39.05, 7.12, 27.87, 5.79, 2.45],
        millennium / 10.0,
    ) / 3_600.0;
    let obliquity = (mean_obliquity + in_obliquity).to_radians();
    let aberration = -20.4898 / (3_600.0 * distance);
    let apparent = (longitude + in_longitude + aberration).to_radians();
    let mean_sidereal = 280.460_618_37
        + 360.985_647_366_29 * (day - 2_451_545.0)
        + century * century * (0.000_387_933 - century / 38_710_000.0);
    let ascension = (apparent.sin() * obliquity.cos() - latitude.tan() * obliquity.sin())
        .atan2(apparent.cos())
        .to_degrees();
    let declination = (latitude.sin() * obliquity.cos()
        + latitude.cos() * obliquity.sin() * apparent.sin())
    .asin()
    .to_degrees();
    // Mean longitude of the sun, eq. A2.
    let mean_longitude = polynomial(
        &[
            280.466_456_7,
            360_007.698_277_9,
            0.030_320_28,
            1.0 / 49_931.0,
            -1.0 / 15_300.0,
            -1.0 / 2_000_000.0,
        ],
        millennium,
    );
    let equation = mean_longitude - 0.005_718_3 - ascension + in_longitude * obliquity.cos();
    Geocentric {
        ascension,
        declination,
        distance,
        sidereal: (mean_sidereal + in_longitude * obliquity.cos()).rem_euclid(360.0),
        equation_of_time: 4.0 * ((equation + 180.0).rem_euclid(360.0) - 180.0),
    }
}

/// Where the sun stands at an instant; `delta_t` in s, see [`super::delta_t`]. Refraction
/// is added while the sun's upper edge is above `-0.5667` deg of refraction at the horizon.
pub fn position(unix: f64, delta_t: f64, place: &Place) -> Position {
    let sun = geocentric(unix, delta_t);
    let hour = (sun.sidereal + place.longitude - sun.ascension).to_radians();
    let latitude = place.latitude.to_radians();
    let declination = sun.declination.to_radians();
    // Parallax, eq. 33 to 39.
    let parallax = (8.794 / (3_600.0 * sun.distance)).to_radians();
    let u = (0.996_647_19 * latitude.tan()).atan();
    let x = u.cos() + place.elevation / 6_378_140.0 * latitude.cos();
    let y = 0.996_647_19 * u.sin() + place.elevation / 6_378_140.0 * latitude.sin();
    let denominator = declination.cos() - x * parallax.sin() * hour.cos();
    let shift = (-x * parallax.sin() * hour.sin()).atan2(denominator);
    let declination = ((declination.sin() - y * parallax.sin()) * shift.cos()).atan2(denominator);
    let hour = hour - shift;
    let height = (latitude.sin() * declination.sin()
        + latitude.cos() * declination.cos() * hour.cos())
    .asin()
    .to_degrees();
    // Eq. 42; the sun's radius is 0.26667 deg and the refraction at the horizon 0.5667.
    let refraction = if height >= -(0.266_67 + 0.5667) {
        place.pressure / 1010.0 * 283.0 / (273.0 + place.temperature) * 1.02
            / (60.0 * (height + 10.3 / (height + 5.11)).to_radians().tan())
    } else {
        0.0
    };
    let azimuth = hour
        .sin()
        .atan2(hour.cos() * latitude.sin() - declination.tan() * latitude.cos())
        .to_degrees();
    Position {
        zenith: 90.0 - height - refraction,
        true_zenith: 90.0 - height,
        azimuth: (azimuth + 180.0).rem_euclid(360.0),
        equation_of_time: sun.equation_of_time,
        distance: sun.distance,
    }
}

/// Angle between the sun and the normal of a surface tilted by `slope` deg, turned
/// `rotation` deg from south, west positive (eq. 47).
pub fn incidence(position: &Position, slope: f64, rotation: f64) -> f64 {
    let (zenith, slope) = (position.zenith.to_radians(), slope.to_radians());
    let astronomers = (position.azimuth - 180.0 - rotation).to_radians();
    (zenith.cos() * slope.cos() + slope.sin() * zenith.sin() * astronomers.cos())
        .clamp(-1.0, 1.0)
        .acos()
        .to_degrees()
}
