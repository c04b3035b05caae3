//! Grids of inputs against general-purpose libraries, as `references.py` wrote them down.
//!
//! The rule: the convention is fixed first, then the tolerance is tight: what is left is
//! rounding, or a constant that the library gives to fewer digits, as said beside it.

use meteorology::saturation::{self, Method, Phase};
use meteorology::{comfort, evapotranspiration as et, humidity, pressure, sun, wind};
use std::collections::BTreeMap;
use std::fmt::Write as _;

/// Name, unit, tolerance in it, and how the product computes it.
type Formula = (&'static str, &'static str, f64, fn(&[f64]) -> f64);

fn position(i: &[f64]) -> sun::Position {
    let place = sun::Place {
        latitude: i[1],
        longitude: i[2],
        elevation: i[3],
        pressure: 1013.25,
        temperature: 12.0,
    };
    sun::position(i[0], 67.0, &place)
}

fn day(i: &[f64]) -> sun::Day {
    sun::day(i[0], i[1], i[2], sun::HORIZON)
}

const HYLAND_WEXLER: Method = Method::HylandWexler1983;

const FORMULAS: &[Formula] = &[
    ("saturation-ice", "hPa", 1e-9, |i| {
        saturation::pressure(HYLAND_WEXLER, Phase::Ice, i[0]).unwrap()
    }),
    ("saturation-water", "hPa", 1e-9, |i| {
        saturation::pressure(HYLAND_WEXLER, Phase::Water, i[0]).unwrap()
    }),
    // The library stops within 0.001 K.
    ("dew-point", "Cel", 1e-3, |i| humidity::dew_point(HYLAND_WEXLER, i[0], i[1]).unwrap()),
    ("mixing-ratio-from-wet-bulb", "1", 1e-12, |i| {
        humidity::mixing_ratio_from_wet_bulb(i[0], i[1], i[2]).unwrap()
    }),
    ("dew-point-bolton", "Cel", 1e-9, |i| {
        saturation::temperature(Method::Bolton1980, Phase::Water, i[0]).unwrap()
    }),
    // 0.62196 there, 0.62198 here.
    ("mixing-ratio", "1", 2e-6, |i| {
        humidity::mixing_ratio(humidity::MASS_RATIO, i[0], i[1]).unwrap()
    }),
    ("specific-humidity", "1", 1e-15, |i| humidity::specific_humidity(i[0])),
    ("virtual-temperature", "Cel", 5e-4, |i| humidity::virtual_temperature(i[0], i[1]).unwrap()),
    // 287.042 there, 287.053 J/(kg K) here.
    ("air-density", "kg/m3", 8e-5, |i| humidity::air_density(i[0], i[1], i[2]).unwrap()),
    // 2.25577e-5 and 5.2559 there.
    ("standard-pressure", "hPa", 0.01, |i| pressure::standard_pressure(i[0]).unwrap()),
    ("sea-level-dry", "hPa", 1e-9, |i| pressure::sea_level_dry(i[0], i[1], i[2]).unwrap()),
    ("heat-index", "Cel", 1e-9, |i| comfort::heat_index(i[0], i[1]).unwrap()),
    ("wind-chill", "Cel", 1e-9, |i| comfort::wind_chill(i[0], i[1]).unwrap()),
    ("east", "m/s", 1e-12, |i| wind::components(i[0], i[1]).0),
    ("north", "m/s", 1e-12, |i| wind::components(i[0], i[1]).1),
    ("direction", "deg", 1e-9, |i| wind::direction_of(i[0], i[1]).unwrap()),
    ("zenith", "deg", 1e-6, |i| position(i).true_zenith),
    ("apparent-zenith", "deg", 1e-6, |i| position(i).zenith),
    ("azimuth", "deg", 1e-6, |i| position(i).azimuth),
    ("equation-of-time", "min", 1e-6, |i| {
        let place = sun::Place {
            latitude: 0.0,
            longitude: 0.0,
            elevation: 0.0,
            pressure: 1013.25,
            temperature: 12.0,
        };
        sun::position(i[0], 67.0, &place).equation_of_time
    }),
    // The library interpolates between three days, which is poorest in the far north.
    ("sunrise", "s", 2.0, |i| day(i).rise.unwrap() - i[0]),
    ("transit", "s", 2.0, |i| day(i).noon - i[0]),
    ("sunset", "s", 2.0, |i| day(i).set.unwrap() - i[0]),
    ("clear-sky", "W/m2", 1e-9, |i| sun::clear_sky(i[0]).unwrap()),
    ("incidence", "deg", 1e-9, |i| {
        let position = sun::Position {
            zenith: i[0],
            true_zenith: i[0],
            azimuth: i[1],
            equation_of_time: 0.0,
            distance: 1.0,
        };
        sun::incidence(&position, 30.0, -10.0)
    }),
    ("evapotranspiration-day", "mm", 1e-9, |i| {
        et::daily(&et::Day {
            highest: i[0],
            lowest: i[1],
            vapour: i[2],
            wind: i[3],
            radiation: Some(i[4]),
            latitude: i[5],
            elevation: i[6],
            day: i[7],
        })
        .unwrap()
    }),
    ("extraterrestrial", "MJ/m2", 1e-7, |i| et::extraterrestrial(i[0], i[1])),
    // 1 / 2.45 there, 0.408 here.
    ("hargreaves", "mm", 5e-3, |i| {
        et::hargreaves(i[0], i[1], et::extraterrestrial(i[2], i[3])).unwrap()
    }),
    ("extraterrestrial-hour", "MJ/m2", 1e-9, |i| et::extraterrestrial_hour(i[0], i[1], i[2], i[3])),
    // 2.042e-10 there, 2.043e-10 MJ/(K4 m2 h) here.
    ("evapotranspiration-hour", "mm", 1e-3, |i| {
        et::hourly(&et::Hour {
            temperature: i[0],
            humidity: i[1],
            wind: i[2],
            radiation: i[3],
            clearness: i[3] / et::clear_sky(i[5], i[4]),
            elevation: i[5],
        })
        .unwrap()
    }),
    // 288 K there, 288.15 here.
    ("station-pressure", "hPa", 0.04, |i| pressure::from_altimeter_setting(i[0], i[1]).unwrap()),
];

