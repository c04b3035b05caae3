//! Formulas of pressure and height.

use super::air::{VAPOUR, vapour};
use super::inputs::{DEW_POINT, ELEVATION, HUMIDITY, PRESSURE, TEMPERATURE};
use super::{Formula, Input, Inputs, Method, Told};
use crate::validity::OutOfRange;
use crate::{pressure as p, saturation, tendency};

const ONLY: &str = "the only method";
const GEOPOTENTIAL: Input = Input::number("geopotential_height", "m", -1000.0, 11_000.0);
const BEFORE: Input = Input::number("surface_air_pressure_before", "hPa", 300.0, 1100.0);
const ISO_2533: Method = one(
    "iso-2533",
    "ISO 2533:1975, equal to ICAO Doc 7488",
    "-1000 to 11000 m",
    "1013.25 (1 - 0.0065 H / 288.15)^5.25588, H geopotential; an elevation is turned into it",
);

const fn one(
    name: &'static str,
    source: &'static str,
    range: &'static str,
    formula: &'static str,
) -> Method {
    Method { name, source, range, formula }
}

/// The geopotential height given, or the one of the elevation given.
fn geopotential(i: &Inputs) -> f64 {
    let given = i.get("geopotential_height");
    given.unwrap_or_else(|| p::geopotential(i.of("elevation")))
}

