//! Formulas of rain.

use super::{Formula, Input, Method, Told};
use crate::rain::{self, Scheme};
use crate::validity::OutOfRange;

const ONLY: &str = "the only method";
const RATE: Input = Input::number("rainfall_rate", "mm/h", 0.0, 2000.0);

pub(super) const FORMULAS: &[Formula] = &[
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
        tell: None,
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
        quantity: "rainfall_rate_by_table",
        unit: "mm/h",
        about: "rate corrected for undercatch by a gauge's calibration of measured and true rates",
        methods: &[Method {
            name: "table",
            source: "common practice: straight between points of a dynamic calibration",
            range: "pairs that rise, rates above 0; beyond the ends the end's ratio",
            formula: "interpolation of the pairs",
        }],
        why: ONLY,
        inputs: &[
            RATE,
            Input::series("measured_rate", "mm/h", 1e-3, 2000.0),
            Input::series("true_rate", "mm/h", 1e-3, 2000.0),
        ],
        either: &[],
        tell: None,
        compute: |_, i| {
            let (measured, truth) = (i.series("measured_rate"), i.series("true_rate"));
            if measured.len() != truth.len() {
                return Err(OutOfRange::Undefined("the table is not made of pairs"));
            }
            let pairs: Vec<_> = measured.iter().copied().zip(truth.iter().copied()).collect();
            let corrected = rain::by_table(i.of("rainfall_rate"), &pairs);
            corrected.ok_or(OutOfRange::Undefined("the table's rates must rise"))
        },
    },
    Formula {
        quantity: "rainfall_intensity_class",
        unit: "1",
        about: "class of a rate in the named scheme, counted from 1; 0 without rain",
        methods: &[
            Method {
                name: "wmo",
                source: "WMO-No. 8, Vol. I, ch. 14 (from memory)",
                range: "0 to 2000 mm/h",
                formula: "light below 2.5, moderate below 10, heavy below 50, violent",
            },
            Method {
                name: "ams",
                source: "American Meteorological Society, Glossary of Meteorology, rain",
                range: "0 to 2000 mm/h, at 0.1 mm/h",
                formula: "light to 2.5, moderate to 7.6, heavy",
            },
            Method {
                name: "uk",
                source: "UK Met Office, rain other than showers (from memory)",
                range: "0 to 2000 mm/h",
                formula: "slight below 0.5, moderate to 4, heavy",
            },
        ],
        why: "its classes are the international ones",
        inputs: &[RATE],
        either: &[],
        tell: Some(|m, i, _| Told::word(scheme(m).class(i.of("rainfall_rate")).unwrap_or("none"))),
        compute: |m, i| {
            let scheme = scheme(m);
            let class = scheme.class(i.of("rainfall_rate"));
            let at = scheme.classes().iter().position(|name| Some(*name) == class);
            Ok(at.map_or(0.0, |place| place as f64 + 1.0))
        },
    },
];

fn scheme(method: &str) -> Scheme {
    match method {
        "ams" => Scheme::Ams,
        "uk" => Scheme::UnitedKingdom,
        _ => Scheme::Wmo,
    }
}
