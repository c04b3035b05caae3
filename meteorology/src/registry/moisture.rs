//! Formulas of the mass of vapour in the air, and of the air's density.

use super::Formula;
use super::air::{FROM_AIR, SATURATION, VAPOUR, WHY, method, vapour};
use super::inputs::{DEW_POINT, HUMIDITY, PRESSURE, TEMPERATURE};
use crate::humidity as h;

pub(super) const FORMULAS: &[Formula] = &[
    Formula {
        quantity: "humidity_mixing_ratio",
        unit: "1",
        about: "mass of vapour by mass of dry air",
        methods: SATURATION,
        why: WHY,
        inputs: &[
            TEMPERATURE.optional(),
            HUMIDITY.optional(),
            DEW_POINT.optional(),
            VAPOUR,
            PRESSURE,
        ],
        either: &[
            &["air_temperature", "relative_humidity"],
            &["dew_point_temperature"],
            &["water_vapor_partial_pressure_in_air"],
        ],
        tell: None,
        compute: |m, i| {
            h::mixing_ratio(h::MASS_RATIO, vapour(method(m), i)?, i.of("surface_air_pressure"))
        },
    },
    Formula {
        quantity: "specific_humidity",
        unit: "1",
        about: "mass of vapour by mass of moist air",
        methods: SATURATION,
        why: WHY,
        inputs: &[
            TEMPERATURE.optional(),
            HUMIDITY.optional(),
            DEW_POINT.optional(),
            VAPOUR,
            PRESSURE,
        ],
        either: &[
            &["air_temperature", "relative_humidity"],
            &["dew_point_temperature"],
            &["water_vapor_partial_pressure_in_air"],
        ],
        tell: None,
        compute: |m, i| {
            let e = vapour(method(m), i)?;
            h::mixing_ratio(h::MASS_RATIO, e, i.of("surface_air_pressure"))
                .map(h::specific_humidity)
        },
    },
    Formula {
        quantity: "absolute_humidity",
        unit: "g/m3",
        about: "mass of vapour in a volume",
        methods: SATURATION,
        why: WHY,
        inputs: &[TEMPERATURE, HUMIDITY.optional(), DEW_POINT.optional()],
        either: FROM_AIR,
        tell: None,
        compute: |m, i| h::absolute_humidity(vapour(method(m), i)?, i.of("air_temperature")),
    },
    Formula {
        quantity: "virtual_temperature",
        unit: "Cel",
        about: "temperature at which dry air has the density of the moist air",
        methods: SATURATION,
        why: WHY,
        inputs: &[TEMPERATURE, HUMIDITY.optional(), DEW_POINT.optional(), PRESSURE],
        either: FROM_AIR,
        tell: None,
        compute: |m, i| {
            let e = vapour(method(m), i)?;
            let mixed = h::mixing_ratio(h::MASS_RATIO, e, i.of("surface_air_pressure"))?;
            h::virtual_temperature(i.of("air_temperature"), mixed)
        },
    },
    Formula {
        quantity: "air_density",
        unit: "kg/m3",
        about: "density of moist air",
        methods: SATURATION,
        why: WHY,
        inputs: &[TEMPERATURE, HUMIDITY.optional(), DEW_POINT.optional(), PRESSURE],
        either: FROM_AIR,
        tell: None,
        compute: |m, i| {
            h::air_density(
                i.of("air_temperature"),
                vapour(method(m), i)?,
                i.of("surface_air_pressure"),
            )
        },
    },
];
