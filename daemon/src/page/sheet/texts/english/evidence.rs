//! What a diagnosis rests on, in English, said from the numbers that stand beside it in its
//! record; figures are in the units of the page.

use crate::page::sheet::figures::{Shown, capitalised, plain};
use crate::page::sheet::texts::ENGLISH;
use observation::{Diagnosis, Quantity};
use quality::diagnosis::{Cause, CauseGroup};

/// Hours that are told as days.
const IN_DAYS: f64 = 96.0;
/// Directions of the wind from which a mast is sheltered, as their numbers are named.
const SECTORS: [(&str, f64); 8] = [
    ("from_n", 360.0),
    ("from_ne", 45.0),
    ("from_e", 90.0),
    ("from_se", 135.0),
    ("from_s", 180.0),
    ("from_sw", 225.0),
    ("from_w", 270.0),
    ("from_nw", 315.0),
];

/// The sentence; none where the numbers do not tell it: then the record's own words stand.
pub(super) fn told(said: &Diagnosis, shown: &Shown) -> Option<String> {
    let cause = Cause::parse(&said.cause)?;
    let telling = Telling { said, cause, shown };
    let text = if telling.number("cumulative_sum").is_some() {
        telling.of_chart()
    } else if telling.number("score").is_some() {
        telling.of_neighbours()
    } else {
        telling.of_itself()
    }?;
    Some(format!("{}.", capitalised(&text)))
}

struct Telling<'a> {
    said: &'a Diagnosis,
    cause: Cause,
    shown: &'a Shown,
}

