//! Four switches of a vane become a direction.
//!
//! The rule: the arcs over which the switches close, as measured, cut the circle into
//! sectors, and a combination means the middle of its sector. Wide arcs overlap: pairs
//! of neighbours are the points between. Narrow arcs leave gaps: no switch closed means
//! the point between the two neighbours that were just seen. What no position of a
//! sound vane can show is a fault and never a direction.

use super::direction;
use crate::{Span, Time, Value, property::Switches};
use serde::{Deserialize, Serialize};

/// Arcs of neighbours that overlap or leave a gap by less than this, in degrees, may
/// do either because of hysteresis (own choice).
const TOUCHING: f64 = 5.0;

/// How long a point counts as just seen: the averaging time of a direction.
const JUST: Span = Span::minutes(10);

/// Why a state of the switches means nothing. All are faults of sensor or wiring.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum VaneFault {
    /// Two switches that are not neighbours.
    Opposite,
    /// Three or four switches.
    TooMany,
    /// No switch, although the arcs leave no gap.
    NoneClosed,
    /// Neither 0 to 15 nor a compass point nor four digits 0 and 1.
    NoState,
}

impl VaneFault {
    /// In words.
    pub const fn reason(self) -> &'static str {
        match self {
            Self::Opposite => {
                "two opposite switches are closed at once: a short between their wires"
            }
            Self::TooMany => {
                "three or four switches are closed at once: a short, or `closed_is` is the wrong way round"
            }
            Self::NoneClosed => {
                "no switch is closed although their arcs leave no gap: a broken wire or a weak magnet"
            }
            Self::NoState => "the value is neither the bits 0 to 15 nor a compass point",
        }
    }
}

/// What the vane says.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Pointing {
    /// A direction, above 0 and at most 360, mounting included.
    At(f64),
    /// In a gap, and it is not known in which.
    Unknown,
    /// A fault.
    Fault(VaneFault),
}

impl Pointing {
    /// The direction, if there is one.
    pub const fn direction(self) -> Option<f64> {
        match self {
            Self::At(degrees) => Some(degrees),
            Self::Unknown | Self::Fault(_) => None,
        }
    }
}

/// A part of the circle in which the same switches are closed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sector {
    /// The closed switches, the first switch in the lowest bit.
    pub closed: u8,
    /// Its middle, without the mounting.
    pub middle: f64,
    /// Its width in degrees.
    pub width: f64,
}

/// The switches that were seen closed alone, newest first: what a gap is judged by.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Seen {
    newest: Option<(u8, Time)>,
    before: Option<(u8, Time)>,
}

impl Seen {
    fn note(&mut self, switch: u8, time: Time) {
        if self.newest.is_none_or(|(s, _)| s != switch) {
            self.before = self.newest;
        }
        self.newest = Some((switch, time));
    }
}

/// The border between two neighbours.
#[derive(Clone, Copy, Debug)]
struct Border {
    switches: [u8; 2],
    /// Middle of the overlap or the gap.
    middle: f64,
    /// Overlap of the arcs in degrees, negative for a gap.
    overlap: f64,
}

/// A four-switch vane, ready to read.
#[derive(Clone, Debug)]
pub struct Vane {
    closed_is: bool,
    mounting: f64,
    borders: [Border; 4],
    sectors: Vec<Sector>,
    /// What each combination of closed switches means.
    meanings: [Pointing; 16],
}

impl Vane {
    /// Prepares a vane with `mounting` degrees to be added. None if an arc is not above
    /// 0 and below 180 degrees, two neighbours lie together or 180 degrees or more
    /// apart, or a number is not finite.
    pub fn new(switches: &Switches, mounting: f64) -> Option<Self> {
        let good_arcs = switches.arcs.iter().all(|&a| a > 0.0 && a < 180.0);
        if !good_arcs || !mounting.is_finite() {
            return None;
        }
        let borders = borders(switches)?;
        let sectors = sectors(switches);
        let mut vane = Self {
            closed_is: switches.closed_is,
            mounting,
            borders,
            sectors,
            meanings: [Pointing::Fault(VaneFault::TooMany); 16],
        };
        for closed in 0..16_u8 {
            vane.meanings[usize::from(closed)] = vane.meaning(closed);
        }
        Some(vane)
    }

