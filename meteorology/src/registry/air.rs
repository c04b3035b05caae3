//! Formulas of the vapour in the air: saturation, dew point, wet bulb, relative humidity.

use super::inputs::{DEW_POINT, HUMIDITY, PHASE, PRESSURE, TEMPERATURE};
use super::{Formula, Input, Inputs, Method};
use crate::humidity as h;
use crate::pressure::STANDARD_PRESSURE;
use crate::saturation::{self, Phase};
use crate::validity::{OutOfRange, Valid};

const fn saturation_method(
    name: &'static str,
    source: &'static str,
    range: &'static str,
    formula: &'static str,
) -> Method {
    Method { name, source, range, formula }
}

const WMO: Method = saturation_method(
    "wmo-no-8",
    "WMO-No. 8, Guide to Instruments and Methods of Observation, Vol. I, Annex 4.B (from memory)",
    "-45 to 60 Cel over water, -65 to 0 Cel over ice",
    "6.112 exp(17.62 t / (243.12 + t)) over water, 6.112 exp(22.46 t / (272.62 + t)) over ice, hPa",
);
pub(super) const SATURATION: &[Method] = &[
    WMO,
    saturation_method(
        "sonntag-1990",
        "Sonntag 1990, Zeitschrift fuer Meteorologie 70, 340-344 (from memory)",
        "-100 to 100 Cel over water, -100 to 0 Cel over ice",
        "exp(-6096.9385/T + 16.635794 - 0.02711193 T + 1.673952e-5 T^2 + 2.433502 ln T), hPa",
    ),
    saturation_method(
        "murphy-koop-2005",
        "Murphy and Koop 2005, Q. J. R. Meteorol. Soc. 131, 1539-1565, eq. 7 and 10 (from memory)",
        "123 to 332 K over water, 110 to 273.16 K over ice",
        "eq. 10 over water, eq. 7 over ice",
    ),
    saturation_method(
        "hyland-wexler-1983",
        "Hyland and Wexler 1983, as in ASHRAE Handbook Fundamentals 2017, ch. 1, eq. 5 and 6",
        "0 to 200 Cel over water, -100 to 0 Cel over ice",
        "exp of a polynomial in T with 1/T and ln T",
    ),
    saturation_method(
        "bolton-1980",
        "Bolton 1980, Monthly Weather Review 108, 1046-1053, eq. 10 (from memory)",
        "-30 to 35 Cel over water",
        "6.112 exp(17.67 t / (t + 243.5)), hPa",
    ),
    saturation_method(
        "alduchov-eskridge-1996",
        "Alduchov and Eskridge 1996, J. Appl. Meteorol. 35, 601-609, eq. 21 and 23 (from memory)",
        "-40 to 50 Cel over water, -80 to 0 Cel over ice",
        "6.1094 exp(17.625 t / (243.04 + t)), hPa",
    ),
    saturation_method(
        "fao-56",
        "Allen, Pereira, Raes and Smith 1998, FAO Irrigation and Drainage Paper 56, eq. 11",
        "-40 to 60 Cel over water",
        "0.6108 exp(17.27 t / (t + 237.3)), kPa",
    ),
    saturation_method(
        "iapws",
        "IAPWS R7-97(2012), eq. 30, and R14-08(2011), eq. 6",
        "0 to 100 Cel over water, -223.15 to 0 Cel over ice",
        "region 4 of the industrial formulation; sublimation equation",
    ),
];
pub(super) const WHY: &str = "what weather services report with, and its inverse is exact";

const WET_BULB: &[Method] = &[
    Method {
        name: "psychrometer",
        source: "WMO-No. 8, Vol. I, Annex 4.B (from memory), solved",
        range: "300 to 1100 hPa, wet bulb not below -45 Cel",
        formula: "f ew(tw) - 6.53e-4 (1 + 0.000944 tw) p (t - tw) = f e",
    },
    Method {
        name: "stull-2011",
        source: "Stull 2011, J. Appl. Meteorol. Climatol. 50, 2267-2269, eq. 1",
        range: "5 to 99 %, -20 to 50 Cel, 1013.25 hPa, not dry and cold; error -1 to +0.65 K",
        formula: "a closed fit of arc tangents",
    },
];

pub(super) fn method(name: &str) -> saturation::Method {
    saturation::Method::parse(name).unwrap_or_default()
}

/// Vapour pressure from whichever of vapour pressure, humidity or dew point was given.
pub(super) fn vapour(method: saturation::Method, inputs: &Inputs) -> Valid {
    if let Some(e) = inputs.get("water_vapor_partial_pressure_in_air") {
        Ok(e)
    } else if let Some(humidity) = inputs.get("relative_humidity") {
        h::vapour_pressure(method, inputs.of("air_temperature"), humidity)
    } else {
        let dew_point = inputs.of("dew_point_temperature");
        if inputs.get("air_temperature").is_some_and(|t| dew_point > t) {
            return Err(OutOfRange::Undefined("the dew point is above the temperature"));
        }
        saturation::pressure(method, Phase::Water, dew_point)
    }
}

