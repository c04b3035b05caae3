//! Under which conditions an instrument that is off is off: its hours of the last month
//! beside those of its neighbours, before the change and after it.

use super::plan::{DIRECTION, HUMIDITY, SPEED, TEMPERATURE};
use super::{Compare, Row};
use crate::Processor;
use observation::time::HOUR;
use observation::{Span, Time};
use quality::diagnosis::{Cause, Hour, Refined, refine};
use quality::neighbours::{Kind, Suspicion};

/// Humidity above which the neighbours count as wet, %.
const WET: f64 = 95.0;

/// Hours that are looked at as after the change at least: what comes and goes with the sun
/// is seen anew every day, and would never be old enough.
const LOOKED_BACK: i64 = 5 * 24;

/// The causes that one suspicion of a constant offset may turn out to be.
pub(super) const fn family(cause: Cause) -> &'static [Cause] {
    use Cause as C;
    match cause {
        C::ThermometerOffset => {
            &[C::ThermometerOffset, C::ThermometerDrift, C::SunlitScreen, C::SelfHeating]
        }
        C::HumidityOffset => &[C::HumidityOffset, C::HumidityDrift, C::HumiditySlowToDry],
        C::BarometerOffset => &[C::BarometerOffset, C::BarometerDrift],
        C::CupFactorWrong => {
            &[C::CupFactorWrong, C::CupSlowAtHighWind, C::CupSticking, C::MastSheltered]
        }
        C::DewPointOffset => &[C::DewPointOffset],
        C::VaneTurned => &[C::VaneTurned],
        C::ThermometerStuck => &[C::ThermometerStuck],
        C::HumidityStuck => &[C::HumidityStuck],
        C::BarometerStuck => &[C::BarometerStuck],
        C::CupStuck => &[C::CupStuck],
        C::VaneStuck => &[C::VaneStuck],
        C::GaugeCatchesTooLittle => &[C::GaugeCatchesTooLittle],
        C::StationClockWrong => &[C::StationClockWrong],
        _ => &[C::Disagreement],
    }
}

/// Whether a cause shows under some conditions only, so that it is not over when it does
/// not show.
pub(super) const fn comes_and_goes(cause: Cause) -> bool {
    use Cause as C;
    matches!(
        cause,
        C::SunlitScreen
            | C::SelfHeating
            | C::HumiditySlowToDry
            | C::CupSlowAtHighWind
            | C::CupSticking
            | C::MastSheltered
    )
}

impl Processor {
    /// A more telling cause of an offset, if the conditions tell one.
    pub(super) fn refined(
        &self,
        suspicion: &Suspicion,
        cause: Cause,
        slot: usize,
    ) -> Option<Refined> {
        let seat = suspicion.station?;
        if suspicion.kind != Kind::Offset {
            return None;
        }
        let newest = self.compare.judged?;
        let since = suspicion.since.0.div_euclid(HOUR).min(newest - LOOKED_BACK);
        let (mut before, mut after) = (Vec::new(), Vec::new());
        let mut since_wet = f64::INFINITY;
        for (hour, rows) in &self.compare.past {
            let of = |slot: usize| self.compare.others(rows, seat, slot);
            let humidity = of(HUMIDITY);
            since_wet = if humidity >= WET { 0.0 } else { since_wet + 1.0 };
            let own = rows.get(seat).and_then(|row| row.get(slot)).copied().flatten();
            let found = Hour {
                own: own.unwrap_or(f64::NAN),
                others: of(slot),
                sun: if slot == TEMPERATURE { self.sun(*hour) } else { f64::NAN },
                wind: of(SPEED),
                direction: of(DIRECTION),
                humidity,
                since_wet,
            };
            if *hour < since { before.push(found) } else { after.push(found) }
        }
        refine(cause, &before, &after)
    }

    /// Elevation of the sun in the middle of an hour, degrees.
    fn sun(&self, hour: i64) -> f64 {
        let unix = (Time(hour * HOUR) + Span::minutes(30)).seconds();
        let place = meteorology::sun::Place {
            latitude: self.property.latitude,
            longitude: self.property.longitude,
            elevation: self.property.elevation,
            pressure: 1013.0,
            temperature: 10.0,
        };
        90.0 - meteorology::sun::position(unix, meteorology::sun::delta_t(unix), &place).zenith
    }
}

impl Compare {
    /// The median of what the neighbours of a seat said; not a number where nothing. Of
    /// directions the first that is known.
    fn others(&self, rows: &[Row], seat: usize, slot: usize) -> f64 {
        let near = self.seats.near.get(seat).map_or(&[][..], Vec::as_slice);
        let mut values: Vec<f64> =
            near.iter().filter_map(|&n| rows.get(n)?.get(slot).copied().flatten()).collect();
        if slot == DIRECTION {
            return values.first().copied().unwrap_or(f64::NAN);
        }
        values.sort_by(f64::total_cmp);
        let middle = values.len() / 2;
        match (values.get(middle), middle.checked_sub(1).and_then(|m| values.get(m))) {
            (Some(high), Some(low)) if values.len().is_multiple_of(2) => f64::midpoint(*low, *high),
            (Some(value), _) => *value,
            _ => f64::NAN,
        }
    }
}
