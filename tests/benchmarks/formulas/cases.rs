//! The formulas that are compared, each as a loop over arrays.

use super::COUNT;
use meteorology::saturation::{self, Method, Phase};
use meteorology::validity::Valid;
use meteorology::{comfort, evapotranspiration, growing, humidity, pressure, rain, sun, wind};
use observation::signal::direction::Directions;

/// Name, inputs, how far the result may lie from numpy's, how many values each of the
/// three takes, and our loop.
pub(super) struct Case {
    pub(super) name: &'static str,
    pub(super) inputs: &'static [&'static str],
    pub(super) apart: f64,
    pub(super) counts: [usize; 2],
    pub(super) ours: fn(&[&[f64]], &mut [f64]),
}

/// Fills `out` value by value; what is out of range is not a number.
macro_rules! each {
    (|$($input:ident),+| $value:expr) => {
        |inputs: &[&[f64]], out: &mut [f64]| {
            let [$($input),+] = inputs else { panic!("inputs") };
            // As long as the result, so that no place needs to be looked at.
            $(let $input = &$input[..out.len()];)+
            for (place, out) in out.iter_mut().enumerate() {
                $(let $input = $input[place];)+
                let value: Valid = $value;
                *out = value.unwrap_or(f64::NAN);
            }
        }
    };
}

const ALL: [usize; 2] = [COUNT, COUNT];
pub(super) const WMO: Method = Method::Wmo8;

