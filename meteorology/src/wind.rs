//! Wind: components, force, height, calm and roses.
//!
//! The rule: a direction is where the wind comes from, clockwise from true north, above 0
//! and at most 360; in calm, or without a resultant, there is none. Vector means, the
//! standard deviation of direction and the points of the compass are in
//! [`observation::signal::direction`], gusts in [`observation::signal::cup`]. Speeds in
//! m/s.

use crate::angles;
use crate::validity::{OutOfRange, Valid, inside, within};
use observation::signal::direction;
use serde::{Deserialize, Serialize};

/// East and north components of a wind: `u = -V sin d`, `v = -V cos d` (common practice).
/// Directions in deg.
#[inline]
pub fn components(speed: f64, direction: f64) -> (f64, f64) {
    let (sine, cosine) = angles::sine_cosine(direction);
    (-speed * sine, -speed * cosine)
}

/// The direction of the components: `atan2(-u, -v)`, above 0 and at most 360. None in
/// calm.
#[inline]
pub fn direction_of(east: f64, north: f64) -> Option<f64> {
    // The sum of two zeros has no direction; an infinite wind has none either.
    let size = east.abs() + north.abs();
    if size > 0.0 && size.is_finite() { Some(angles::angle(-north, -east)) } else { None }
}

/// A named convention for calm.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub enum Calm {
    /// Mean below 0.5 kn (WMO-No. 306, code `ff` 00; from memory). The default.
    #[default]
    Wmo,
    /// Mean below 1 kn (aviation, ICAO Annex 3; from memory).
    Aviation,
}

impl Calm {
    /// The name shown beside the result.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Wmo => "wmo",
            Self::Aviation => "aviation",
        }
    }

    /// The speed in m/s below which it is calm: the convention's, never below the
    /// speed at which the instrument starts to turn.
    pub const fn limit(self, starting: f64) -> f64 {
        // One knot is 1852 m an hour.
        let knots = match self {
            Self::Wmo => 0.5,
            Self::Aviation => 1.0,
        };
        (knots * 1852.0 / 3600.0_f64).max(starting)
    }

    /// Whether a mean speed is calm.
    pub fn is_calm(self, speed: f64, starting: f64) -> bool {
        speed < self.limit(starting)
    }
}

/// Least spread in deg that a vane of eight points shows, for a wind that wanders over
/// whole sectors: `45 / sqrt(12)`, the standard deviation of a step of 45 deg.
pub const EIGHT_POINT_FLOOR: f64 = 12.990_381_056_766_58;

/// Least spread in deg that a vane of so many points shows: the step over the square root
/// of 12, the standard deviation of a step (calculated).
pub fn spread_floor(points: f64) -> f64 {
    360.0 / points / 12.0_f64.sqrt()
}

/// Lower limits of Beaufort force 1 to 12 in tenths of m/s at 10 m (WMO Beaufort scale).
const BEAUFORT: [i32; 12] = [3, 16, 34, 55, 80, 108, 139, 172, 208, 245, 285, 327];

/// Beaufort force, 0 to 12, of a 10-minute mean speed at 10 m; limits hold for speeds
/// rounded to 0.1 m/s.
///
/// # Errors
/// A speed outside 0 to 120 m/s.
pub fn beaufort(speed: f64) -> Result<u8, OutOfRange> {
    within("wind_speed", speed, 0.0, 120.0, "m/s")?;
    let tenths = (speed * 10.0).round();
    Ok(BEAUFORT.iter().map(|&limit| u8::from(tenths >= f64::from(limit))).sum())
}

/// Speed at another height over uniform ground: `U ln(z2 / z0) / ln(z1 / z0)` (neutral
/// logarithmic profile, WMO-No. 8, Vol. I, ch. 5). Heights and roughness length in m.
///
/// # Errors
/// A roughness length outside 0.0001 to 2 m, or a height not above ten times it or above
/// 200 m.
#[inline]
pub fn at_height(speed: f64, from: f64, to: f64, roughness: f64) -> Valid {
    let lowest = 10.0 * roughness;
    if !(inside(speed, 0.0, 120.0)
        & inside(roughness, 1e-4, 2.0)
        & inside(from, lowest, 200.0)
        & inside(to, lowest, 200.0))
    {
        within("wind_speed", speed, 0.0, 120.0, "m/s")?;
        within("roughness length", roughness, 1e-4, 2.0, "m")?;
        within("height", from, lowest, 200.0, "m")?;
        within("height", to, lowest, 200.0, "m")?;
    }
    Ok(speed * (to / roughness).ln() / (from / roughness).ln())
}

