//! Formulas of the sun.

use super::inputs::{DAY, ELEVATION, LATITUDE, LONGITUDE, PRESSURE, TEMPERATURE, TIME};
use super::{Formula, Inputs, Method};
use crate::evapotranspiration as et;
use crate::sun::{self, Place, Position};
use crate::validity::{OutOfRange, Valid};

const ONLY: &str = "the only method";
const SPA: &[Method] = &[Method {
    name: "spa",
    source: "Reda and Andreas 2003 (revised 2008), NREL/TP-560-34302, Solar Position Algorithm",
    range: "1900 to 2100 here; 0.0003 deg",
    formula: "periodic terms of the Earth's orbit, nutation, aberration, parallax, refraction",
}];

fn position(i: &Inputs) -> Position {
    let time = i.of("time");
    let place = Place {
        latitude: i.of("latitude"),
        longitude: i.of("longitude"),
        elevation: i.get("elevation").unwrap_or(0.0),
        // For the refraction where nothing is measured: the standard atmosphere.
        pressure: i.get("surface_air_pressure").unwrap_or(1013.25),
        temperature: i.get("air_temperature").unwrap_or(15.0),
    };
    sun::position(time, sun::delta_t(time), &place)
}

/// The sun's day of the UTC date of `time`.
fn day(i: &Inputs) -> sun::Day {
    let midnight = (i.of("time") / 86_400.0).floor() * 86_400.0;
    sun::day(midnight, i.of("latitude"), i.of("longitude"), sun::HORIZON)
}

fn seconds_of_day(at: Option<f64>, i: &Inputs) -> Valid {
    let midnight = (i.of("time") / 86_400.0).floor() * 86_400.0;
    at.map(|t| t - midnight)
        .ok_or(OutOfRange::Undefined("the sun does not cross the horizon on that day"))
}

pub(super) const FORMULAS: &[Formula] = &[
    Formula {
        quantity: "solar_zenith_angle",
        unit: "deg",
        about: "angle of the sun from overhead, as seen through the air",
        methods: SPA,
        why: ONLY,
        inputs: &[
            TIME,
            LATITUDE,
            LONGITUDE,
            ELEVATION.optional(),
            PRESSURE.optional(),
            TEMPERATURE.optional(),
        ],
        either: &[],
        tell: None,
        compute: |_, i| Ok(position(i).zenith),
    },
    Formula {
        quantity: "solar_azimuth_angle",
        unit: "deg",
        about: "direction of the sun, clockwise from north",
        methods: SPA,
        why: ONLY,
        inputs: &[TIME, LATITUDE, LONGITUDE, ELEVATION.optional()],
        either: &[],
        tell: None,
        compute: |_, i| Ok(position(i).azimuth),
    },
    Formula {
        quantity: "equation_of_time",
        unit: "min",
        about: "apparent less mean solar time",
        methods: SPA,
        why: ONLY,
        inputs: &[TIME],
        either: &[],
        tell: None,
        compute: |_, i| {
            let here = i.clone().with("latitude", 0.0).with("longitude", 0.0);
            Ok(position(&here).equation_of_time)
        },
    },
    Formula {
        quantity: "sunrise",
        unit: "s",
        about: "rise of the sun's upper edge, seconds after the start of the UTC date of `time`",
        methods: SPA,
        why: ONLY,
        inputs: &[TIME, LATITUDE, LONGITUDE],
        either: &[],
        tell: None,
        compute: |_, i| seconds_of_day(day(i).rise, i),
    },
    Formula {
        quantity: "solar_noon",
        unit: "s",
        about: "the sun's highest, seconds after the start of the UTC date of `time`",
        methods: SPA,
        why: ONLY,
        inputs: &[TIME, LATITUDE, LONGITUDE],
        either: &[],
        tell: None,
        compute: |_, i| seconds_of_day(Some(day(i).noon), i),
    },
    Formula {
        quantity: "sunset",
        unit: "s",
        about: "set of the sun's upper edge, seconds after the start of the UTC date of `time`",
        methods: SPA,
        why: ONLY,
        inputs: &[TIME, LATITUDE, LONGITUDE],
        either: &[],
        tell: None,
        compute: |_, i| seconds_of_day(day(i).set, i),
    },
    Formula {
        quantity: "day_length",
        unit: "h",
        about: "time from sunrise to sunset on the UTC date of `time`",
        methods: SPA,
        why: ONLY,
        inputs: &[TIME, LATITUDE, LONGITUDE],
        either: &[],
        tell: None,
        compute: |_, i| Ok(day(i).length()),
    },
    Formula {
        quantity: "noon_shadow",
        unit: "1",
        about: "length of the noon shadow of something one unit high",
        methods: SPA,
        why: ONLY,
        inputs: &[TIME, LATITUDE, LONGITUDE],
        either: &[],
        tell: None,
        compute: |_, i| sun::shadow(day(i).height_at_noon),
    },
    Formula {
        quantity: "clear_sky_irradiance",
        unit: "W/m2",
        about: "global irradiance on the horizontal under a clear sky",
        methods: &[Method {
            name: "haurwitz-1945",
            source: "Haurwitz 1945, J. Meteorol. 2, 154-166 after Reno, Hansen and Stein 2012, SAND2012-2389",
            range: "nothing where the sun is down",
            formula: "1098 cos z exp(-0.059 / cos z)",
        }],
        why: ONLY,
        inputs: &[TIME, LATITUDE, LONGITUDE, ELEVATION.optional()],
        either: &[],
        tell: None,
        compute: |_, i| sun::clear_sky(position(i).zenith),
    },
    Formula {
        quantity: "toa_incoming_shortwave_flux",
        unit: "W/m2",
        about: "what the sun sends to the top of the air, mean of a day",
        methods: &[Method {
            name: "fao-56",
            source: "Allen, Pereira, Raes and Smith 1998, FAO Irrigation and Drainage Paper 56, eq. 21",
            range: "every latitude and day",
            formula: "24 60 / pi 0.0820 dr (ws sin(phi) sin(d) + cos(phi) cos(d) sin(ws)) / 0.0864",
        }],
        why: ONLY,
        inputs: &[LATITUDE, DAY],
        either: &[],
        tell: None,
        compute: |_, i| Ok(et::watts(et::extraterrestrial(i.of("latitude"), i.of("day_of_year")))),
    },
];