pub(super) const FORMULAS: &[Formula] = &[
    Formula {
        quantity: "air_pressure_at_mean_sea_level",
        unit: "hPa",
        about: "pressure reduced to mean sea level, from the barometer's height",
        methods: &[
            one(
                "wmo-no-8",
                "WMO-No. 8, Vol. I, ch. 3, low-level reduction (from memory)",
                "heights -100 to 750 m; above 50 m give a 12-hour mean temperature",
                "log10(p0 / p) = 0.0148275 H / (T + 0.0065 H / 2 + 0.12 e)",
            ),
            one(
                "dry-air",
                "ASHRAE Handbook Fundamentals 2017, ch. 1 constants",
                "heights -500 to 3000 m, no humidity",
                "p exp(9.807 h / (287.055 (T + 0.0065 h / 2)))",
            ),
        ],
        why: "the method of the weather services at low heights",
        inputs: &[
            PRESSURE,
            TEMPERATURE,
            HUMIDITY.optional(),
            DEW_POINT.optional(),
            VAPOUR,
            ELEVATION,
        ],
        either: &[],
        tell: None,
        compute: |m, i| {
            let (pressure, t) = (i.of("surface_air_pressure"), i.of("air_temperature"));
            if m == "dry-air" {
                return p::sea_level_dry(pressure, t, i.of("elevation"));
            }
            let humid = [
                "relative_humidity",
                "dew_point_temperature",
                "water_vapor_partial_pressure_in_air",
            ];
            let e = if humid.iter().any(|name| i.get(name).is_some()) {
                vapour(saturation::Method::Wmo8, i)?
            } else {
                return Err(OutOfRange::Lacking("relative_humidity"));
            };
            p::sea_level(pressure, t, e, p::geopotential(i.of("elevation")))
        },
    },
    Formula {
        quantity: "altimeter_setting",
        unit: "hPa",
        about: "sea-level pressure in the standard atmosphere (QNH)",
        methods: &[
            one(
                "icao",
                "ICAO Doc 7488/3, 1993, solved for sea level (from memory)",
                "500 to 1100 hPa, -500 to 5000 m; the elevation counts as geopotential",
                "p0 ((p / p0)^(1/n) + 0.0065 h / 288.15)^n, n = 5.25588",
            ),
            one(
                "fitted",
                "ICAO Doc 9837, fitted pressure altitude (from memory)",
                "500 to 1100 hPa, -500 to 5000 m",
                "H = 44330.77 - 11880.32 p^0.190263",
            ),
        ],
        why: "exact in the standard atmosphere",
        inputs: &[PRESSURE, ELEVATION],
        either: &[],
        tell: None,
        compute: |m, i| {
            let (pressure, height) = (i.of("surface_air_pressure"), i.of("elevation"));
            if m == "fitted" {
                p::altimeter_setting_fitted(pressure, height)
            } else {
                p::altimeter_setting(pressure, height)
            }
        },
    },
    Formula {
        quantity: "surface_air_pressure",
        unit: "hPa",
        about: "pressure at the barometer from an altimeter setting",
        methods: &[one(
            "icao",
            "ICAO Doc 7488/3, 1993 (from memory)",
            "850 to 1100 hPa, -500 to 5000 m",
            "p0 ((q / p0)^(1/n) - 0.0065 h / 288.15)^n",
        )],
        why: ONLY,
        inputs: &[Input::number("altimeter_setting", "hPa", 850.0, 1100.0), ELEVATION],
        either: &[],
        tell: None,
        compute: |_, i| p::from_altimeter_setting(i.of("altimeter_setting"), i.of("elevation")),
    },
    Formula {
        quantity: "air_pressure",
        unit: "hPa",
        about: "pressure of the standard atmosphere at a height",
        methods: &[ISO_2533],
        why: ONLY,
        inputs: &[ELEVATION.optional(), GEOPOTENTIAL.optional()],
        either: &[&["elevation"], &["geopotential_height"]],
        tell: None,
        compute: |_, i| p::standard_pressure(geopotential(i)),
    },
    Formula {
        quantity: "air_temperature",
        unit: "Cel",
        about: "temperature of the standard atmosphere at a height",
        methods: &[one(
            "iso-2533",
            "ISO 2533:1975, equal to ICAO Doc 7488",
            "-1000 to 11000 m",
            "15 - 0.0065 H",
        )],
        why: ONLY,
        inputs: &[ELEVATION.optional(), GEOPOTENTIAL.optional()],
        either: &[&["elevation"], &["geopotential_height"]],
        tell: None,
        compute: |_, i| p::standard_temperature(geopotential(i)),
    },
    Formula {
        quantity: "barometric_altitude",
        unit: "m",
        about: "geopotential height at which the standard atmosphere has the pressure",
        methods: &[one(
            "iso-2533",
            "ISO 2533:1975, solved for the height",
            "226 to 1139 hPa",
            "288.15 / 0.0065 (1 - (p / 1013.25)^(1/n)), n = 5.25588",
        )],
        why: ONLY,
        inputs: &[Input::number("surface_air_pressure", "hPa", 226.0, 1139.0)],
        either: &[],
        tell: None,
        compute: |_, i| p::pressure_altitude(i.of("surface_air_pressure")),
    },
    Formula {
        quantity: "geopotential_height",
        unit: "m",
        about: "geopotential height (gpm) of a geometric elevation",
        methods: &[one(
            "iso-2533",
            "ISO 2533:1975",
            "-500 to 11000 m",
            "r h / (r + h), r = 6356766 m",
        )],
        why: ONLY,
        inputs: &[ELEVATION],
        either: &[],
        tell: None,
        compute: |_, i| Ok(p::geopotential(i.of("elevation"))),
    },
    Formula {
        quantity: "altitude",
        unit: "m",
        about: "geometric elevation of a geopotential height (gpm)",
        methods: &[one(
            "iso-2533",
            "ISO 2533:1975",
            "-500 to 11000 m",
            "r H / (r - H), r = 6356766 m",
        )],
        why: ONLY,
        inputs: &[GEOPOTENTIAL],
        either: &[],
        tell: None,
        compute: |_, i| Ok(p::geometric(i.of("geopotential_height"))),
    },
    Formula {
        quantity: "air_pressure_at_height",
        unit: "hPa",
        about: "pressure at another height, through air of a mean virtual temperature",
        methods: &[one(
            "hydrostatic",
            "hydrostatic equation with the constants of ISO 2533:1975",
            "1000 m up or down, 500 to 1100 hPa, -80 to 60 Cel",
            "p exp(-9.80665 H / (287.05287 Tv)), H the difference in gpm, of a rise in metres \
             from the elevation",
        )],
        why: ONLY,
        inputs: &[
            PRESSURE,
            Input::number("virtual_temperature", "Cel", -80.0, 60.0),
            Input::number("rise", "m", -1000.0, 1000.0).optional(),
            ELEVATION.optional(),
            Input::number("geopotential_rise", "m", -1000.0, 1000.0).optional(),
        ],
        either: &[&["geopotential_rise"], &["rise", "elevation"]],
        tell: None,
        compute: |_, i| {
            let rise = i.get("geopotential_rise").unwrap_or_else(|| {
                let from = i.of("elevation");
                p::geopotential(from + i.of("rise")) - p::geopotential(from)
            });
            p::at_height(i.of("surface_air_pressure"), i.of("virtual_temperature"), rise)
        },
    },
    Formula {
        quantity: "tendency_of_surface_air_pressure",
        unit: "hPa",
        about: "change of the pressure at the barometer; from station level, not sea level",
        methods: &[
            one(
                "three-hours",
                "WMO-No. 8, Vol. I, ch. 3",
                "300 to 1100 hPa",
                "p(now) - p(3 h ago)",
            ),
            one(
                "day",
                "common practice within 25 deg of the equator, where the daily tide rules",
                "300 to 1100 hPa",
                "p(now) - p(24 h ago)",
            ),
        ],
        why: "what is reported everywhere but near the equator",
        inputs: &[PRESSURE, BEFORE],
        either: &[],
        tell: None,
        compute: |_, i| {
            tendency::change(i.of("surface_air_pressure"), i.of("surface_air_pressure_before"))
        },
    },
    Formula {
        quantity: "characteristic_of_pressure_tendency",
        unit: "1",
        about: "shape of three hours of pressure, 0 to 8",
        methods: &[one(
            "wmo",
            "WMO-No. 306, Vol. I.1, code table 0200; rates within 0.2 hPa count as the same \
             (own choice)",
            "300 to 1100 hPa",
            "signs of the changes in the two halves and over the whole",
        )],
        why: ONLY,
        inputs: &[
            PRESSURE,
            Input::number("surface_air_pressure_midway", "hPa", 300.0, 1100.0),
            BEFORE,
        ],
        either: &[],
        tell: Some(|_, _, code| {
            let known = tendency::CHARACTERISTICS.iter().enumerate();
            let mut word = known.filter(|(n, _)| (*n as f64 - code).abs() < 0.5);
            word.next().map(|(_, word)| Told::word(word)).unwrap_or_default()
        }),
        compute: |_, i| {
            let (before, now) = (i.of("surface_air_pressure_before"), i.of("surface_air_pressure"));
            let middle = i.of("surface_air_pressure_midway");
            Ok(f64::from(tendency::characteristic(before, middle, now)))
        },
    },
    Formula {
        quantity: "term_of_pressure_tendency",
        unit: "1",
        about: "plain words for a change over three hours, -4 (falling very rapidly) to 4",
        methods: &[one(
            "uk-marine",
            "UK Met Office, glossary of marine forecasts",
            "rounded to 0.1 hPa: steady below 0.1, slowly to 1.5, no word to 3.5, quickly to \
             6.0, then very rapidly",
            "class of the size of the change, with its sign",
        )],
        why: ONLY,
        inputs: &[Input::number("tendency_of_surface_air_pressure", "hPa", -100.0, 100.0)],
        either: &[],
        tell: Some(|_, i, _| Told::word(tendency::words(i.of("tendency_of_surface_air_pressure")))),
        compute: |_, i| {
            let change = i.of("tendency_of_surface_air_pressure");
            Ok(f64::from(tendency::Term::of(change).class()).copysign(change) + 0.0)
        },
    },
];