    /// The sectors clockwise, beginning with the one whose middle comes first. Only
    /// combinations that a position of the vane can show.
    pub fn sectors(&self) -> &[Sector] {
        &self.sectors
    }

    /// What a raw value says: the bits as a number 0 to 15 (first switch lowest), four
    /// digits in the order of the switches (`"0101"`), or one of sixteen compass points.
    ///
    /// `seen` remembers what gaps are judged by. `hold` is the last direction if it may
    /// be held (only while the wind is below the vane's own threshold); it fills a gap
    /// that is not known, never a fault.
    pub fn read(&self, raw: &Value, time: Time, seen: &mut Seen, hold: Option<f64>) -> Pointing {
        let bits = match raw {
            Value::Number(number) => bits_of_number(number.get()),
            Value::Text(text) => match direction::parse_point(text) {
                Some(degrees) => return self.mounted(degrees),
                None => bits_of_digits(text),
            },
        };
        match bits {
            Some(bits) => self.read_bits(bits, time, seen, hold),
            None => Pointing::Fault(VaneFault::NoState),
        }
    }

    /// As [`Vane::read`], from the bits; only the lowest four count.
    pub fn read_bits(&self, bits: u8, time: Time, seen: &mut Seen, hold: Option<f64>) -> Pointing {
        let closed = if self.closed_is { bits } else { !bits } & 15;
        if let Some(switch) = only(closed) {
            seen.note(switch, time);
        }
        match self.meanings[usize::from(closed)] {
            Pointing::Unknown => match (self.gap(time, *seen), hold) {
                (Some(middle), _) => self.mounted(middle),
                (None, Some(held)) => {
                    direction::normalise(held).map_or(Pointing::Unknown, Pointing::At)
                }
                (None, None) => Pointing::Unknown,
            },
            known => known,
        }
    }

    fn meaning(&self, closed: u8) -> Pointing {
        match closed.count_ones() {
            0 if self.borders.iter().any(|b| b.overlap < TOUCHING) => Pointing::Unknown,
            0 => Pointing::Fault(VaneFault::NoneClosed),
            1 => self.alone(closed),
            2 => self
                .borders
                .iter()
                .find(|b| b.switches.iter().fold(0, |bits, s| bits | 1 << s) == closed)
                .map_or(Pointing::Fault(VaneFault::Opposite), |b| self.mounted(b.middle)),
            _ => Pointing::Fault(VaneFault::TooMany),
        }
    }

    /// One switch alone: the middle of its sector. Arcs so wide that a neighbour is
    /// always closed too leave no such sector; then it is the middle between the two
    /// borders.
    fn alone(&self, closed: u8) -> Pointing {
        if let Some(sector) = self.sectors.iter().find(|s| s.closed == closed) {
            return self.mounted(sector.middle);
        }
        let mut sides = self
            .borders
            .iter()
            .filter(|b| only(closed).is_some_and(|switch| b.switches.contains(&switch)));
        match (sides.next(), sides.next()) {
            (Some(a), Some(b)) => self.mounted(a.middle + turn(a.middle, b.middle) / 2.0),
            _ => Pointing::Unknown,
        }
    }

    /// The gap between the two neighbours just seen.
    fn gap(&self, time: Time, seen: Seen) -> Option<f64> {
        let ((newest, at), (before, earlier)) = (seen.newest?, seen.before?);
        if time - at > JUST || time - earlier > JUST {
            return None;
        }
        self.borders
            .iter()
            .find(|b| b.switches.contains(&newest) && b.switches.contains(&before))
            .filter(|b| b.overlap < TOUCHING)
            .map(|b| b.middle)
    }

    fn mounted(&self, degrees: f64) -> Pointing {
        direction::normalise(degrees + self.mounting).map_or(Pointing::Unknown, Pointing::At)
    }
}

