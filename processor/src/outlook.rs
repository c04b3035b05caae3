//! The chance of rain at the property, hour by hour, from the same hours in which stations
//! are judged beside each other.
//!
//! What an hour said is told by one instrument of each kind, the first by the settings
//! that has something to say and is not held to be wrong; the same one through the whole
//! window, so that a change of instruments is no change of the weather. Rain fell where at
//! least half of the gauges had any. A chance is published once, with the readings; what
//! comes late changes none.

use crate::Processor;
use crate::book::Draft;
use crate::compare::Row;
use crate::compare::slots::{DIRECTION, HUMIDITY, PRESSURE, RAIN, SPEED, TEMPERATURE};
use crate::derived::Rows;
use crate::output::Output;
use crate::recall::Recall;
use meteorology::outlook::{Facts, Hour, Place, Score, facts};
use meteorology::saturation::Method;
use meteorology::{humidity, pressure};
use observation::reading::to_steps;
use observation::time::HOUR;
use observation::{
    Flag, Property, Quantity, Reason, Reasons, Series, SeriesIndex, Statistic, Time,
};
use serde::{Deserialize, Serialize};

/// Hours that are looked at: a day and the present one.
const LOOKED_AT: i64 = 25;

/// What lies ahead, as it may be told to people.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Ahead {
    /// End of the hour it was made from.
    pub time: Time,
    /// What is told besides the chance.
    #[serde(default)]
    pub facts: Facts,
    /// Chance of any rain in the twelve hours after, 0 to 1; none until it is proven.
    pub probability: Option<f64>,
}

/// State of the outlook.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct Outlook {
    place: Place,
    ahead: Option<Ahead>,
}

/// The same as it is saved.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SavedOutlook {
    /// Where the property is: what was learned holds there only.
    site: (f64, f64),
    place: Place,
    ahead: Option<Ahead>,
}

/// Adds the series of the chance, filed under the station of the first barometer, where
/// the property measures all that a chance is made of.
pub(crate) fn plan(
    property: &Property,
    series: &mut Vec<Series>,
    derived: &mut [Rows],
) -> Option<SeriesIndex> {
    let first = |quantities: &[Quantity]| {
        property.instruments.iter().find(|i| quantities.contains(&i.quantity))
    };
    let barometer = first(&[Quantity::SurfaceAirPressure, Quantity::AirPressureAtMeanSeaLevel])?;
    for quantity in [
        Quantity::AirTemperature,
        Quantity::RelativeHumidity,
        Quantity::WindSpeed,
        Quantity::PrecipitationDepth,
    ] {
        first(&[quantity])?;
    }
    let place = usize::from(barometer.station.0);
    let station = property.stations.get(place)?;
    let index = SeriesIndex(u32::try_from(series.len()).unwrap_or(u32::MAX));
    let quantity = Quantity::ProbabilityOfPrecipitation;
    series.push(Series {
        station: station.id.clone(),
        instrument: quantity.name().to_owned(),
        quantity,
        statistic: Statistic::Point,
        over: None,
        period: None,
    });
    // Forgotten with what else the station derives.
    derived.get_mut(place)?.made.push(index);
    Some(index)
}

impl Processor {
    /// What lies ahead; none before the first hour is over.
    pub const fn ahead(&self) -> Option<&Ahead> {
        self.outlook.ahead.as_ref()
    }

    /// What the chances given here were worth, and from how many own hours was learned.
    pub const fn outlook_score(&self) -> (&Score, u64) {
        (self.outlook.place.score(), self.outlook.place.learned())
    }

    /// Looks ahead from an hour that was judged just now.
    pub(crate) fn look_ahead(&mut self, hour: i64, recall: &mut dyn Recall, out: &mut Output) {
        let hours = self.hours_up_to(hour);
        let time = Time((hour + 1) * HOUR);
        let facts = facts(&hours, self.property.latitude);
        let told = self.outlook.place.take(hour, &hours);
        let proven = told.filter(|told| told.proven).map(|told| told.chance);
        if facts != nothing(&facts) {
            self.outlook.ahead = Some(Ahead { time, facts, probability: proven });
        }
        let (Some(series), Some(told)) = (self.plan.outlook, told) else { return };
        let steps = to_steps(told.chance * 100.0, Quantity::ProbabilityOfPrecipitation.decimals());
        let (flag, reasons) = if told.proven {
            (Flag::Unchecked, Reasons::NONE)
        } else {
            (Flag::Doubtful, Reasons::from(Reason::Incomplete))
        };
        let draft = Draft { series, time, value: steps, flag, reasons, made_by: 0 };
        self.book.publish(draft, true, recall, &mut out.readings);
    }

