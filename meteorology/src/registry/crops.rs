//! Formulas of rain, evapotranspiration and growth.

use super::{DAY, ELEVATION, Formula, Input, LATITUDE, Method, WIND};
use crate::{evapotranspiration as et, growing, rain, tendency};

const ONLY: &str = "the only method";
const HIGHEST: Input = Input::number("maximum_air_temperature", "Cel", -40.0, 60.0);
const LOWEST: Input = Input::number("minimum_air_temperature", "Cel", -40.0, 60.0);
// Mean over the day; 0.0864 MJ/m2 a day are one W/m2.
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
                radiation: i.get("surface_downwelling_shortwave_flux_in_air").map(|w| w * 0.0864),
                latitude,
                elevation: i.get("elevation").unwrap_or(0.0),
                day,
            })
        },
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
                formula: "(max(tx, base) + max(tn, base)) / 2 - base",
            },
        ],
        why: "the simpler of the two in use",
        inputs: &[HIGHEST, LOWEST, Input::number("base_temperature", "Cel", -20.0, 40.0)],
        either: &[],
        compute: |m, i| {
            let (highest, lowest) =
                (i.of("maximum_air_temperature"), i.of("minimum_air_temperature"));
            let base = i.of("base_temperature");
            if m == "clamped-first" {
                growing::degrees_clamped_first(highest, lowest, base, None)
            } else {
                growing::degrees_mean_first(highest, lowest, base)
            }
        },
    },
    Formula {
        quantity: "rainfall_rate",
        unit: "mm/h",
        about: "rate from the depth of a tip and the time between two tips",
        methods: &[Method {
            name: "between-tips",
            source: "definition; counting loss by the model I / (1 - dead / interval)",
            range: "a dead time shorter than the interval",
            formula: "3600 depth / interval / (1 - dead / interval)",
        }],
        why: ONLY,
        inputs: &[
            Input::number("rainfall_depth", "mm", 0.0, 1000.0),
            Input::number("interval", "s", 1e-3, 1e6),
            Input::number("dead_time", "s", 0.0, 10.0).optional(),
        ],
        either: &[],
        compute: |_, i| {
            let interval = i.of("interval");
            let rate = rain::rate(i.of("rainfall_depth"), interval)?;
            match i.get("dead_time") {
                Some(dead) => rain::corrected(rate, interval, dead),
                None => Ok(rate),
            }
        },
    },
    Formula {
        quantity: "tendency_of_surface_air_pressure",
        unit: "hPa",
        about: "change of the pressure at the barometer over three hours",
        methods: &[Method {
            name: "difference",
            source: "WMO-No. 8, Vol. I, ch. 3",
            range: "300 to 1100 hPa",
            formula: "p(now) - p(3 h ago)",
        }],
        why: ONLY,
        inputs: &[
            super::PRESSURE,
            Input::number("surface_air_pressure_before", "hPa", 300.0, 1100.0),
        ],
        either: &[],
        compute: |_, i| {
            tendency::change(i.of("surface_air_pressure"), i.of("surface_air_pressure_before"))
        },
    },
];
