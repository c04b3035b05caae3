//! The wind barb of a station plot.
//!
//! Conventions of the WMO's plotting model (Manual on the Global Data-processing and
//! Forecasting System, WMO-No. 485, appendix II-4; from memory): the shaft points to
//! where the wind blows from; a half barb is 2.5 m/s (5 kn), a barb 5 m/s (10 kn), a
//! pennant 25 m/s (50 kn), the speed rounded to the nearest half barb; pennants are
//! outermost, a half barb innermost, and alone it is set in from the end; barbs stand on
//! the side of low pressure, clockwise of the shaft north of the equator and mirrored
//! south of it; calm is a second circle around the station's.

use super::Point;

/// Metres per second of a half barb.
const HALF: f64 = 2.5;
/// Below this a wind is calm, m/s (WMO-No. 306, code `ff` 00: below half a knot).
pub const CALM: f64 = 0.2;
/// Length of a barb, of the shaft's.
const REACH: f64 = 0.36;
/// How far a barb leans outwards.
const LEAN: f64 = 0.13;
/// From barb to barb along the shaft.
const PITCH: f64 = 0.13;

/// How many of each.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Feathers {
    /// 25 m/s each.
    pub pennants: u32,
    /// 5 m/s each.
    pub full: u32,
    /// 2.5 m/s each, one at most.
    pub half: u32,
}

impl Feathers {
    /// Those of a speed in m/s.
    pub fn of(speed: f64) -> Self {
        let halves = (speed.clamp(0.0, 500.0) / HALF).round() as u32;
        Self { pennants: halves / 10, full: halves % 10 / 2, half: halves % 2 }
    }
}

/// What is drawn, around the station at (0, 0), north upwards.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Barb {
    /// Strokes.
    pub lines: Vec<Vec<Point>>,
    /// Filled pennants.
    pub pennants: Vec<Vec<Point>>,
    /// Whether the second circle stands around the station's.
    pub calm: bool,
}

/// The barb of a wind in m/s from a direction in degrees, with a shaft of `length` that
/// begins `start` from the station's middle. Without a direction there is no shaft, and
/// without a speed the shaft ends in a cross.
pub fn barb(
    speed: Option<f64>,
    from: Option<f64>,
    start: f64,
    length: f64,
    southern: bool,
) -> Barb {
    if speed.is_some_and(|s| s < CALM) {
        return Barb { calm: true, ..Barb::default() };
    }
    let Some(from) = from else { return Barb::default() };
    let radians = from.to_radians();
    let along = (radians.sin(), -radians.cos());
    let turn = if southern { -1.0 } else { 1.0 };
    let aside = (-along.1 * turn, along.0 * turn);
    let at = |along_shaft: f64, to_side: f64| -> Point {
        let reach = start + length * along_shaft;
        (along.0 * reach + aside.0 * length * to_side, along.1 * reach + aside.1 * length * to_side)
    };
    let mut out = Barb { lines: vec![vec![at(0.0, 0.0), at(1.0, 0.0)]], ..Barb::default() };
    let Some(speed) = speed else {
        out.lines.push(vec![at(0.93, -0.07), at(1.07, 0.07)]);
        out.lines.push(vec![at(1.07, -0.07), at(0.93, 0.07)]);
        return out;
    };
    let feathers = Feathers::of(speed);
    let mut place = 1.0;
    for _ in 0..feathers.pennants {
        out.pennants.push(vec![
            at(place, 0.0),
            at(place - PITCH / 2.0, REACH),
            at(place - PITCH, 0.0),
        ]);
        place -= PITCH * 1.1;
    }
    if feathers.pennants > 0 {
        place -= PITCH * 0.3;
    }
    for _ in 0..feathers.full {
        out.lines.push(vec![at(place, 0.0), at(place + LEAN, REACH)]);
        place -= PITCH;
    }
    if feathers.half > 0 {
        if feathers.pennants + feathers.full == 0 {
            place -= PITCH;
        }
        out.lines.push(vec![at(place, 0.0), at(place + LEAN / 2.0, REACH / 2.0)]);
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn feathers(pennants: u32, full: u32, half: u32) -> Feathers {
        Feathers { pennants, full, half }
    }

    // WMO-No. 485, appendix II-4 (from memory): 2.5 m/s a half barb, 5 a barb, 25 a pennant.
    #[test]
    fn feathers_add_up_to_the_speed() {
        for (speed, wanted) in [
            (1.0, feathers(0, 0, 0)),
            (2.5, feathers(0, 0, 1)),
            (5.0, feathers(0, 1, 0)),
            (7.5, feathers(0, 1, 1)),
            (8.7, feathers(0, 1, 1)),
            (8.8, feathers(0, 2, 0)),
            (22.5, feathers(0, 4, 1)),
            (25.0, feathers(1, 0, 0)),
            (32.5, feathers(1, 1, 1)),
            (60.0, feathers(2, 2, 0)),
        ] {
            let found = Feathers::of(speed);
            assert_eq!(found, wanted, "{speed}");
            let told = f64::from(found.pennants) * 25.0
                + f64::from(found.full) * 5.0
                + f64::from(found.half) * 2.5;
            assert!((told - speed).abs() <= 1.25, "{speed}");
        }
    }

    #[test]
    fn the_shaft_points_to_where_the_wind_blows_from() {
        for (from, x, y) in
            [(360.0, 0.0, -10.0), (90.0, 10.0, 0.0), (180.0, 0.0, 10.0), (270.0, -10.0, 0.0)]
        {
            let drawn = barb(Some(1.0), Some(from), 0.0, 10.0, false);
            assert_eq!(drawn.lines.len(), 1, "no barb below 1.25 m/s");
            let end = drawn.lines[0][1];
            assert!((end.0 - x).abs() < 1e-9 && (end.1 - y).abs() < 1e-9, "{from}: {end:?}");
        }
    }

    #[test]
    fn barbs_stand_on_the_side_of_low_pressure() {
        // A west wind of the north: low pressure lies north of it (Buys Ballot), upwards.
        let north = barb(Some(5.0), Some(270.0), 0.0, 10.0, false);
        assert!(north.lines[1][1].1 < -1.0, "{north:?}");
        let south = barb(Some(5.0), Some(270.0), 0.0, 10.0, true);
        assert!(south.lines[1][1].1 > 1.0, "{south:?}");
        // Both lean outwards, to the west.
        assert!(north.lines[1][1].0 < north.lines[1][0].0);
    }

    #[test]
    fn a_half_barb_alone_is_set_in_and_pennants_are_outermost() {
        let half = barb(Some(2.5), Some(360.0), 0.0, 10.0, false);
        assert!(half.lines[1][0].1 > -9.5, "{half:?}");
        let full = barb(Some(5.0), Some(360.0), 0.0, 10.0, false);
        assert_eq!(full.lines[1][0].1, -10.0);
        let storm = barb(Some(32.5), Some(360.0), 0.0, 10.0, false);
        assert_eq!((storm.pennants.len(), storm.lines.len()), (1, 3));
        assert_eq!(storm.pennants[0][0].1, -10.0);
        assert!(storm.lines[1][0].1 > storm.pennants[0][2].1);
        assert!(storm.lines[2][0].1 > storm.lines[1][0].1);
    }

    #[test]
    fn calm_missing_speed_and_missing_direction_differ() {
        assert!(barb(Some(0.1), Some(90.0), 0.0, 10.0, false).calm);
        assert_eq!(barb(None, Some(90.0), 0.0, 10.0, false).lines.len(), 3);
        assert_eq!(barb(Some(4.0), None, 0.0, 10.0, false), Barb::default());
    }
}