pub(super) const CASES: &[Case] = &[
    Case {
        name: "saturation vapour pressure",
        inputs: &["t"],
        apart: 1e-9,
        counts: ALL,
        ours: each!(|t| saturation::pressure(WMO, Phase::Water, t)),
    },
    Case {
        name: "saturation vapour pressure over ice",
        inputs: &["frosty"],
        apart: 1e-9,
        counts: ALL,
        ours: each!(|t| saturation::pressure(WMO, Phase::Ice, t)),
    },
    Case {
        name: "vapour pressure",
        inputs: &["t", "u"],
        apart: 1e-9,
        counts: ALL,
        ours: each!(|t, u| humidity::vapour_pressure(WMO, t, u)),
    },
    Case {
        name: "dew point",
        inputs: &["t", "u"],
        apart: 1e-9,
        counts: ALL,
        ours: each!(|t, u| humidity::dew_point(WMO, t, u)),
    },
    Case {
        name: "frost point",
        inputs: &["frosty", "u"],
        apart: 1e-9,
        counts: ALL,
        ours: each!(|t, u| humidity::frost_point(WMO, t, u)),
    },
    Case {
        name: "relative humidity",
        inputs: &["t", "td"],
        apart: 1e-9,
        counts: ALL,
        ours: each!(|t, td| humidity::humidity_from_dew_point(WMO, t, td)),
    },
    // MetPy integrates along a pseudo-adiabat: 200 values.
    Case {
        name: "wet bulb",
        inputs: &["t", "u", "p"],
        apart: 1e-6,
        counts: [COUNT, 200],
        ours: each!(|t, u, p| humidity::wet_bulb(WMO, t, u, p)),
    },
    Case {
        name: "wet bulb, closed form",
        inputs: &["warm", "damp"],
        apart: 1e-9,
        counts: ALL,
        ours: each!(|t, u| humidity::wet_bulb_stull(t, u)),
    },
    Case {
        name: "vapour pressure from a wet bulb",
        inputs: &["warm", "wet", "p"],
        apart: 1e-9,
        counts: ALL,
        ours: each!(|t, wet, p| humidity::from_psychrometer(WMO, t, wet, p, Phase::Water)),
    },
    Case {
        name: "mixing ratio from a wet bulb",
        inputs: &["warm", "wet", "p"],
        apart: 1e-9,
        counts: ALL,
        ours: each!(|t, wet, p| humidity::mixing_ratio_from_wet_bulb(t, wet, p)),
    },
    Case {
        name: "mixing ratio",
        inputs: &["e", "p"],
        apart: 1e-12,
        counts: ALL,
        ours: each!(|e, p| humidity::mixing_ratio(humidity::MASS_RATIO, e, p)),
    },
    Case {
        name: "specific humidity",
        inputs: &["w"],
        apart: 1e-12,
        counts: ALL,
        ours: each!(|w| Ok(humidity::specific_humidity(w))),
    },
    Case {
        name: "absolute humidity",
        inputs: &["e", "t"],
        apart: 1e-9,
        counts: ALL,
        ours: each!(|e, t| humidity::absolute_humidity(e, t)),
    },
    Case {
        name: "virtual temperature",
        inputs: &["t", "w"],
        apart: 1e-9,
        counts: ALL,
        ours: each!(|t, w| humidity::virtual_temperature(t, w)),
    },
    Case {
        name: "air density",
        inputs: &["t", "e", "p"],
        apart: 1e-9,
        counts: ALL,
        ours: each!(|t, e, p| humidity::air_density(t, e, p)),
    },
    Case {
        name: "sea-level pressure",
        inputs: &["p", "t", "e", "h"],
        apart: 1e-9,
        counts: ALL,
        ours: each!(|p, t, e, h| pressure::sea_level(p, t, e, h)),
    },
    Case {
        name: "sea-level pressure of dry air",
        inputs: &["p", "t", "h"],
        apart: 1e-9,
        counts: ALL,
        ours: each!(|p, t, h| pressure::sea_level_dry(p, t, h)),
    },
    Case {
        name: "pressure at another height",
        inputs: &["p", "t", "h"],
        apart: 1e-9,
        counts: ALL,
        ours: each!(|p, t, h| pressure::at_height(p, t, h)),
    },
    Case {
        name: "pressure of the standard atmosphere",
        inputs: &["h"],
        apart: 1e-9,
        counts: ALL,
        ours: each!(|h| pressure::standard_pressure(h)),
    },
    Case {
        name: "pressure altitude",
        inputs: &["p"],
        apart: 1e-8,
        counts: ALL,
        ours: each!(|p| pressure::pressure_altitude(p)),
    },
    Case {
        name: "altimeter setting",
        inputs: &["p", "h"],
        apart: 1e-9,
        counts: ALL,
        ours: each!(|p, h| pressure::altimeter_setting(p, h)),
    },
    Case {
        name: "pressure from an altimeter setting",
        inputs: &["setting", "h"],
        apart: 1e-9,
        counts: ALL,
        ours: each!(|setting, h| pressure::from_altimeter_setting(setting, h)),
    },
    Case {
        name: "heat index",
        inputs: &["warm", "u"],
        apart: 1e-9,
        counts: ALL,
        ours: each!(|t, u| comfort::heat_index(t, u)),
    },
    Case {
        name: "humidex",
        inputs: &["warm", "mild"],
        apart: 1e-9,
        counts: ALL,
        ours: each!(|t, mild| comfort::humidex(t, mild)),
    },
    Case {
        name: "wind chill",
        inputs: &["cold", "fresh"],
        apart: 1e-9,
        counts: ALL,
        ours: each!(|t, v| comfort::wind_chill(t, v)),
    },
    Case {
        name: "apparent temperature",
        inputs: &["warm", "u", "fresh"],
        apart: 1e-9,
        counts: ALL,
        ours: each!(|t, u, v| comfort::apparent_temperature(t, u, v)),
    },
    Case {
        name: "wind at another height",
        inputs: &["fresh", "z"],
        apart: 1e-9,
        counts: ALL,
        ours: each!(|v, z| wind::at_height(v, z, 10.0, 0.03)),
    },
    Case {
        name: "Beaufort force",
        inputs: &["fresh"],
        apart: 1e-9,
        counts: ALL,
        ours: each!(|v| wind::beaufort(v).map(f64::from)),
    },
    Case {
        name: "following of a cup",
        inputs: &["fresh", "z"],
        apart: 1e-9,
        counts: ALL,
        ours: each!(|v, z| wind::step_response(v, 3.0, z)),
    },
    Case {
        name: "east wind",
        inputs: &["fresh", "d"],
        apart: 1e-9,
        counts: ALL,
        ours: each!(|v, d| Ok(wind::components(v, d).0)),
    },
    Case {
        name: "wind direction",
        inputs: &["east", "north"],
        apart: 1e-9,
        counts: ALL,
        ours: each!(|u, v| Ok(wind::direction_of(u, v).unwrap_or(f64::NAN))),
    },
    // Over groups of ten minutes at one a second.
    Case {
        name: "mean direction",
        inputs: &["sector"],
        apart: 1e-9,
        counts: ALL,
        ours: |inputs, out| groups(inputs[0], out, Directions::mean),
    },
    Case {
        name: "spread of directions",
        inputs: &["sector"],
        apart: 1e-9,
        counts: ALL,
        ours: |inputs, out| groups(inputs[0], out, Directions::standard_deviation),
    },
    Case {
        name: "rain rate, dead time out",
        inputs: &["depth", "interval"],
        apart: 1e-9,
        counts: ALL,
        ours: each!(|depth, interval| rain::rate(depth, interval)
            .and_then(|rate| rain::corrected(rate, interval, 0.4))),
    },
    Case {
        name: "growing degrees",
        inputs: &["highest", "lowest"],
        apart: 1e-12,
        counts: ALL,
        ours: each!(|highest, lowest| growing::degrees_mean_first(highest, lowest, 10.0)),
    },
    Case {
        name: "chill units",
        inputs: &["t"],
        apart: 1e-12,
        counts: ALL,
        ours: each!(|t| Ok(growing::chill_units(t))),
    },
    Case {
        name: "radiation outside the air, a day",
        inputs: &["latitude", "day"],
        apart: 1e-9,
        counts: ALL,
        ours: each!(|latitude, day| Ok(evapotranspiration::extraterrestrial(latitude, day))),
    },
    Case {
        name: "evapotranspiration of a day",
        inputs: &["highest", "lowest", "kilopascals", "gentle", "sunshine", "latitude", "day"],
        apart: 1e-9,
        counts: ALL,
        ours: each!(|highest, lowest, vapour, wind, radiation, latitude, day| {
            evapotranspiration::daily(&evapotranspiration::Day {
                highest,
                lowest,
                vapour,
                wind,
                radiation: Some(radiation),
                latitude,
                elevation: 100.0,
                day,
            })
        }),
    },
    Case {
        name: "evapotranspiration of an hour",
        inputs: &["t", "u", "gentle", "hourly"],
        apart: 1e-9,
        counts: ALL,
        ours: each!(|temperature, humidity, wind, radiation| {
            evapotranspiration::hourly(&evapotranspiration::Hour {
                temperature,
                humidity,
                wind,
                radiation,
                clearness: 0.7,
                elevation: 100.0,
            })
        }),
    },
    Case {
        name: "evapotranspiration by temperatures",
        inputs: &["highest", "lowest", "outside"],
        apart: 1e-9,
        counts: ALL,
        ours: each!(|highest, lowest, outside| evapotranspiration::hargreaves(
            highest, lowest, outside
        )),
    },
    Case {
        name: "clear-sky irradiance",
        inputs: &["zenith"],
        apart: 1e-9,
        counts: ALL,
        ours: each!(|zenith| sun::clear_sky(zenith)),
    },
    Case {
        name: "shadow",
        inputs: &["elevation"],
        apart: 1e-9,
        counts: ALL,
        ours: each!(|elevation| sun::shadow(elevation)),
    },
    // pvlib on numpy; 20 000 values.
    Case {
        name: "zenith of the sun",
        inputs: &["time", "latitude", "longitude"],
        apart: 1e-6,
        counts: [20_000, 20_000],
        ours: each!(|time, latitude, longitude| {
            let place = sun::Place {
                latitude,
                longitude,
                elevation: 0.0,
                pressure: 1013.25,
                temperature: 15.0,
            };
            Ok(sun::position(time, 67.0, &place).zenith)
        }),
    },
    // pvlib on numpy; 2 000 days. Ours solves for the instant, pvlib interpolates.
    Case {
        name: "rise of the sun",
        inputs: &["midnight", "latitude", "longitude"],
        apart: 3.0,
        counts: [2_000, 2_000],
        ours: each!(|midnight, latitude, longitude| {
            let day = sun::day(midnight, latitude, longitude, sun::HORIZON);
            Ok(day.rise.unwrap_or(f64::NAN))
        }),
    },
];

/// Values of a group.
const GROUP: usize = 600;

/// One result a group, at its first place; nothing at the others.
fn groups(directions: &[f64], out: &mut [f64], result: fn(&Directions) -> Option<f64>) {
    for (from, to) in directions.chunks(GROUP).zip(out.chunks_mut(GROUP)) {
        let mut sum = Directions::default();
        for &direction in from {
            sum.add(direction, 1.0);
        }
        to[0] = result(&sum).unwrap_or(f64::NAN);
    }
}