/// Speed at 10 m over open ground (roughness length 0.03 m) of a speed measured at `height`
/// m over ground of `roughness` m, through the speed at 60 m (Wieringa; WMO-No. 8, Vol. I,
/// ch. 5, without its factors for flow distortion and topography; from memory).
///
/// # Errors
/// As [`at_height`], with heights to 60 m.
pub fn over_open_ground(speed: f64, height: f64, roughness: f64) -> Valid {
    const OPEN: f64 = 0.03;
    const BLENDING: f64 = 60.0;
    within("height", height, 10.0 * roughness, BLENDING, "m")?;
    let above = at_height(speed, height, BLENDING, roughness)?;
    at_height(above, BLENDING, 10.0, OPEN)
}

/// Share of a step in wind that a cup has followed after `elapsed` s: `1 - exp(-U t / D)`
/// with the distance constant D in m (ISO 17713-1:2007). No unit.
///
/// # Errors
/// A distance constant that is not above zero, negative speed or time.
#[inline]
pub fn step_response(speed: f64, distance_constant: f64, elapsed: f64) -> Valid {
    within("wind_speed", speed, 0.0, 120.0, "m/s")?;
    within("distance constant", distance_constant, 0.01, 100.0, "m")?;
    within("time", elapsed, 0.0, f64::MAX, "s")?;
    Ok(1.0 - (-speed * elapsed / distance_constant).exp())
}

/// Greatest wind of a span, with its time.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Strongest {
    /// The speed, m/s.
    pub speed: f64,
    /// When, end of the window it was measured over.
    pub at: observation::Time,
    /// What the gust was averaged over; different spans are never compared.
    pub over: observation::Span,
}

impl Strongest {
    /// The stronger of two gusts over the same span, the earlier one of two equal ones;
    /// none if their spans differ.
    pub fn stronger(self, other: Self) -> Option<Self> {
        (self.over == other.over).then(|| {
            let later = other.speed < self.speed
                || (other.speed.total_cmp(&self.speed).is_eq() && other.at >= self.at);
            if later { self } else { other }
        })
    }
}

/// How often the wind blew from where, how strongly: sixteen sectors by classes of speed.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Rose {
    /// Lower limits of the classes above the first, m/s, rising.
    limits: Vec<f64>,
    /// One row a sector, one more count than limits in each.
    counts: Vec<Vec<u64>>,
    /// Calms, which have no direction.
    pub calm: u64,
    /// Windows without a value.
    pub missing: u64,
    /// Wind with a speed but no direction.
    pub variable: u64,
}

impl Rose {
    /// An empty rose. None unless the limits rise and are above zero.
    pub fn new(limits: &[f64]) -> Option<Self> {
        let rises = limits.windows(2).all(|w| w[0] < w[1]);
        let above = limits.iter().all(|l| l.is_finite() && *l > 0.0);
        (rises && above).then(|| Self {
            limits: limits.to_vec(),
            counts: vec![vec![0; limits.len() + 1]; direction::POINTS.len()],
            calm: 0,
            missing: 0,
            variable: 0,
        })
    }

    /// Counts one window: its mean speed, its direction, and the limit of calm.
    pub fn add(&mut self, speed: Option<f64>, from: Option<f64>, calm_below: f64) {
        let Some(speed) = speed.filter(|s| s.is_finite() && *s >= 0.0) else {
            self.missing += 1;
            return;
        };
        if speed < calm_below {
            self.calm += 1;
            return;
        }
        let point = from.and_then(direction::point_of_sixteen);
        let sector = point.and_then(|p| direction::POINTS.iter().position(|q| *q == p));
        let class = self.limits.iter().filter(|limit| speed >= **limit).count();
        match sector.and_then(|s| self.counts.get_mut(s)).and_then(|row| row.get_mut(class)) {
            Some(count) => *count += 1,
            None => self.variable += 1,
        }
    }

    /// Adds another rose's counts. False, changing nothing, if its classes differ.
    pub fn merge(&mut self, other: &Self) -> bool {
        if self.limits != other.limits {
            return false;
        }
        for (row, more) in self.counts.iter_mut().zip(&other.counts) {
            for (count, more) in row.iter_mut().zip(more) {
                *count += more;
            }
        }
        self.calm += other.calm;
        self.missing += other.missing;
        self.variable += other.variable;
        true
    }

    /// Counts by sector, clockwise from north, each by class of speed.
    pub fn counts(&self) -> &[Vec<u64>] {
        &self.counts
    }

    /// Every window counted, calm, variable and missing included.
    pub fn total(&self) -> u64 {
        let blown: u64 = self.counts.iter().flatten().sum();
        blown + self.calm + self.missing + self.variable
    }
}
