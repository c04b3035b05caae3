//! Under which conditions an instrument that is off is off: its hours of the last month
//! beside those of its neighbours, before the change and after it.

use super::slow::values;
use crate::Processor;
use observation::Time;
use observation::time::HOUR;
use quality::diagnosis::{Cause, Refined, View, parted, refine};
use quality::neighbours::{Kind, Suspicion, Values};

/// The causes that one suspicion of a constant offset may turn out to be.
pub(super) const fn family(cause: Cause) -> &'static [Cause] {
    use Cause as C;
    match cause {
        C::ThermometerOffset => {
            &[C::ThermometerOffset, C::ThermometerDrift, C::SunlitScreen, C::SelfHeating]
        }
        C::HumidityOffset => &[C::HumidityOffset, C::HumidityDrift, C::HumiditySlowToDry],
        C::BarometerOffset => {
            &[C::BarometerOffset, C::BarometerDrift, C::BarometerPumped, C::BarometerWarmed]
        }
        C::CupFactorWrong => {
            &[C::CupFactorWrong, C::CupSlowAtHighWind, C::CupSticking, C::MastSheltered]
        }
        C::DewPointOffset => &[C::DewPointOffset],
        C::VaneTurned => &[C::VaneTurned, C::VaneSwitchDead],
        C::ThermometerStuck => &[C::ThermometerStuck],
        C::HumidityStuck => &[C::HumidityStuck],
        C::BarometerStuck => &[C::BarometerStuck],
        C::CupStuck => &[C::CupStuck],
        C::VaneStuck => &[C::VaneStuck, C::VaneSwitchDead],
        C::GaugeCatchesTooLittle | C::GaugeCountsTooMuch => {
            &[C::GaugeCatchesTooLittle, C::GaugeCountsTooMuch]
        }
        C::GaugeRainAlone => &[C::GaugeRainAlone],
        C::StationClockWrong => &[C::StationClockWrong],
        _ => &[C::Disagreement],
    }
}

/// What a cause that a chart tells takes the place of.
pub(super) const fn replaced(cause: Cause) -> &'static [Cause] {
    match cause {
        // A vane of a dead switch seems turned, or to stand still, by turns.
        Cause::VaneSwitchDead => &[Cause::VaneTurned, Cause::VaneStuck],
        _ => family(base(cause)),
    }
}

/// The plain offset of which a cause is a more telling one.
pub(super) const fn base(cause: Cause) -> Cause {
    use Cause as C;
    match cause {
        C::ThermometerDrift | C::SunlitScreen | C::SelfHeating => C::ThermometerOffset,
        C::HumidityDrift | C::HumiditySlowToDry => C::HumidityOffset,
        C::BarometerDrift | C::BarometerPumped | C::BarometerWarmed => C::BarometerOffset,
        C::VaneSwitchDead => C::VaneTurned,
        C::CupSlowAtHighWind | C::CupSticking | C::MastSheltered => C::CupFactorWrong,
        _ => cause,
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
            | C::BarometerPumped
            | C::BarometerWarmed
            | C::HumiditySlowToDry
            | C::CupSlowAtHighWind
            | C::CupSticking
            | C::MastSheltered
            | C::VaneSwitchDead
    )
}

impl Processor {
    /// A more telling cause of an offset, if the conditions tell one.
    pub(super) fn refined(
        &self,
        suspicion: &Suspicion,
        cause: Cause,
        since: Time,
    ) -> Option<Refined> {
        let station = suspicion.station?;
        if suspicion.kind != Kind::Offset {
            return None;
        }
        let past = self.compare.past.iter().map(|(hour, rows)| {
            (*hour, |seat: usize| rows.get(seat).map_or(Values::MISSING, values))
        });
        let month = parted(
            past,
            &View {
                station,
                quantity: suspicion.quantity,
                near: self.compare.seats.near.get(station).map_or(&[][..], Vec::as_slice),
                place: (self.property.latitude, self.property.longitude),
                since: since.0.div_euclid(HOUR),
            },
        );
        refine(cause, &month)
    }
}