/// Turn from one direction to another, above -180 and at most 180 degrees.
fn turn(from: f64, to: f64) -> f64 {
    180.0 - (180.0 - (to - from)).rem_euclid(360.0)
}

fn borders(switches: &Switches) -> Option<[Border; 4]> {
    let mut order = [0_u8, 1, 2, 3];
    let azimuth = |s: u8| switches.azimuths[usize::from(s)].rem_euclid(360.0);
    if !switches.azimuths.iter().all(|a| a.is_finite()) {
        return None;
    }
    order.sort_by(|&a, &b| azimuth(a).total_cmp(&azimuth(b)));
    let mut borders = [Border { switches: [0, 0], middle: 0.0, overlap: 0.0 }; 4];
    for (i, border) in borders.iter_mut().enumerate() {
        let (a, b) = (order[i], order[(i + 1) % 4]);
        let apart = (azimuth(b) - azimuth(a)).rem_euclid(360.0);
        if apart <= 0.0 || apart >= 180.0 {
            return None;
        }
        let half = |s: u8| switches.arcs[usize::from(s)] / 2.0;
        let (end, start) = (azimuth(a) + half(a), azimuth(a) + apart - half(b));
        *border = Border {
            switches: [a, b],
            middle: f64::midpoint(end, start).rem_euclid(360.0),
            overlap: end - start,
        };
    }
    Some(borders)
}

fn sectors(switches: &Switches) -> Vec<Sector> {
    let mut bounds: Vec<f64> = switches
        .azimuths
        .iter()
        .zip(switches.arcs)
        .flat_map(|(azimuth, arc)| [azimuth - arc / 2.0, azimuth + arc / 2.0])
        .map(|bound| bound.rem_euclid(360.0))
        .collect();
    bounds.sort_by(f64::total_cmp);
    let mut sectors: Vec<Sector> = Vec::with_capacity(bounds.len());
    for (i, &low) in bounds.iter().enumerate() {
        let high = bounds.get(i + 1).copied().unwrap_or(bounds[0] + 360.0);
        let width = high - low;
        if width < 1e-9 {
            continue;
        }
        let middle = f64::midpoint(low, high);
        let closed = (0_u8..)
            .zip(switches.azimuths.iter().zip(switches.arcs))
            .filter(|&(_, (&azimuth, arc))| turn(azimuth, middle).abs() < arc / 2.0)
            .fold(0, |bits, (s, _)| bits | 1 << s);
        let middle = direction::normalise(middle).unwrap_or(360.0);
        sectors.push(Sector { closed, middle, width });
    }
    sectors.sort_by(|a, b| a.middle.total_cmp(&b.middle));
    sectors
}

/// The azimuths of four switches from their order, such as `NESW`: each of the letters
/// N, E, S and W once, in either case. None for anything else.
pub fn azimuths(order: &str) -> Option<[f64; 4]> {
    let letters: [u8; 4] = order.as_bytes().try_into().ok()?;
    let mut azimuths = [0.0; 4];
    let mut named = 0_u8;
    for (azimuth, letter) in azimuths.iter_mut().zip(letters) {
        let quarter = b"NESW".iter().position(|c| c.eq_ignore_ascii_case(&letter))?;
        *azimuth = 90.0 * quarter as f64;
        named |= 1 << quarter;
    }
    (named == 15).then_some(azimuths)
}

fn bits_of_number(number: f64) -> Option<u8> {
    (0..16_u8).find(|&bits| f64::from(bits).to_bits() == number.to_bits())
}

/// The switch that is closed alone.
fn only(closed: u8) -> Option<u8> {
    (0..4_u8).find(|switch| closed == 1 << switch)
}

fn bits_of_digits(text: &str) -> Option<u8> {
    let text = text.trim().as_bytes();
    if text.len() != 4 {
        return None;
    }
    text.iter().enumerate().try_fold(0, |bits, (place, digit)| match digit {
        b'0' => Some(bits),
        b'1' => Some(bits | 1 << place),
        _ => None,
    })
}

#[cfg(test)]
#[path = "vane_tests.rs"]
mod tests;
