//! Formulas of comfort.

use super::inputs::{DEW_POINT, HUMIDITY, TEMPERATURE, WIND};
use super::{Formula, Method};
use crate::comfort;

const ONLY: &str = "the only method";

pub(super) const FORMULAS: &[Formula] = &[
    Formula {
        quantity: "heat_index_of_air_temperature",
        unit: "Cel",
        about: "heat index in shade and light wind",
        methods: &[Method {
            name: "nws",
            source: "US National Weather Service, The heat index equation; Rothfusz 1990, SR 90-23",
            range: "4.44 to 54.44 Cel, 0 to 100 %",
            formula: "nine terms in degF and %, with adjustments below 13 % and above 85 %",
        }],
        why: ONLY,
        inputs: &[TEMPERATURE, HUMIDITY],
        either: &[],
        tell: None,
        compute: |_, i| comfort::heat_index(i.of("air_temperature"), i.of("relative_humidity")),
    },
    Formula {
        quantity: "wind_chill_of_air_temperature",
        unit: "Cel",
        about: "wind chill, from wind at 10 m",
        methods: &[
            Method {
                name: "environment-canada-2001",
                source: "Environment Canada and US National Weather Service 2001",
                range: "-60 to 10 Cel, 5 to 120 km/h",
                formula: "13.12 + 0.6215 t - 11.37 V^0.16 + 0.3965 t V^0.16, V in km/h",
            },
            Method {
                name: "nws-2001",
                source: "US National Weather Service 2001, form in degF and miles an hour",
                range: "-60 to 10 Cel, 3 to 75 miles an hour",
                formula: "35.74 + 0.6215 T - 35.75 V^0.16 + 0.4275 T V^0.16",
            },
        ],
        why: "its units are nearer to the canonical ones",
        inputs: &[TEMPERATURE, WIND],
        either: &[],
        tell: None,
        compute: |m, i| {
            let (t, v) = (i.of("air_temperature"), i.of("wind_speed"));
            if m == "nws-2001" { comfort::wind_chill_nws(t, v) } else { comfort::wind_chill(t, v) }
        },
    },
    Formula {
        quantity: "humidex",
        unit: "1",
        about: "humidex, from dew point or humidity",
        methods: &[Method {
            name: "environment-canada-1979",
            source: "Masterton and Richardson 1979, Environment Canada CLI 1-79",
            range: "20 to 55 Cel, dew point 0 Cel to the temperature",
            formula: "t + 0.5555 (6.11 exp(5417.7530 (1 / 273.16 - 1 / (273.15 + td))) - 10)",
        }],
        why: ONLY,
        inputs: &[TEMPERATURE, HUMIDITY.optional(), DEW_POINT.optional()],
        either: &[&["relative_humidity"], &["dew_point_temperature"]],
        tell: None,
        compute: |_, i| match i.get("dew_point_temperature") {
            Some(dew_point) => comfort::humidex(i.of("air_temperature"), dew_point),
            None => {
                comfort::humidex_from_humidity(i.of("air_temperature"), i.of("relative_humidity"))
            }
        },
    },
    Formula {
        quantity: "apparent_temperature",
        unit: "Cel",
        about: "apparent temperature in shade, wind at 10 m",
        methods: &[Method {
            name: "bom",
            source: "Australian Bureau of Meteorology, after Steadman 1994, J. Appl. Meteorol. 33",
            range: "-20 to 50 Cel, 0 to 100 %, 0 to 30 m/s",
            formula: "t + 0.33 e - 0.70 v - 4.00",
        }],
        why: ONLY,
        inputs: &[TEMPERATURE, HUMIDITY, WIND],
        either: &[],
        tell: None,
        compute: |_, i| {
            let (t, u) = (i.of("air_temperature"), i.of("relative_humidity"));
            comfort::apparent_temperature(t, u, i.of("wind_speed"))
        },
    },
];
