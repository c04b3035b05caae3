//! The faults that are injected.

use crate::property::Wrong;
use crate::protocol::HORIZON;
use crate::record::Record;
use observation::{Quantity, Time};
use quality::diagnosis::{Cause, named};
use quality::neighbours::{Kind, State, Suspicion, Values};

/// How a fault changes what a station says.
#[derive(Clone, Copy)]
pub(crate) enum Change {
    /// Adds a constant.
    Add(f64),
    /// Adds so much a day.
    Drift(f64),
    /// Adds a constant, cut at the upper end of the scale.
    AddBelow(f64, f64),
    /// Multiplies.
    Scale(f64),
    /// Turns.
    Turn(f64),
    /// Turns a vane of four switches that are closed over so many degrees each; all vanes
    /// of the record are of that kind then.
    TurnSwitches(f64, f64),
    /// Stands at the last value.
    Hold,
    /// Says nothing but zero.
    Zero,
    /// All channels so many hours late (negative: early).
    Late(i32),
    /// Only the pressure so many hours late.
    PressureLate(i32),
    /// Something physical, of which the station is simulated anew.
    Physical(Wrong, Cause),
}

/// One row of the table.
#[derive(Clone, Copy)]
pub(crate) struct Fault {
    pub(crate) name: &'static str,
    pub(crate) quantity: Quantity,
    pub(crate) change: Change,
    /// What must be found.
    pub(crate) kind: Kind,
}

const fn fault(name: &'static str, quantity: Quantity, change: Change, kind: Kind) -> Fault {
    Fault { name, quantity, change, kind }
}

use Change::{
    Add, AddBelow, Drift, Hold, Late, Physical, PressureLate, Scale, Turn, TurnSwitches, Zero,
};
use Kind::{Blocked, Clock, Offset, Stuck};
use Quantity::{
    AirPressureAtMeanSeaLevel as Pressure, AirTemperature as Temperature,
    DewPointTemperature as DewPoint, PrecipitationDepth as Rain, RelativeHumidity as Humidity,
    WindFromDirection as Direction, WindSpeed as Speed,
};

/// All rows, in the order they are printed in and seeded by.
pub(crate) const FAULTS: [Fault; 27] = [
    fault("T+2", Temperature, Add(2.0), Offset),
    fault("T+3", Temperature, Add(3.0), Offset),
    fault("T+1", Temperature, Add(1.0), Offset),
    fault("T-drift.05", Temperature, Drift(0.05), Offset),
    fault("dew+2", DewPoint, Add(2.0), Offset),
    fault("RH+10", Humidity, Add(10.0), Offset),
    fault("RH+10cut", Humidity, AddBelow(10.0, 100.0), Offset),
    fault("P+1", Pressure, Add(1.0), Offset),
    fault("P+.5", Pressure, Add(0.5), Offset),
    fault("windx.5", Speed, Scale(0.5), Offset),
    fault("windx.7", Speed, Scale(0.7), Offset),
    fault("vane+30", Direction, Turn(30.0), Offset),
    fault("vane+20", Direction, Turn(20.0), Offset),
    fault("stuckT", Temperature, Hold, Stuck),
    fault("stuckRH", Humidity, Hold, Stuck),
    fault("stuckP", Pressure, Hold, Stuck),
    fault("stuckVane", Direction, Hold, Stuck),
    fault("stuckWind", Speed, Hold, Stuck),
    fault("gauge", Rain, Zero, Blocked),
    fault("clock+1", Pressure, Late(1), Clock),
    fault("clock-1", Pressure, Late(-1), Clock),
    fault("clockP+1", Pressure, PressureLate(1), Clock),
    fault("clockP-1", Pressure, PressureLate(-1), Clock),
    fault("vane+45", Direction, Turn(45.0), Offset),
    fault("vane135+45", Direction, TurnSwitches(45.0, 135.0), Offset),
    fault("vane80+45", Direction, TurnSwitches(45.0, 80.0), Offset),
    fault("T-2", Temperature, Add(-2.0), Offset),
];

/// The rows that need a station simulated by the minute, after the others. How much is wrong
/// is invented.
pub(crate) const PHYSICAL: [Fault; 10] = [
    physical("sunlit", Temperature, Wrong::Sunlit(3.0), Cause::SunlitScreen),
    physical("wet", Humidity, Wrong::Wet(0.5), Cause::HumiditySlowToDry),
    physical("lostpulses", Speed, Wrong::Dead(0.02), Cause::CupSlowAtHighWind),
    physical(
        "trees",
        Speed,
        Wrong::Trees { from: 240.0, width: 70.0, heights: 6.0 },
        Cause::MastSheltered,
    ),
    physical("bounce", Rain, Wrong::Bounce, Cause::GaugeCountsTooMuch),
    physical("leak", Rain, Wrong::Leak(0.6), Cause::GaugeCatchesTooLittle),
    physical("sprinkler", Rain, Wrong::Sprinkler(3.0), Cause::GaugeRainAlone),
    physical("deadswitch", Direction, Wrong::DeadSwitch(270.0), Cause::VaneSwitchDead),
    physical("pumped", Pressure, Wrong::Pumped(-1.2), Cause::BarometerPumped),
    physical("warmbox", Pressure, Wrong::WarmBox(0.02), Cause::BarometerWarmed),
];

