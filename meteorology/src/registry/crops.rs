//! Formulas of evapotranspiration, growth and chill.

use super::inputs::{DAY, ELEVATION, HUMIDITY, LATITUDE, LONGITUDE, TEMPERATURE, TIME, WIND};
use super::{Formula, Input, Inputs, Method};
use crate::validity::{OutOfRange, Valid};
use crate::{evapotranspiration as et, growing};

const ONLY: &str = "the only method";
const HIGHEST: Input = Input::number("maximum_air_temperature", "Cel", -40.0, 60.0);
const LOWEST: Input = Input::number("minimum_air_temperature", "Cel", -40.0, 60.0);
const HOURS: Input = Input::series("air_temperature", "Cel", -60.0, 60.0);
// Mean over the day.
const IRRADIANCE: Input =
    Input::number("surface_downwelling_shortwave_flux_in_air", "W/m2", 0.0, 600.0).optional();

pub(super) const FORMULAS: &[Formula] = &[
    Formula {
        quantity: "reference_evapotranspiration",
        unit: "mm",
        about: "evapotranspiration of the reference crop in a day; wind at 2 m, mean irradiance",
        methods: &[
            Method {
                name: "fao-56",
                source: "Allen, Pereira, Raes and Smith 1998, FAO Irrigation and Drainage Paper 56, eq. 6",
                range: "-40 to 60 Cel, where the sun rises; radiation from eq. 50 if not given",
                formula: "(0.408 D Rn + g 900 / (T + 273) u (es - ea)) / (D + g (1 + 0.34 u))",
            },
            Method {
                name: "hargreaves",
                source: "the same paper, eq. 52",
                range: "temperatures alone",
                formula: "0.0023 (tm + 17.8) sqrt(tx - tn) Ra / 2.45",
            },
        ],
        why: "it takes wind and humidity into account",
        inputs: &[
            HIGHEST,
            LOWEST,
            LATITUDE,
            DAY,
            ELEVATION.optional(),
            Input::number("water_vapor_partial_pressure_in_air", "hPa", 0.0, 200.0).optional(),
            WIND.optional(),
            IRRADIANCE,
        ],
        either: &[],
        tell: None,
        compute: |m, i| {
            let (highest, lowest) =
                (i.of("maximum_air_temperature"), i.of("minimum_air_temperature"));
            let (latitude, day) = (i.of("latitude"), i.of("day_of_year"));
            if m == "hargreaves" {
                return et::hargreaves(highest, lowest, et::extraterrestrial(latitude, day));
            }
            et::daily(&et::Day {
                highest,
                lowest,
                // Without humidity: the dew point of the dawn (eq. 48 of the same paper).
                vapour: i
                    .get("water_vapor_partial_pressure_in_air")
                    .map_or_else(|| et::saturation(lowest), |hpa| hpa / 10.0),
                // 2 m/s where none is measured (the same paper, ch. 3).
                wind: i.get("wind_speed").unwrap_or(2.0),
                radiation: i.get("surface_downwelling_shortwave_flux_in_air").map(et::megajoules),
                latitude,
                elevation: i.get("elevation").unwrap_or(0.0),
                day,
            })
        },
    },
    Formula {
        quantity: "reference_evapotranspiration_of_hour",
        unit: "mm",
        about: "evapotranspiration of the reference crop in the hour around `time`; wind at 2 m",
        methods: &[Method {
            name: "fao-56",
            source: "Allen, Pereira, Raes and Smith 1998, FAO Irrigation and Drainage Paper 56, eq. 53",
            range: "-40 to 60 Cel; mean irradiance of the hour, else eq. 50 from the day's \
                    extremes; by night the clearness before sunset",
            formula: "(0.408 D (Rn - G) + g 37 / (T + 273) u (es - ea)) / (D + g (1 + 0.34 u))",
        }],
        why: ONLY,
        inputs: &[
            TIME,
            LATITUDE,
            LONGITUDE,
            ELEVATION.optional(),
            TEMPERATURE,
            HUMIDITY,
            WIND.optional(),
            Input::number("surface_downwelling_shortwave_flux_in_air", "W/m2", 0.0, 1400.0)
                .optional(),
            Input::number("clearness", "1", 0.0, 1.0).optional(),
            HIGHEST.optional(),
            LOWEST.optional(),
        ],
        either: &[
            &["surface_downwelling_shortwave_flux_in_air"],
            &["maximum_air_temperature", "minimum_air_temperature"],
        ],
        tell: None,
        compute: |_, i| hour(i),
    },
    Formula {
        quantity: "growing_degree_days",
        unit: "K",
        about: "growing degrees of one day above a base temperature",
        methods: &[
            Method {
                name: "mean-first",
                source: "McMaster and Wilhelm 1997, Agric. Forest Meteorol. 87, 291-300, method 1",
                range: "any temperatures",
                formula: "max((tx + tn) / 2 - base, 0)",
            },
            Method {
                name: "clamped-first",
                source: "the same paper, method 2",
                range: "any temperatures",
                formula: "(max(tx, base) + max(tn, base)) / 2 - base, first cut to an upper limit",
            },
        ],
        why: "the simpler of the two in use",
        inputs: &[
            HIGHEST,
            LOWEST,
            Input::number("base_temperature", "Cel", -20.0, 40.0),
            Input::number("upper_temperature", "Cel", -20.0, 60.0).optional(),
        ],
        either: &[],
        tell: None,
        compute: |m, i| {
            let (highest, lowest) =
                (i.of("maximum_air_temperature"), i.of("minimum_air_temperature"));
            let base = i.of("base_temperature");
            if m == "clamped-first" {
                growing::degrees_clamped_first(highest, lowest, base, i.get("upper_temperature"))
            } else if i.get("upper_temperature").is_some() {
                Err(OutOfRange::Undefined("the method has no upper temperature; clamped-first has"))
            } else {
                growing::degrees_mean_first(highest, lowest, base)
            }
        },
    },
    Formula {
        quantity: "chill_hours",
        unit: "h",
        about: "hours of chill among hourly mean temperatures",
        methods: &[
            Method {
                name: "0-to-7.2",
                source: "common practice, 32 to 45 degF",
                range: "hourly means, -60 to 60 Cel",
                formula: "hours with 0 <= t <= 7.2",
            },
            Method {
                name: "below-7.2",
                source: "Weinberger 1950, Proc. Amer. Soc. Hort. Sci. 56, 122-128 (from memory)",
                range: "hourly means, -60 to 60 Cel",
                formula: "hours with t < 7.2",
            },
        ],
        why: "frost does not break dormancy",
        inputs: &[HOURS],
        either: &[],
        tell: None,
        compute: |m, i| {
            let counts = |t: &&f64| match m {
                "below-7.2" => growing::is_below_chill_limit(**t),
                _ => growing::is_chill_hour(**t),
            };
            Ok(i.series("air_temperature").iter().filter(counts).count() as f64)
        },
    },
    Formula {
        quantity: "chill_units",
        unit: "1",
        about: "chill units of hourly mean temperatures",
        methods: &[Method {
            name: "utah",
            source: "Richardson, Seeley and Walker 1974, HortScience 9, 331-332 (from memory)",
            range: "hourly means, -60 to 60 Cel",
            formula: "an hour to 1.4 Cel 0, to 2.4 0.5, to 9.1 1, to 12.4 0.5, to 15.9 0, to 18.0 \
                      -0.5, above -1",
        }],
        why: ONLY,
        inputs: &[HOURS],
        either: &[],
        tell: None,
        compute: |_, i| {
            let measured = i.series("air_temperature").iter().filter(|t| !t.is_nan());
            Ok(measured.map(|&t| growing::chill_units(t)).sum())
        },
    },
];

