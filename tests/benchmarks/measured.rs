//! One-minute readings: open data as measured, and invented weather.

use observation::{Quantity, Span};
use std::path::Path;

/// One quantity, a value a minute in steps of the quantity.
pub(crate) struct Column {
    pub(crate) quantity: Quantity,
    pub(crate) steps: Vec<Option<i64>>,
}

/// What one station measured.
pub(crate) struct Station {
    pub(crate) name: String,
    pub(crate) columns: Vec<Column>,
}

/// A station of the settings, invented.
pub(crate) fn station(id: &str) -> observation::property::Station {
    observation::property::Station {
        id: id.into(),
        name: id.into(),
        latitude: 54.07,
        longitude: -2.28,
        elevation: 212.0,
        interval: Span::minutes(1),
        sleeps: false,
        oldest: Span::days(-31),
        newest: Span::minutes(1),
        time_zone: None,
        time_in_milliseconds: false,
        rate: 100.0,
        derive: observation::property::Deriving::default(),
    }
}

const SURFRAD: [(&str, usize); 6] = [
    ("surface_downwelling_shortwave_flux_in_air", 8),
    ("air_temperature", 38),
    ("relative_humidity", 40),
    ("wind_speed", 42),
    ("wind_from_direction", 44),
    ("surface_air_pressure", 46),
];
const MIDC: [(&str, usize); 7] = [
    ("surface_downwelling_shortwave_flux_in_air", 7),
    ("air_temperature", 13),
    ("relative_humidity", 14),
    ("surface_air_pressure", 15),
    ("wind_speed", 16),
    ("wind_from_direction", 17),
    ("wind_speed_of_gust", 18),
];

/// Thirty days of minutes. Two lines a minute, apart by white space: day, minute, and four
/// figures (the first is the mean) each of global and direct irradiance; then four each of
/// diffuse and longwave irradiance, temperature, humidity and pressure. What is missing is
/// -999 or -99.9. Irradiance is told in whole watts, temperature and humidity in tenths,
/// pressure in whole hectopascals.
fn month(folder: &Path) -> Station {
    const NAME: &str = "bsrn-lr0100-pay0616.dat";
    const PLACES: [(&str, usize); 7] = [
        ("surface_downwelling_shortwave_flux_in_air", 2),
        ("surface_downwelling_shortwave_flux_in_air", 6),
        ("surface_downwelling_shortwave_flux_in_air", 10),
        ("surface_downwelling_shortwave_flux_in_air", 14),
        ("air_temperature", 18),
        ("relative_humidity", 19),
        ("surface_air_pressure", 20),
    ];
    let text = std::fs::read_to_string(folder.join(NAME)).expect("open data");
    let mut lines = text.lines().skip_while(|l| *l != "*U0100").skip(1);
    let mut rows = Vec::new();
    while let (Some(first), Some(second)) = (lines.next(), lines.next()) {
        let number = |cell: &str| cell.parse().unwrap_or(-999.0);
        let row: Vec<f64> =
            first.split_whitespace().chain(second.split_whitespace()).map(number).collect();
        if row.len() != 21 {
            break;
        }
        rows.push(row);
    }
    let columns = PLACES
        .iter()
        .map(|&(quantity, place)| {
            let quantity = Quantity::parse(quantity).expect("a quantity");
            let scale = 10_f64.powi(i32::from(quantity.decimals()));
            let there = |v: f64| v > -99.0;
            let steps = rows.iter().map(|row| row[place]);
            let steps = steps.map(|v| there(v).then(|| (v * scale).round() as i64)).collect();
            Column { quantity, steps }
        })
        .collect();
    Station { name: NAME.to_owned(), columns }
}

