//! What stands on the invented property: counters that only count, switches that are
//! open or closed, and what they do as the weather goes by.

/// Wind of the cup: metres per second for one turn a second.
pub const CUP_SLOPE: f64 = 0.66;
/// Metres per second at which the cup's straight line meets the axis.
pub const CUP_OFFSET: f64 = 0.3;
/// Below this wind the cup stands still, metres per second.
pub const CUP_THRESHOLD: f64 = 0.9;
/// Millimetres of rain for one tip.
pub const TIP_DEPTH: f64 = 0.2;
/// The arc over which one switch of the vane is closed, degrees.
pub const SWITCH_ARC: f64 = 135.0;

/// A cup with one pulse a turn.
#[derive(Clone, Copy, Debug, Default)]
pub struct Cup {
    turns: f64,
}

impl Cup {
    /// Lets it turn for a while in a wind of so many metres per second.
    pub fn turn(&mut self, wind_speed: f64, seconds: f64) {
        if wind_speed >= CUP_THRESHOLD {
            self.turns += (wind_speed - CUP_OFFSET) / CUP_SLOPE * seconds;
        }
    }

    /// The running total, 32 bits wide.
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "never negative, and below the width after the remainder"
    )]
    pub fn total(self) -> u32 {
        (self.turns % 4_294_967_296.0) as u32
    }
}

/// A tipping bucket.
#[derive(Clone, Copy, Debug, Default)]
pub struct Gauge {
    depth: f64,
}

impl Gauge {
    /// Lets it rain for a while, at so many millimetres per hour.
    pub fn rain(&mut self, rainfall_rate: f64, seconds: f64) {
        self.depth += rainfall_rate / 3_600.0 * seconds;
    }

    /// The running total of tips, 16 bits wide.
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "never negative, and below the width after the remainder"
    )]
    pub fn total(self) -> u16 {
        ((self.depth / TIP_DEPTH).floor() % 65_536.0) as u16
    }
}

/// The switches of the vane, bit 0 north, 1 east, 2 south, 3 west; a closed switch is 1.
pub fn switches(wind_from: f64) -> u8 {
    [0.0, 90.0, 180.0, 270.0].into_iter().enumerate().fold(0, |bits, (place, middle)| {
        let apart = (wind_from - middle + 180.0_f64).rem_euclid(360.0) - 180.0;
        bits | (u8::from(apart.abs() < SWITCH_ARC / 2.0) << place)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_vane_closes_one_switch_on_the_points_and_two_between() {
        for (wind_from, bits) in [
            (0.0, 0b0001),
            (45.0, 0b0011),
            (90.0, 0b0010),
            (135.0, 0b0110),
            (180.0, 0b0100),
            (225.0, 0b1100),
            (270.0, 0b1000),
            (315.0, 0b1001),
            (359.9, 0b0001),
        ] {
            assert_eq!(switches(wind_from), bits, "{wind_from}");
        }
    }

    #[test]
    fn the_cup_counts_what_the_wind_asks_for_and_stands_still_in_a_calm() {
        let mut cup = Cup::default();
        cup.turn(CUP_OFFSET + 2.0 * CUP_SLOPE, 60.0);
        assert_eq!(cup.total(), 120);
        cup.turn(0.5, 600.0);
        assert_eq!(cup.total(), 120);
    }

    #[test]
    fn the_gauge_tips_once_for_each_full_bucket() {
        let mut gauge = Gauge::default();
        gauge.rain(12.0, 30.0);
        assert_eq!(gauge.total(), 0);
        gauge.rain(12.0, 31.0);
        assert_eq!(gauge.total(), 1);
    }
}
