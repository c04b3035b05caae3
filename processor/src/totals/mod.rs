//! What people ask a gauge and a cup all day: how much fell in the last hour, the last 24
//! hours, the rain day, the month and the year, how much the rain brought that falls now,
//! and the highest gust.
//!
//! The rule is that of [`crate::summaries`]: they are a function of the readings that
//! stand, the highest revision of each, and of nothing else. Given the same readings in
//! whatever order, after a restart too, they are the same.

mod minutes;

use crate::summaries::Measure;
use meteorology::summaries::Extreme;
use minutes::Minutes;
use observation::property::InstrumentIndex;
use observation::time::{DAY, HOUR, MINUTE};
use observation::{
    DayKind, Division, Property, Quantity, Reading, Series, SeriesIndex, Span, Statistic, Time,
};
use std::collections::BTreeMap;
use std::sync::Arc;

/// How far back single readings are held at least: what arrives late belongs to a span
/// that is still asked for, and rain may have begun before the year did.
const LEAST: Span = Span(32 * DAY);

/// A span that ends now.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Lately {
    /// The last 60 minutes.
    Hour,
    /// The last 24 hours.
    Day,
    /// The rain day that lasts.
    RainDay,
    /// The month of rain days.
    Month,
    /// The year of rain days.
    Year,
}

impl Lately {
    /// All, the shortest first.
    pub const ALL: [Self; 5] = [Self::Hour, Self::Day, Self::RainDay, Self::Month, Self::Year];

    /// The word.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Hour => "hour",
            Self::Day => "day",
            Self::RainDay => "rain_day",
            Self::Month => "month",
            Self::Year => "year",
        }
    }
}

/// A depth since a time.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Fallen {
    /// Since when, excluded.
    pub from: Time,
    /// In steps of the quantity.
    pub steps: i64,
    /// Time of which something is known.
    pub covered: Span,
    /// Time of which nothing is known.
    pub missing: Span,
}

/// Rain between two dry gaps.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Spell {
    /// The minute before the first fall ended, what fell since, and of how much of the time
    /// up to the last fall nothing is known.
    pub fallen: Fallen,
    /// The end of the minute of the last fall.
    pub last_fall: Time,
    /// Whether the dry gap has not yet passed since.
    pub lasts: bool,
}

/// One gauge.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct RainTotals {
    /// The gauge.
    pub instrument: InstrumentIndex,
    /// By [`Lately::ALL`].
    pub fallen: [Fallen; 5],
    /// The rain that falls, else the last.
    pub spell: Option<Spell>,
}

impl RainTotals {
    /// What fell in one of the spans.
    pub const fn of(&self, lately: Lately) -> &Fallen {
        let [hour, day, rain_day, month, year] = &self.fallen;
        match lately {
            Lately::Hour => hour,
            Lately::Day => day,
            Lately::RainDay => rain_day,
            Lately::Month => month,
            Lately::Year => year,
        }
    }

    /// All spans, the shortest first.
    pub fn all(&self) -> impl Iterator<Item = (Lately, &Fallen)> {
        Lately::ALL.into_iter().zip(&self.fallen)
    }
}

/// The highest gust of one cup, in steps, with the end of the minute in which it was
/// reached first. A gust whose window begins before the span is left to the span before.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Gusts {
    /// The series.
    pub series: SeriesIndex,
    /// Of the last 60 minutes.
    pub hour: Option<Extreme>,
    /// Of the civil day.
    pub day: Option<Extreme>,
    /// When that began.
    pub day_from: Time,
}

#[derive(Debug)]
enum Kept {
    Rain(InstrumentIndex, Minutes),
    Gust(BTreeMap<Time, i64>),
}

#[derive(Debug)]
struct Track {
    series: SeriesIndex,
    measure: Measure,
    kept: Kept,
}

/// See the module.
#[derive(Debug)]
pub struct Totals {
    property: Arc<Property>,
    event_gap: Span,
    tracks: Vec<Track>,
    /// By series, the place of its track.
    places: Vec<Option<usize>>,
}

impl Totals {
    /// Nothing known yet. `event_gap` is the dry time that parts two spells of rain.
    pub fn new(property: Arc<Property>, series: &[Series], event_gap: Span) -> Self {
        let mut tracks = Vec::new();
        let places = (0_u32..)
            .zip(series)
            .map(|(index, series)| {
                let kept = if is_rain(series) {
                    Kept::Rain(gauge(&property, series)?, Minutes::default())
                } else if is_gust(series) {
                    Kept::Gust(BTreeMap::new())
                } else {
                    return None;
                };
                let measure = Measure::of(&property, series);
                tracks.push(Track { series: SeriesIndex(index), measure, kept });
                Some(tracks.len() - 1)
            })
            .collect();
        Self { property, event_gap, tracks, places }
    }

    /// The series of rain, and of gusts, that readings are wanted of, and from when on.
    pub fn wanted(&self, now: Time) -> [(Vec<SeriesIndex>, Time); 2] {
        let of = |rain: bool| -> Vec<SeriesIndex> {
            let own = |t: &&Track| matches!(t.kept, Kept::Rain(..)) == rain;
            self.tracks.iter().filter(own).map(|track| track.series).collect()
        };
        [(of(true), self.rain_from(now)), (of(false), self.gusts_from(now))]
    }