#[test]
fn formulas_agree_with_libraries() {
    let mut largest: BTreeMap<&str, (usize, f64, &str)> = BTreeMap::new();
    let (mut relative, mut of) = (0.0_f64, "");
    let mut faults = Vec::new();
    for line in include_str!("references.tsv").lines() {
        let mut columns = line.split('\t');
        let mut next = || columns.next().unwrap_or_else(|| panic!("`{line}` is short"));
        let (name, inputs, expected, library) = (next(), next(), next(), next());
        let inputs: Vec<f64> = inputs.split(' ').map(|i| i.parse().unwrap()).collect();
        let expected: f64 = expected.parse().unwrap();
        let (name, _, tolerance, compute) =
            FORMULAS.iter().find(|f| f.0 == name).unwrap_or_else(|| panic!("no formula {name}"));
        let apart = (compute(&inputs) - expected).abs();
        let entry = largest.entry(name).or_insert((0, 0.0, library));
        *entry = (entry.0 + 1, entry.1.max(apart), library);
        // Of a result near zero (an angle, a temperature) a share says nothing.
        if apart / expected.abs() > relative && expected.abs() > 1e-3 {
            (relative, of) = (apart / expected.abs(), name);
        }
        if apart.is_nan() || apart > *tolerance {
            faults.push(format!("{name} {inputs:?}: {expected}, apart by {apart:e}"));
        }
    }
    let mut table =
        String::from("| formula | library | values | largest difference |\n|---|---|---|---|\n");
    for (name, unit, ..) in FORMULAS {
        let (count, apart, library) =
            largest.get(name).unwrap_or_else(|| panic!("no rows of {name}"));
        let _ = writeln!(table, "| {name} | {library} | {count} | {apart:.1e} {unit} |");
    }
    crate::summary::write("agreement", table.trim_end());
    let values: usize = largest.values().map(|l| l.0).sum();
    crate::summary::write(
        "references",
        &format!(
            "{values} values of {} formulas from libraries, largest relative difference \
             {relative:.1e} ({of})",
            largest.len()
        ),
    );
    let book = include_str!("../../meteorology/AGREEMENT.md");
    for (name, ..) in FORMULAS {
        let there = book.contains(&format!("| {name} |"));
        assert!(there, "meteorology/AGREEMENT.md lacks {name}; it says how it is made");
    }
    assert!(faults.is_empty(), "{}", faults.join("\n"));
}
