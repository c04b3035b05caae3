//! Formulas of wind.

use super::inputs::WIND;
use super::{Formula, Input, Inputs, Method, Told};
use crate::evapotranspiration as et;
use crate::validity::OutOfRange;
use crate::wind::{self, Calm, Rose};
use observation::signal::direction;

const ONLY: &str = "the only method";
const DIRECTIONS: Input = Input::series("wind_from_direction", "deg", 0.0, 360.0);
const SPEEDS: Input = Input::series("wind_speed", "m/s", 0.0, 120.0);
const UNEVEN: OutOfRange = OutOfRange::Undefined("there are not as many speeds as directions");

pub(super) const FORMULAS: &[Formula] = &[
    Formula {
        quantity: "wind_speed",
        unit: "m/s",
        about: "wind at another height (10 m), from wind at a height over rough ground",
        methods: &[
            Method {
                name: "log-profile",
                source: "WMO-No. 8, Vol. I, ch. 5, neutral logarithmic profile",
                range: "heights above ten roughness lengths, to 200 m; uniform ground",
                formula: "U ln(to / z0) / ln(z / z0), to = 10 m",
            },
            Method {
                name: "exposure",
                source: "Wieringa; WMO-No. 8, Vol. I, ch. 5 (from memory)",
                range: "heights above ten roughness lengths, to 60 m; gives 10 m over open ground",
                formula: "U ln(60 / z0) ln(10 / 0.03) / (ln(z / z0) ln(60 / 0.03))",
            },
        ],
        why: "it needs no ground but the one named",
        inputs: &[
            WIND,
            Input::number("height", "m", 0.1, 200.0),
            Input::number("roughness_length", "m", 1e-4, 2.0),
            Input::number("to_height", "m", 0.1, 200.0).optional(),
        ],
        either: &[],
        tell: None,
        compute: |m, i| {
            let (u, z, z0) = (i.of("wind_speed"), i.of("height"), i.of("roughness_length"));
            if m == "exposure" {
                wind::over_open_ground(u, z, z0)
            } else {
                wind::at_height(u, z, i.get("to_height").unwrap_or(10.0), z0)
            }
        },
    },
    Formula {
        quantity: "beaufort_wind_force",
        unit: "1",
        about: "Beaufort force of a 10-minute mean at 10 m",
        methods: &[Method {
            name: "wmo",
            source: "WMO Beaufort scale, limits in m/s",
            range: "0 to 120 m/s",
            formula: "table of lower limits",
        }],
        why: ONLY,
        inputs: &[WIND],
        either: &[],
        tell: None,
        compute: |_, i| wind::beaufort(i.of("wind_speed")).map(f64::from),
    },
    Formula {
        quantity: "wind_from_direction",
        unit: "deg",
        about: "direction of a wind given by its components",
        methods: &[Method {
            name: "vector",
            source: "common practice",
            range: "any wind but calm",
            formula: "atan2(-u, -v), above 0 and at most 360",
        }],
        why: ONLY,
        inputs: &[
            Input::number("eastward_wind", "m/s", -120.0, 120.0),
            Input::number("northward_wind", "m/s", -120.0, 120.0),
        ],
        either: &[],
        tell: None,
        compute: |_, i| {
            wind::direction_of(i.of("eastward_wind"), i.of("northward_wind"))
                .ok_or(crate::validity::OutOfRange::Undefined("calm has no direction"))
        },
    },
    Formula {
        quantity: "wind_speed_at_2_m",
        unit: "m/s",
        about: "wind at 2 m over short grass, for evapotranspiration",
        methods: &[Method {
            name: "fao-56",
            source: "Allen, Pereira, Raes and Smith 1998, FAO Irrigation and Drainage Paper 56, eq. 47",
            range: "heights 0.5 to 100 m over grass",
            formula: "U 4.87 / ln(67.8 z - 5.42)",
        }],
        why: ONLY,
        inputs: &[WIND, Input::number("height", "m", 0.5, 100.0)],
        either: &[],
        tell: None,
        compute: |_, i| Ok(i.of("wind_speed") * et::wind_factor(i.of("height"))?),
    },
    Formula {
        quantity: "limit_of_calm",
        unit: "m/s",
        about: "mean speed below which it is calm and a direction is absent",
        methods: &[
            Method {
                name: "wmo",
                source: "WMO-No. 306, Vol. I.1, code ff 00 (from memory)",
                range: "starting speeds 0 to 10 m/s",
                formula: "0.5 kn, or the starting speed of the instrument if that is more",
            },
            Method {
                name: "aviation",
                source: "ICAO Annex 3 (from memory)",
                range: "starting speeds 0 to 10 m/s",
                formula: "1 kn, or the starting speed of the instrument if that is more",
            },
        ],
        why: "the convention of weather services",
        inputs: &[Input::number("starting_speed", "m/s", 0.0, 10.0)],
        either: &[],
        tell: None,
        compute: |m, i| {
            let calm = if m == "aviation" { Calm::Aviation } else { Calm::Wmo };
            Ok(calm.limit(i.of("starting_speed")))
        },
    },
    Formula {
        quantity: "compass_point",
        unit: "1",
        about: "point of the compass, counted clockwise from north as 0",
        methods: &[
            Method {
                name: "sixteen",
                source: "common practice; an edge belongs to the sector clockwise of it",
                range: "0 to 360 deg",
                formula: "floor(d / 22.5 + 0.5) mod 16",
            },
            Method {
                name: "eight",
                source: "common practice; an edge belongs to the sector clockwise of it",
                range: "0 to 360 deg",
                formula: "floor(d / 45 + 0.5) mod 8",
            },
        ],
        why: "the finer one",
        inputs: &[Input::number("wind_from_direction", "deg", 0.0, 360.0)],
        either: &[],
        tell: Some(|m, i, _| point(m, i).map(Told::word).unwrap_or_default()),
        compute: |m, i| {
            let at = point(m, i).and_then(|p| direction::POINTS.iter().position(|q| *q == p));
            let at = at.ok_or(OutOfRange::Undefined("no direction"))? as f64;
            Ok(if m == "eight" { at / 2.0 } else { at })
        },
    },
    Formula {
        quantity: "mean_wind_from_direction",
        unit: "deg",
        about: "vector mean of directions, weighted by speed where speeds are given",
        methods: &[Method {
            name: "vector",
            source: "WMO-No. 8, Vol. I, ch. 5",
            range: "directions whose vectors do not cancel; calms have no direction and no say",
            formula: "atan2(sum of V sin d, sum of V cos d), above 0 and at most 360",
        }],
        why: ONLY,
        inputs: &[DIRECTIONS, SPEEDS.optional()],
        either: &[],
        tell: None,
        compute: |_, i| {
            let mean = directions(i)?.mean();
            mean.ok_or(OutOfRange::Undefined("the vectors cancel or there are none"))
        },
    },
    Formula {
        quantity: "standard_deviation_of_wind_from_direction",
        unit: "deg",
        about: "spread of directions, each counting once; says so at the floor of a coarse vane",
        methods: &[Method {
            name: "yamartino-1984",
            source: "Yamartino 1984, J. Climate Appl. Meteorol. 23, 1362-1366, eq. 6",
            range: "any directions; at most 103.9 deg",
            formula: "e = sqrt(1 - s^2 - c^2); asin(e) (1 + (2 / sqrt(3) - 1) e^3)",
        }],
        why: ONLY,
        inputs: &[DIRECTIONS, Input::number("vane_points", "1", 4.0, 1024.0).optional()],
        either: &[],
        tell: Some(|_, i, spread| match i.get("vane_points") {
            Some(points) if spread <= wind::spread_floor(points) => {
                Told::word("at the floor of the vane")
            }
            _ => Told::default(),
        }),
        compute: |_, i| {
            let spread = directions(i)?.standard_deviation();
            spread.ok_or(OutOfRange::Undefined("there are no directions"))
        },
    },
    Formula {
        quantity: "wind_rose",
        unit: "1",
        about: "windows by sector and class of speed, calm, variable and missing counted; their sum",
        methods: &[
            Method {
                name: "wmo",
                source: "common practice, sixteen sectors; calm after WMO-No. 306, code ff 00",
                range: "as many speeds as directions; an empty place is missing",
                formula: "counts; calm below 0.5 kn or the starting speed",
            },
            Method {
                name: "aviation",
                source: "common practice, sixteen sectors; calm after ICAO Annex 3",
                range: "as many speeds as directions; an empty place is missing",
                formula: "counts; calm below 1 kn or the starting speed",
            },
        ],
        why: "the convention of weather services",
        inputs: &[
            SPEEDS,
            DIRECTIONS,
            Input::series("class_limits", "m/s", 0.1, 120.0),
            Input::number("starting_speed", "m/s", 0.0, 10.0).optional(),
        ],
        either: &[],
        tell: Some(|m, i, _| Told {
            word: None,
            parts: rose(m, i).map(|rose| parts(&rose)).unwrap_or_default(),
        }),
        compute: |m, i| rose(m, i).map(|rose| rose.total() as f64),
    },
];