    /// Takes up a reading, the highest revision so far. True if it is one that counts here.
    pub fn take(&mut self, reading: &Reading) -> bool {
        let place = self.places.get(reading.series.0 as usize).copied().flatten();
        let Some(track) = place.and_then(|place| self.tracks.get_mut(place)) else { return false };
        let steps = reading.value.filter(|_| reading.flag.counts());
        match (&mut track.kept, steps) {
            (Kept::Rain(_, minutes), steps) => minutes.put(reading.time, steps),
            (Kept::Gust(held), Some(steps)) => {
                held.insert(reading.time, steps);
            }
            (Kept::Gust(held), None) => {
                held.remove(&reading.time);
            }
        }
        true
    }

    /// Lets go of what no span reaches any more.
    pub fn forget(&mut self, now: Time) {
        let (rain, gusts) = (self.rain_from(now), self.gusts_from(now));
        for track in &mut self.tracks {
            match &mut track.kept {
                Kept::Rain(_, minutes) => minutes.forget(rain),
                Kept::Gust(held) => {
                    if held.first_key_value().is_some_and(|(&first, _)| first <= gusts) {
                        *held = held.split_off(&(gusts + Span(1)));
                    }
                }
            }
        }
    }

    /// The rain of every gauge up to a minute that has been evaluated.
    pub fn rain(&self, minute: Time) -> Vec<RainTotals> {
        let totals = |track: &Track| {
            let Kept::Rain(instrument, minutes) = &track.kept else { return None };
            let fallen = Lately::ALL.map(|lately| {
                let from = self.from(lately, minute);
                track.fallen(minutes, from, minute)
            });
            let spell = self.spell(track, minutes, minute);
            Some(RainTotals { instrument: *instrument, fallen, spell })
        };
        self.tracks.iter().filter_map(totals).collect()
    }

    /// The highest gusts up to a minute that has been evaluated.
    pub fn gusts(&self, minute: Time) -> Vec<Gusts> {
        let day = self.property.days.cut(Division::Day, DayKind::Civil, minute + Span(1));
        let gusts = |track: &Track| {
            let Kept::Gust(held) = &track.kept else { return None };
            let highest = |from: Time| {
                let from = from + track.measure.skip() + Span(1);
                let values = held.range(from..=minute.max(from));
                let values = values.map(|(&at, &steps)| Extreme { steps, at });
                values
                    .filter(|e| e.at <= minute)
                    .reduce(|a, b| if b.steps > a.steps { b } else { a })
            };
            Some(Gusts {
                series: track.series,
                hour: highest(minute - Span(HOUR)),
                day: highest(day.from),
                day_from: day.from,
            })
        };
        self.tracks.iter().filter_map(gusts).collect()
    }

    fn from(&self, lately: Lately, now: Time) -> Time {
        let cut = |division| self.property.days.cut(division, DayKind::Rain, now + Span(1)).from;
        match lately {
            Lately::Hour => now - Span(HOUR),
            Lately::Day => now - Span(DAY),
            Lately::RainDay => cut(Division::Day),
            Lately::Month => cut(Division::Month),
            Lately::Year => cut(Division::Year),
        }
    }

    fn rain_from(&self, now: Time) -> Time {
        self.from(Lately::Year, now).min(now - LEAST)
    }

    fn gusts_from(&self, now: Time) -> Time {
        let day = self.property.days.cut(Division::Day, DayKind::Civil, now + Span(1));
        day.from.min(now - Span(HOUR))
    }

    fn spell(&self, track: &Track, minutes: &Minutes, now: Time) -> Option<Spell> {
        let mut falls = minutes.falls(now);
        let last_fall = falls.next()?;
        let mut first = last_fall;
        for fall in falls {
            if first - fall > self.event_gap {
                break;
            }
            first = fall;
        }
        Some(Spell {
            fallen: track.fallen(minutes, first - Span(MINUTE), last_fall),
            last_fall,
            lasts: now - last_fall <= self.event_gap,
        })
    }
}

impl Track {
    fn fallen(&self, minutes: &Minutes, from: Time, to: Time) -> Fallen {
        let (count, steps) = minutes.between(from, to);
        let length = Span((to - from).0.max(0));
        let missing = self.measure.missing(count, length);
        Fallen { from, steps, covered: Span(length.0 - missing.0), missing }
    }
}

fn is_rain(series: &Series) -> bool {
    series.quantity == Quantity::PrecipitationDepth
        && series.statistic == Statistic::Sum
        && series.period == Some(Span(MINUTE))
}

fn is_gust(series: &Series) -> bool {
    series.quantity == Quantity::WindSpeedOfGust && series.statistic == Statistic::Maximum
}

fn gauge(property: &Property, series: &Series) -> Option<InstrumentIndex> {
    let station = property.station(&series.station)?;
    let own =
        |i: &observation::property::Instrument| i.station == station && i.id == series.instrument;
    let place = property.instruments.iter().position(own)?;
    u32::try_from(place).ok().map(InstrumentIndex)
}
