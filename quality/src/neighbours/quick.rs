//! The quick look at single values as they come: is one far from the median of its nearest
//! neighbours, at the usual difference of this station and in units of its usual spread?
//! The difference is learned online; a real difference of place is learned, not suspected.

use super::gross::{QUANTITIES, SLIP_HOURS, Usual};
use observation::Quantity;
use serde::{Deserialize, Serialize};

/// What was usual for one station.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
struct Own {
    usual: Usual,
    /// Hours for which it has been grossly off.
    off: f64,
}

/// What the neighbours say of one value.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Glance {
    /// Difference to the median of the neighbours less the usual one, in the unit of the
    /// quantity; none without neighbours.
    pub difference: Option<f64>,
    /// The usual difference, once learned.
    pub usual: Option<f64>,
    /// Whether the value is grossly off: only then in usual spreads.
    pub gross: Option<f64>,
}

/// The usual differences of one station.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Quick {
    own: [Own; QUANTITIES.len()],
}

impl Quick {
    /// Forgets what was usual of a quantity: its instrument is another.
    pub fn forget(&mut self, quantity: Option<Quantity>) {
        let place = QUANTITIES.iter().position(|(q, _)| Some(*q) == quantity);
        if let Some(own) = place.and_then(|place| self.own.get_mut(place)) {
            *own = Own::default();
        }
    }

    /// Looks at `column[0]`, the value of the own station, beside the present values of its
    /// neighbours, and learns from it. `hours` is the time since the last value, for the
    /// pace of learning.
    pub fn look(&mut self, quantity: Quantity, column: &[f64], hours: f64) -> Glance {
        let Some(place) = QUANTITIES.iter().position(|(q, _)| *q == quantity) else {
            return Glance::default();
        };
        let least = QUANTITIES[place].1;
        let own = &mut self.own[place];
        let step = hours.clamp(0.0, 1.0);
        let stray = own.usual.look(column, 0, quantity, least);
        own.off = if stray.is_some() { own.off + step } else { 0.0 };
        let slip = own.off <= SLIP_HOURS as f64;
        let glance = Glance {
            difference: Usual::difference(column, 0).map(|d| d - own.usual.difference),
            usual: (own.usual.hours >= 24.0).then_some(own.usual.difference),
            gross: stray.filter(|_| slip).map(|s| s.spreads),
        };
        // What stays off is no slip any more: the slow judgement takes it.
        if stray.is_none() || !slip {
            own.usual.learn(column, 0, step, least);
        }
        glance
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_wild_value_is_gross_and_a_frost_hollow_is_learned() {
        let mut quick = Quick::default();
        for i in 0..60_000_u32 {
            let wobble = f64::from(i % 7) * 0.05;
            let glance =
                quick.look(Quantity::AirTemperature, &[7.0 + wobble, 10.0, 10.2], 1.0 / 60.0);
            assert_eq!(glance.gross, None, "minute {i}");
        }
        let glance = quick.look(Quantity::AirTemperature, &[-10.5, 15.0, 15.1], 1.0 / 60.0);
        assert!(glance.gross.is_some_and(|spreads| spreads < -10.0));
        assert!((glance.usual.unwrap_or(0.0) + 2.95).abs() < 0.2, "{:?}", glance.usual);
        let alone = quick.look(Quantity::AirTemperature, &[30.0, f64::NAN], 0.1);
        assert_eq!((alone.gross, alone.difference), (None, None));
        assert_eq!(quick.look(Quantity::WindSpeed, &[1.0, 2.0, 2.0], 1.0), Glance::default());
    }
}