impl Telling<'_> {
    fn number(&self, name: &str) -> Option<f64> {
        self.said.evidence.numbers.iter().find(|(n, _)| n == name).map(|(_, number)| *number)
    }

    /// What the cause is told in.
    fn quantity(&self) -> Option<Quantity> {
        use CauseGroup as G;
        Some(match self.cause.group() {
            G::Thermometer | G::Screen => Quantity::AirTemperature,
            G::Humidity if self.cause == Cause::DewPointOffset => Quantity::DewPointTemperature,
            G::Humidity => Quantity::RelativeHumidity,
            G::Barometer => Quantity::SurfaceAirPressure,
            G::Vane => Quantity::WindFromDirection,
            G::TooLittleRain | G::TooMuchRain => Quantity::PrecipitationDepth,
            G::Power => Quantity::BatteryVoltage,
            _ => return None,
        })
    }

    fn by(&self, difference: f64) -> Option<String> {
        Some(self.shown.difference(self.quantity()?, difference, true))
    }

    fn amount(&self, difference: f64) -> Option<String> {
        Some(self.shown.difference(self.quantity()?, difference.abs(), false))
    }

    fn lasted(&self) -> Option<String> {
        let hours = self.number("hours")?;
        Some(if hours < IN_DAYS {
            format!("{hours:.0}\u{a0}h")
        } else {
            format!("{:.0} days", hours / 24.0)
        })
    }

    /// A chart of what shows under one condition.
    fn of_chart(&self) -> Option<String> {
        let size = self.said.size?;
        let times = times(size);
        let found = match self.cause {
            Cause::SunlitScreen => format!(
                "{} in sun and light wind, against what it is at night and was before",
                self.by(size)?
            ),
            Cause::HumiditySlowToDry => format!(
                "{} in the hours after rain or fog, against what it is when dry and was before",
                self.by(size)?
            ),
            Cause::CupSlowAtHighWind => {
                format!("strong wind is {times} what light wind and the days before let expect")
            }
            Cause::CupSticking => {
                format!("light wind is {times} what strong wind and the days before let expect")
            }
            Cause::GaugeCountsTooMuch | Cause::GaugeCatchesTooLittle => {
                format!("rain is {times} what the neighbours and the days before let expect")
            }
            Cause::BarometerPumped => format!(
                "{} in strong wind, against what it is in light wind and was before",
                self.by(size)?
            ),
            Cause::BarometerWarmed => {
                format!("{} in the sun, against what it is at night and was before", self.by(size)?)
            }
            Cause::MastSheltered => format!(
                "wind from around {} is {times} what other sectors and the days before let expect",
                ENGLISH.octant(self.number("sector")?)?
            ),
            Cause::VaneSwitchDead => return self.gap_in_the_rose(size),
            Cause::GaugeRainAlone => return self.rain_alone(size),
            _ => return None,
        };
        let (days, score) = (self.number("days")?, self.number("cumulative_sum")?);
        Some(format!("{found}, on {days:.0} such days (cumulative sum at {score:.1} of its limit)"))
    }

    /// A part of the rose, so many degrees wide, that a vane leaves out.
    fn gap_in_the_rose(&self, width: f64) -> Option<String> {
        let middle = self.number("sector")?;
        let left_out = SECTORS.iter().filter(|(_, degrees)| {
            ((degrees - middle + 180.0).rem_euclid(360.0) - 180.0).abs() <= width / 2.0
        });
        let points: Vec<&str> = left_out.filter_map(|(_, d)| ENGLISH.octant(*d)).collect();
        Some(format!(
            "it left out {} in {:.0}\u{a0}h of wind from there, on {:.0} days, and shows other \
             points as before (cumulative sum at {:.1} of its limit)",
            points.join(", "),
            self.number("hours_seen")?,
            self.number("days")?,
            self.number("cumulative_sum")?
        ))
    }

    /// Rain that no neighbour had.
    fn rain_alone(&self, depth: f64) -> Option<String> {
        let hour = self.number("hour_of_day").map(f64::floor);
        let hour = hour.map(|hour| format!(", mostly around {hour:02.0}:30 UTC"));
        let damp = self
            .number("humidity")
            .map(|damp| format!(", at a relative humidity of {damp:.0}\u{a0}%"));
        Some(format!(
            "{} in {:.0}\u{a0}h on {:.0} days while no neighbour had rain{}{} (cumulative sum at \
             {:.1} of its limit)",
            self.amount(depth)?,
            self.number("hours_seen")?,
            self.number("days")?,
            hour.unwrap_or_default(),
            damp.unwrap_or_default(),
            self.number("cumulative_sum")?
        ))
    }

    /// The comparison with the neighbours, then under which conditions it shows.
    fn of_neighbours(&self) -> Option<String> {
        let mut parts = vec![self.beside_neighbours()?];
        for (first, in_first, second, in_second) in [
            ("in_sun", "in the sun", "at_night", "at night"),
            ("calm_nights", "in calm nights", "windy_nights", "in windy ones"),
            ("in_wind", "in strong wind", "in_calm", "in light wind"),
            ("while_drying", "while its neighbours dry", "when_dry", "when they are dry"),
        ] {
            if let Some((a, b)) = self.number(first).zip(self.number(second)) {
                parts.push(both((self.by(a)?, in_first), (self.by(b)?, in_second)));
            }
        }
        if let Some((a, b)) = self.number("in_light_wind").zip(self.number("in_strong_wind")) {
            parts.push(both((times(a), "in light wind"), (times(b), "in strong wind")));
        }
        if let Some((sheltered, open)) = self.number("sheltered").zip(self.number("open")) {
            parts.push(format!("{} from {}", times(sheltered), self.sectors()?));
            parts.push(format!("{} from the most open sector", times(open)));
        }
        if let Some(a_day) = self.number("a_day") {
            parts.push(format!("grows by {} a day", self.slope(a_day)?));
        }
        if self.number("of_two").is_some() {
            parts.push("of the two it is the one that its own checks doubted".to_owned());
        }
        Some(parts.join("; "))
    }

    fn beside_neighbours(&self) -> Option<String> {
        let (lasted, size) = (self.lasted()?, self.said.size);
        Some(match self.cause {
            Cause::Disagreement => return None,
            Cause::ThermometerStuck
            | Cause::HumidityStuck
            | Cause::BarometerStuck
            | Cause::VaneStuck
            | Cause::CupStuck => {
                format!("it has not moved for {lasted} while its neighbours did")
            }
            Cause::GaugeCatchesTooLittle => format!(
                "no tip in {lasted} in which the neighbours agree on {} of rain",
                self.amount(size?)?
            ),
            Cause::StationClockWrong => {
                let (hours, side) = (size?.abs(), if size? > 0.0 { "late" } else { "early" });
                format!(
                    "changes of pressure fit those of the neighbours when shifted by \
                     {hours:.0}\u{a0}h: the station is {side}"
                )
            }
            Cause::CupFactorWrong
            | Cause::CupSlowAtHighWind
            | Cause::CupSticking
            | Cause::MastSheltered => {
                format!("{} what the neighbours let expect, for {lasted}", times(size?))
            }
            Cause::VaneTurned => {
                let within = self.number("least").zip(self.number("most"));
                let within = within.and_then(|(least, most)| {
                    Some(format!(" (between {} and {})", self.by(least)?, self.by(most)?))
                });
                format!(
                    "{}{} against what the neighbours let expect, for {lasted}",
                    self.by(size?)?,
                    within.unwrap_or_default()
                )
            }
            _ => {
                let side = if size? < 0.0 { "below" } else { "above" };
                format!(
                    "{} {side} what the neighbours let expect, for {lasted}",
                    self.amount(size?)?
                )
            }
        })
    }

    /// What its own values and messages tell.
    fn of_itself(&self) -> Option<String> {
        let percent = |share: f64| format!("{}\u{a0}%", plain(share * 100.0, 0));
        Some(match self.cause {
            Cause::RadioDropouts => format!(
                "of the messages expected {} did not arrive lately, {} ten days before",
                percent(self.number("lost")?),
                percent(self.number("lost_before")?)
            ),
            Cause::BatteryFailing => format!(
                "its lowest voltage of the day fell from {} to {}, by {} a day",
                self.amount(self.number("first")?)?,
                self.amount(self.number("last")?)?,
                self.slope(-self.number("slope")?)?
            ),
            Cause::StationClockWrong => format!(
                "{:.0} samples in a row state a time {} after their arrival; they are set aside",
                self.number("samples")?,
                format_args!("{:.2}\u{a0}h", self.said.size?)
            ),
            // Names of units are in the record's own words.
            Cause::UnitWrong => return None,
            Cause::SensorFault => {
                "five samples in a row are values that a failing sensor returns".to_owned()
            }
            _ => format!("the value has not moved at all for {}", self.lasted()?),
        })
    }

    /// What a day brings is small: two decimals more.
    fn slope(&self, a_day: f64) -> Option<String> {
        let quantity = self.quantity()?;
        let (factor, _) = self.shown.scale(quantity);
        let decimals = self.shown.decimals(quantity) + if a_day.abs() < 1.0 { 2 } else { 0 };
        let text = plain(a_day * factor, decimals.min(3));
        Some(self.shown.behind_difference(quantity, &text))
    }

    fn sectors(&self) -> Option<String> {
        let known = SECTORS.iter().filter(|(name, _)| self.number(name).is_some());
        let names: Vec<&str> = known.filter_map(|(_, degrees)| ENGLISH.octant(*degrees)).collect();
        (!names.is_empty()).then(|| names.join(", "))
    }
}

fn times(ratio: f64) -> String {
    format!("{} times", plain(ratio, 2))
}

/// Two conditions; what is the same in both is said once.
fn both((first, in_first): (String, &str), (second, in_second): (String, &str)) -> String {
    if first == second {
        format!("{first} both {in_first} and {in_second}")
    } else {
        format!("{first} {in_first}, {second} {in_second}")
    }
}

#[cfg(test)]
mod tests;