/// The hourly equation, with what is missing estimated as the paper says.
fn hour(i: &Inputs) -> Valid {
    let elevation = i.get("elevation").unwrap_or(0.0);
    let (day, hour) = et::day_and_hour(i.of("time"));
    let outside = et::extraterrestrial_hour(i.of("latitude"), i.of("longitude"), day, hour);
    let clear = et::clear_sky(elevation, outside);
    let extremes = i.get("maximum_air_temperature").zip(i.get("minimum_air_temperature"));
    let share = match extremes {
        Some((highest, lowest)) => Some(et::from_temperatures(highest, lowest, 1.0, et::INLAND)?),
        None => None,
    };
    let measured = i.get("surface_downwelling_shortwave_flux_in_air").map(et::megajoules_of_hour);
    let radiation = measured.or_else(|| share.map(|s| (s * outside).min(clear)));
    let radiation = radiation.ok_or(OutOfRange::Lacking("maximum_air_temperature"))?;
    let clearness = if clear > et::LEAST_CLEAR {
        Some(radiation / clear)
    } else {
        // At night: what was given, or what the range of temperature says of the day.
        i.get("clearness").or_else(|| share.map(|s| s / et::clear_sky(elevation, 1.0)))
    };
    et::hourly(&et::Hour {
        temperature: i.of("air_temperature"),
        humidity: i.of("relative_humidity"),
        // 2 m/s where none is measured (the same paper, ch. 3).
        wind: i.get("wind_speed").unwrap_or(2.0),
        radiation,
        clearness: clearness.ok_or(OutOfRange::Lacking("clearness"))?,
        elevation,
    })
}