    /// What was said in the hours up to one, oldest first.
    fn hours_up_to(&self, hour: i64) -> Vec<Hour> {
        let rows = &self.compare.rows;
        let of = |hour: i64| rows.iter().rev().find(|(h, _)| *h == hour).map(|(_, r)| r);
        let now = of(hour);
        let seat = |slot: usize| self.speaker(now?, slot);
        let seats = [PRESSURE, TEMPERATURE, HUMIDITY, SPEED, DIRECTION].map(seat);
        let said = |row: Option<&Vec<Row>>, place: usize, slot: usize| {
            let seat = seats.get(place).copied().flatten()?;
            row?.get(seat)?.get(slot).copied().flatten()
        };
        // One temperature for the whole window: a pressure that is reduced with each hour's
        // own would change with it.
        let air = said(now, 1, TEMPERATURE);
        let at_sea = |value: f64| self.at_sea(seats.first().copied().flatten()?, value, air?);
        (hour + 1 - LOOKED_AT..=hour)
            .map(|hour| {
                let row = of(hour);
                let temperature = said(row, 1, TEMPERATURE);
                let humidity = said(row, 2, HUMIDITY);
                let damp = temperature.zip(humidity.filter(|h| *h > 0.0));
                Hour {
                    pressure: said(row, 0, PRESSURE).and_then(at_sea),
                    temperature,
                    humidity,
                    dew_point: damp.and_then(|(t, h)| humidity::dew_point(Method::Wmo8, t, h).ok()),
                    speed: said(row, 3, SPEED),
                    direction: said(row, 4, DIRECTION),
                    rain: row.and_then(|row| self.rain_of(row)),
                }
            })
            .collect()
    }

    /// The first seat that says something in a slot and is not held to be wrong.
    fn speaker(&self, rows: &[Row], slot: usize) -> Option<usize> {
        (0..rows.len()).find(|&seat| {
            rows.get(seat).is_some_and(|row| row.get(slot).is_some_and(Option::is_some))
                && !self.is_wrong(seat, slot)
        })
    }

    /// Depth on which at least half of the gauges agree that it rained, mm.
    fn rain_of(&self, rows: &[Row]) -> Option<f64> {
        let mut depths: Vec<f64> = rows
            .iter()
            .enumerate()
            .filter(|(seat, _)| !self.is_wrong(*seat, RAIN))
            .filter_map(|(_, row)| row.get(RAIN).copied().flatten())
            .collect();
        depths.sort_by(f64::total_cmp);
        depths.get(depths.len() / 2).copied()
    }

    /// A pressure as it is compared, which is at the property's own level unless it came
    /// reduced, at mean sea level.
    fn at_sea(&self, seat: usize, value: f64, air: f64) -> Option<f64> {
        match self.compare.seats.voice(seat, PRESSURE)?.rise {
            Some(_) => pressure::at_height(value, air, -self.property.elevation).ok(),
            None => Some(value),
        }
    }

    pub(crate) fn save_outlook(&self) -> SavedOutlook {
        SavedOutlook {
            site: self.site(),
            place: self.outlook.place.clone(),
            ahead: self.outlook.ahead.clone(),
        }
    }

    pub(crate) fn restore_outlook(&mut self, saved: Option<&SavedOutlook>) {
        let fits = |s: &&SavedOutlook| s.site == self.site() && s.place.is_sound();
        if let Some(saved) = saved.filter(fits) {
            self.outlook.place = saved.place.clone();
            self.outlook.ahead.clone_from(&saved.ahead);
        }
    }

    fn site(&self) -> (f64, f64) {
        (self.property.latitude, self.property.longitude)
    }
}

/// Facts of which none is known.
fn nothing(facts: &Facts) -> Facts {
    Facts { change_hours: facts.change_hours, ..Facts::default() }
}