pub(super) const VAPOUR: Input =
    Input::number("water_vapor_partial_pressure_in_air", "hPa", 0.0, 1000.0).optional();
pub(super) const FROM_AIR: &[&[&str]] = &[&["relative_humidity"], &["dew_point_temperature"]];

pub(super) const FORMULAS: &[Formula] = &[
    Formula {
        quantity: "saturation_vapor_pressure",
        unit: "hPa",
        about: "vapour pressure of saturated air over pure water or ice",
        methods: SATURATION,
        why: WHY,
        inputs: &[Input::number("air_temperature", "Cel", -223.15, 200.0), PHASE],
        either: &[],
        tell: None,
        compute: |m, i| {
            saturation::pressure(method(m), i.phase(Phase::Water), i.of("air_temperature"))
        },
    },
    Formula {
        quantity: "water_vapor_partial_pressure_in_air",
        unit: "hPa",
        about: "vapour pressure, from humidity, dew point or a ventilated wet bulb",
        methods: SATURATION,
        why: WHY,
        inputs: &[
            TEMPERATURE.optional(),
            HUMIDITY.optional(),
            DEW_POINT.optional(),
            Input::number("wet_bulb_temperature", "Cel", -65.0, 60.0).optional(),
            PRESSURE.optional(),
            PHASE,
        ],
        either: &[
            &["air_temperature", "relative_humidity"],
            &["dew_point_temperature"],
            &["air_temperature", "wet_bulb_temperature", "surface_air_pressure"],
        ],
        tell: None,
        compute: |m, i| match i.get("wet_bulb_temperature") {
            Some(wet)
                if i.get("relative_humidity").is_none()
                    && i.get("dew_point_temperature").is_none() =>
            {
                let (dry, pressure) = (i.of("air_temperature"), i.of("surface_air_pressure"));
                h::from_psychrometer(method(m), dry, wet, pressure, i.phase(Phase::Water))
            }
            _ => vapour(method(m), i),
        },
    },
    Formula {
        quantity: "dew_point_temperature",
        unit: "Cel",
        about: "temperature at which the vapour is saturated over water",
        methods: SATURATION,
        why: WHY,
        inputs: &[TEMPERATURE.optional(), HUMIDITY.optional(), VAPOUR],
        either: &[
            &["air_temperature", "relative_humidity"],
            &["water_vapor_partial_pressure_in_air"],
        ],
        tell: None,
        compute: |m, i| match i.get("relative_humidity") {
            Some(humidity) => h::dew_point(method(m), i.of("air_temperature"), humidity),
            None => saturation::temperature(method(m), Phase::Water, vapour(method(m), i)?),
        },
    },
    Formula {
        quantity: "frost_point_temperature",
        unit: "Cel",
        about: "temperature at which the vapour is saturated over ice, at most 0 Cel",
        methods: SATURATION,
        why: WHY,
        inputs: &[TEMPERATURE.optional(), HUMIDITY.optional(), VAPOUR],
        either: &[
            &["air_temperature", "relative_humidity"],
            &["water_vapor_partial_pressure_in_air"],
        ],
        tell: None,
        compute: |m, i| saturation::temperature(method(m), Phase::Ice, vapour(method(m), i)?),
    },
    Formula {
        quantity: "wet_bulb_temperature",
        unit: "Cel",
        about: "temperature of a ventilated wet thermometer",
        methods: WET_BULB,
        why: "it holds at any pressure; the fit only at sea level",
        inputs: &[TEMPERATURE, HUMIDITY, PRESSURE.optional()],
        either: &[],
        tell: None,
        compute: |m, i| {
            let (t, u) = (i.of("air_temperature"), i.of("relative_humidity"));
            if m == "stull-2011" {
                h::wet_bulb_stull(t, u)
            } else {
                // Without a barometer: the standard atmosphere at sea level.
                let pressure = i.get("surface_air_pressure").unwrap_or(STANDARD_PRESSURE);
                h::wet_bulb(saturation::Method::Wmo8, t, u, pressure)
            }
        },
    },
    Formula {
        quantity: "relative_humidity",
        unit: "%",
        about: "relative humidity over water, from dew point or a ventilated wet bulb",
        methods: SATURATION,
        why: WHY,
        inputs: &[
            TEMPERATURE,
            DEW_POINT.optional(),
            Input::number("wet_bulb_temperature", "Cel", -65.0, 60.0).optional(),
            PRESSURE.optional(),
            PHASE,
        ],
        either: &[&["dew_point_temperature"], &["wet_bulb_temperature", "surface_air_pressure"]],
        tell: None,
        compute: |m, i| {
            let t = i.of("air_temperature");
            if let Some(dew_point) = i.get("dew_point_temperature") {
                return h::humidity_from_dew_point(method(m), t, dew_point);
            }
            let (wet, pressure) = (i.of("wet_bulb_temperature"), i.of("surface_air_pressure"));
            let e = h::from_psychrometer(method(m), t, wet, pressure, i.phase(Phase::Water))?;
            let saturated = saturation::pressure(method(m), Phase::Water, t)?;
            Ok((100.0 * e / (h::enhancement(pressure)? * saturated)).min(100.0))
        },
    },
];