const fn physical(name: &'static str, quantity: Quantity, wrong: Wrong, cause: Cause) -> Fault {
    fault(name, quantity, Physical(wrong, cause), Offset)
}

/// What a vane of four switches at N, E, S and W says, each closed over an arc but one that
/// may be dead: one closed is its own direction, two neighbours closed are the direction
/// between, none closed is nothing.
pub(crate) fn switches(direction: f64, arc: f64, dead: Option<f64>) -> Option<f64> {
    let closed: Vec<f64> = [0.0, 90.0, 180.0, 270.0]
        .into_iter()
        .filter(|at| {
            let apart = (direction - at + 180.0).rem_euclid(360.0) - 180.0;
            apart.abs() <= arc / 2.0 && dead != Some(*at)
        })
        .collect();
    let found = match closed[..] {
        [one] => one,
        [first, second] if second - first > 180.0 => 315.0,
        [first, second] => f64::midpoint(first, second),
        _ => return None,
    };
    Some(if found == 0.0 { 360.0 } else { found })
}

impl Fault {
    /// Whether it shows under some conditions only.
    pub(crate) const fn condition(&self) -> bool {
        matches!(self.change, Physical(..))
    }

    /// What should be said of it.
    pub(crate) fn cause(&self) -> Cause {
        if let Physical(_, cause) = self.change {
            return cause;
        }
        if let Drift(_) = self.change {
            return Cause::ThermometerDrift;
        }
        named(&Suspicion {
            state: State::Opened,
            station: Some(0),
            quantity: self.quantity,
            kind: self.kind,
            since: Time(0),
            size: None,
            error: None,
            score: 0.0,
            confidence: 1.0,
        })
    }

    /// The arc of the switches where the fault is one of such a vane.
    pub(crate) const fn arc(&self) -> Option<f64> {
        match self.change {
            TurnSwitches(_, arc) => Some(arc),
            _ => None,
        }
    }

    /// The size that should be told, where it is one and the same all the time.
    pub(crate) const fn size(&self) -> Option<f64> {
        match self.change {
            Add(by) | Turn(by) | TurnSwitches(by, _) => Some(by),
            _ => None,
        }
    }

    /// What the station says from `since` on, so many hours long.
    pub(crate) fn applied(&self, record: &Record, station: usize, since: usize) -> Vec<Values> {
        let end = record.hours.len().min(since + HORIZON);
        (since..end).map(|hour| self.apply(record, station, since, hour)).collect()
    }

    fn apply(&self, record: &Record, station: usize, since: usize, hour: usize) -> Values {
        let plain = record.hours[hour][station];
        if hour < since {
            return plain;
        }
        let own = plain.get(self.quantity);
        let mut values = plain;
        let changed = match self.change {
            Add(by) => own + by,
            Drift(a_day) => own + a_day * (hour - since) as f64 / 24.0,
            AddBelow(by, end) => (own + by).min(end),
            Scale(by) => own * by,
            Turn(by) => (own + by).rem_euclid(360.0),
            TurnSwitches(by, arc) => {
                switches(record.directions[hour][station] + by, arc, None).unwrap_or(f64::NAN)
            }
            Zero => 0.0,
            Hold => (0..=since)
                .rev()
                .map(|h| record.hours[h][station].get(self.quantity))
                .find(|v| v.is_finite())
                .unwrap_or(f64::NAN),
            Late(by) => return shifted(record, station, since, hour, by),
            PressureLate(by) => shifted(record, station, since, hour, by).get(self.quantity),
            Physical(..) => own,
        };
        values.set(self.quantity, changed);
        values
    }
}

/// A station whose clock jumped: a late one leaves a gap where it did.
fn shifted(record: &Record, station: usize, since: usize, hour: usize, by: i32) -> Values {
    let from = i64::try_from(hour).unwrap_or(0) - i64::from(by);
    let Ok(from) = usize::try_from(from) else { return Values::MISSING };
    if from < since {
        return Values::MISSING;
    }
    record.hours.get(from).map_or(Values::MISSING, |stations| stations[station])
}