/// The named point of a direction.
fn point(method: &str, i: &Inputs) -> Option<&'static str> {
    let from = i.of("wind_from_direction");
    if method == "eight" {
        direction::point_of_eight(from)
    } else {
        direction::point_of_sixteen(from)
    }
}

/// The directions given, with their speeds as weights.
fn directions(i: &Inputs) -> Result<direction::Directions, OutOfRange> {
    let (from, speeds) = (i.series("wind_from_direction"), i.series("wind_speed"));
    if !speeds.is_empty() && speeds.len() != from.len() {
        return Err(UNEVEN);
    }
    let mut all = direction::Directions::default();
    for (place, &degrees) in from.iter().enumerate() {
        all.add(degrees, speeds.get(place).copied().unwrap_or(1.0));
    }
    Ok(all)
}

fn rose(method: &str, i: &Inputs) -> Result<Rose, OutOfRange> {
    let (from, speeds) = (i.series("wind_from_direction"), i.series("wind_speed"));
    if speeds.len() != from.len() {
        return Err(UNEVEN);
    }
    let calm = if method == "aviation" { Calm::Aviation } else { Calm::Wmo };
    let below = calm.limit(i.get("starting_speed").unwrap_or(0.0));
    let mut rose = Rose::new(i.series("class_limits"))
        .ok_or(OutOfRange::Undefined("the limits of the classes must rise"))?;
    for (&speed, &degrees) in speeds.iter().zip(from) {
        rose.add(Some(speed), Some(degrees), below);
    }
    Ok(rose)
}

/// Counts that are not zero, by sector and number of the class.
fn parts(rose: &Rose) -> Vec<(String, f64)> {
    let mut parts = Vec::new();
    for (point, row) in direction::POINTS.iter().zip(rose.counts()) {
        for (class, &count) in row.iter().enumerate().filter(|(_, count)| **count > 0) {
            parts.push((format!("{point} class {class}"), count as f64));
        }
    }
    for (name, count) in
        [("calm", rose.calm), ("variable", rose.variable), ("missing", rose.missing)]
    {
        parts.push((name.to_owned(), count as f64));
    }
    parts
}