fn read(
    folder: &Path,
    name: &str,
    heading: usize,
    places: &[(&str, usize)],
    cells: impl Fn(&str) -> Vec<f64>,
) -> Station {
    let text = std::fs::read_to_string(folder.join(name)).expect("open data");
    let rows: Vec<Vec<f64>> =
        text.lines().skip(heading).filter(|l| !l.trim().is_empty()).map(cells).collect();
    let columns = places
        .iter()
        .map(|&(quantity, place)| {
            let quantity = Quantity::parse(quantity).expect("a quantity");
            let scale = 10_f64.powi(i32::from(quantity.decimals()));
            let steps = rows
                .iter()
                .map(|row| row[place])
                .map(|v| (v > -7_000.0).then(|| (v * scale).round() as i64))
                .collect();
            Column { quantity, steps }
        })
        .collect();
    Station { name: name.to_owned(), columns }
}

/// The open data, if the variable `ISOBARN_OPEN_DATA` names its folder.
pub(crate) fn open_data() -> Vec<Station> {
    let Some(folder) = std::env::var_os("ISOBARN_OPEN_DATA") else {
        println!("ISOBARN_OPEN_DATA names no folder: nothing real is measured");
        return Vec::new();
    };
    let folder = Path::new(&folder);
    let number = |cell: &str| cell.trim().parse().unwrap_or(-9_999.0);
    vec![
        read(folder, "surfrad-slv16001.dat", 2, &SURFRAD, |line| {
            line.split_whitespace().map(number).collect()
        }),
        read(folder, "midc_raw_20181018.txt", 1, &MIDC, |line| {
            line.split(',').map(number).collect()
        }),
        month(folder),
    ]
}

/// A normal deviate, near enough.
fn noise(random: &mut fastrand::Rng) -> f64 {
    (0..6).map(|_| random.f64()).sum::<f64>() * 2_f64.sqrt() - 3.0 * 2_f64.sqrt()
}

/// Twelve direct quantities of invented weather, with the noise of small instruments.
pub(crate) fn invented(seed: u64, days: usize) -> Station {
    // Daily swing, wander a minute, noise, least value; in the quantity's unit.
    const KINDS: [(&str, f64, f64, f64, f64, f64); 12] = [
        ("air_temperature", 10.0, 5.0, 0.03, 0.02, -40.0),
        ("relative_humidity", 75.0, -15.0, 0.1, 0.1, 0.0),
        ("surface_air_pressure", 990.0, 0.5, 0.01, 0.01, 900.0),
        ("wind_speed", 3.0, 1.5, 0.2, 0.3, 0.0),
        ("wind_from_direction", 200.0, 20.0, 3.0, 8.0, 0.0),
        ("wind_speed_of_gust", 5.0, 2.0, 0.3, 0.6, 0.0),
        ("lwe_thickness_of_precipitation_amount", -2.0, 0.0, 0.02, 0.1, 0.0),
        ("surface_downwelling_shortwave_flux_in_air", 50.0, 400.0, 8.0, 3.0, 0.0),
        ("soil_temperature", 9.0, 0.7, 0.003, 0.01, -20.0),
        ("battery_voltage", 3.9, 0.1, 0.001, 0.003, 0.0),
        ("signal_strength", -70.0, 1.0, 0.1, 1.0, -120.0),
        ("surface_snow_thickness", -0.5, 0.0, 0.001, 0.002, 0.0),
    ];
    let mut random = fastrand::Rng::with_seed(seed);
    let columns = KINDS
        .iter()
        .map(|&(name, middle, swing, wander, jitter, least)| {
            let quantity = Quantity::parse(name).expect("a quantity");
            let scale = 10_f64.powi(i32::from(quantity.decimals()));
            let mut drift = 0.0;
            let steps = (0..days * 1_440)
                .map(|minute| {
                    drift = drift * 0.999_8 + wander * noise(&mut random);
                    let phase = (minute % 1_440) as f64 / 1_440.0 * std::f64::consts::TAU;
                    let value = middle - swing * phase.cos() + drift + jitter * noise(&mut random);
                    // A packet is lost now and then, with all that was in it: here each by
                    // itself, which is worse for the axes.
                    (random.u16(..500) > 0).then(|| (value.max(least) * scale).round() as i64)
                })
                .collect();
            Column { quantity, steps }
        })
        .collect();
    Station { name: format!("invented {seed}"), columns }
}
