//! Every word of the page and the displays, in one place, so that a language can be added:
//! another [`Texts`] beside [`ENGLISH`], in a folder of its own. What is said with figures
//! in it (evidence, outlook) is composed there from numbers, not translated word by word.

mod english;

pub use english::ENGLISH;

use super::figures::Shown;
use super::range::Range;
use crate::page::health::Wrong;
use crate::snapshot::Outlook;
use meteorology::outlook::{Facts, Score};
use observation::signal::direction;
use observation::{Diagnosis, Flag, Quantity, Reason, Statistic};
use quality::diagnosis::Cause;

/// One language.
pub struct Texts {
    /// BCP 47 code.
    pub code: &'static str,
    pub months: [&'static str; 12],
    /// From Monday on.
    pub weekdays: [&'static str; 7],
    /// By number.
    pub flags: [&'static str; 6],
    /// By number.
    pub reasons: [&'static str; 12],
    /// By number.
    pub statistics: [&'static str; 6],
    /// Points of the compass, clockwise from north.
    pub points: [&'static str; 16],
    /// A quantity as people call it.
    pub quantities: fn(Quantity) -> String,
    /// A quantity in a row of figures.
    pub short_quantities: fn(Quantity) -> String,
    /// What a cause is called and means, and what to do about it.
    pub causes: fn(Cause) -> CauseWords,
    /// What a diagnosis rests on, from its numbers; none where they do not tell it.
    pub rests_on: fn(&Diagnosis, &Shown) -> Option<String>,
    /// The facts of an outlook and the chance, where it may be told; empty where nothing
    /// is known.
    pub outlook_facts: fn(&Facts, Option<f64>, &Score, &Shown) -> String,
    /// What is not as it should be; a station by the name that is given.
    pub wrong: fn(&Wrong, &str) -> String,
    pub stations: &'static str,
    pub station: &'static str,
    pub newest: &'static str,
    pub nothing_heard: &'static str,
    pub silent: &'static str,
    pub no_fault: &'static str,
    /// How many more there are.
    pub and_more: fn(usize) -> String,
    pub plots: &'static str,
    pub plot_of: &'static str,
    pub sky_not_observed: &'static str,
    pub calm: &'static str,
    pub over: &'static str,
    pub all_values: &'static str,
    pub instrument: &'static str,
    pub quantity: &'static str,
    pub value: &'static str,
    pub flag: &'static str,
    pub age: &'static str,
    pub rain_day: &'static str,
    pub diagnoses: &'static str,
    pub no_diagnoses: &'static str,
    pub since: &'static str,
    pub size: &'static str,
    pub sureness: &'static str,
    pub evidence: &'static str,
    pub cautions: &'static str,
    pub remedy: &'static str,
    pub whole_station: &'static str,
    pub several: &'static str,
    /// A way past the stations for who goes by keyboard.
    pub skip: &'static str,
    pub panes: &'static str,
    pub earlier: &'static str,
    pub later: &'static str,
    pub ranges: &'static str,
    /// In the order of [`Range::ALL`].
    pub range_names: [&'static str; Range::ALL.len()],
    pub reading_line: &'static str,
    pub temperature_and_dew_point: &'static str,
    pub rain: &'static str,
    pub mean: &'static str,
    pub gust: &'static str,
    pub solid: &'static str,
    pub dashed: &'static str,
    pub thick: &'static str,
    pub per_hour: &'static str,
    pub per_day: &'static str,
    pub lowest: &'static str,
    pub highest: &'static str,
    pub total: &'static str,
    pub at_least: &'static str,
    pub gaps: &'static str,
    pub nothing_kept: &'static str,
    pub outlook_heading: &'static str,
    pub outlook_waits: &'static str,
    pub date: &'static str,
    pub hour: &'static str,
    pub hours_table: &'static str,
    pub doubtful_out: &'static str,
    pub left_out: &'static str,
    pub rose: &'static str,
    pub below: &'static str,
    pub from: &'static str,
    pub variable: &'static str,
    pub usual: &'static str,
    pub missing_hours: &'static str,
    pub incomplete: &'static str,
    pub rose_note: &'static str,
    pub isopleths: &'static str,
    pub isopleths_note: &'static str,
    pub morning: &'static str,
    /// Headings of the morning sheet, with what they stand for.
    pub morning_columns: [(&'static str, &'static str); 9],
    /// What was opened and closed since the evening.
    pub trust: &'static str,
    pub trust_same: &'static str,
    pub no_longer: &'static str,
    pub pairs: &'static str,
    pub pairs_note: &'static str,
    pub learning: &'static str,
    pub pairs_elsewhere: &'static str,
    pub learned: &'static str,
    pub in_this_span: &'static str,
    pub evidence_note: &'static str,
    pub day_table: &'static str,
    pub days_elsewhere: &'static str,
    pub see_panes: &'static str,
    /// Headings of the table of days, with what they stand for.
    pub day_columns: [(&'static str, &'static str); 10],
    pub all: &'static str,
    pub agree: &'static str,
    pub frozen: &'static str,
    pub in_three_hours: &'static str,
    pub rain_24h: &'static str,
    pub no_reading_since: &'static str,
    pub score: &'static str,
    pub not_scored: &'static str,
    pub brier: &'static str,
    pub forecasts: &'static str,
    pub skill: &'static str,
    pub served: &'static str,
    pub history_unread: &'static str,
    pub cut_short: &'static str,
    pub no_safety: &'static str,
    pub time_zone: &'static str,
}

/// What is said of a cause.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct CauseWords {
    /// Its name.
    pub name: String,
    /// What it means.
    pub about: &'static str,
    /// To be read before the remedy; may be empty.
    pub cautions: &'static str,
    /// Where to look, in order, and the usual remedy.
    pub remedy: &'static str,
}

impl Texts {
    /// A quantity as people call it.
    pub fn quantity(&self, quantity: Quantity) -> String {
        (self.quantities)(quantity)
    }

    /// A quantity in a row of figures.
    pub fn short(&self, quantity: Quantity) -> String {
        (self.short_quantities)(quantity)
    }

    /// A flag as a word.
    pub fn flag(&self, flag: Flag) -> &'static str {
        self.flags.get(usize::from(flag.number())).copied().unwrap_or_default()
    }

    /// A reason as a word.
    pub fn reason(&self, reason: Reason) -> &'static str {
        self.reasons.get(reason as usize).copied().unwrap_or_default()
    }

    /// A statistic as words.
    pub fn statistic(&self, statistic: Statistic) -> &'static str {
        self.statistics.get(statistic as usize).copied().unwrap_or_default()
    }

    /// A range as people read it.
    pub fn range(&self, range: Range) -> &'static str {
        let place = Range::ALL.iter().position(|r| *r == range);
        place.and_then(|p| self.range_names.get(p)).copied().unwrap_or_default()
    }

    /// A direction as one of the sixteen points; none for what is no direction.
    pub fn point(&self, degrees: f64) -> Option<&'static str> {
        let point = direction::point_of_sixteen(degrees)?;
        let place = direction::POINTS.iter().position(|p| *p == point)?;
        self.points.get(place).copied()
    }

    /// A direction as one of the eight points.
    pub fn octant(&self, degrees: f64) -> Option<&'static str> {
        let point = direction::point_of_eight(degrees)?;
        let place = direction::POINTS.iter().position(|p| *p == point)?;
        self.points.get(place).copied()
    }

    /// The facts of an outlook and its chance, in units of choice.
    pub fn outlook(&self, outlook: &Outlook, shown: &Shown) -> String {
        (self.outlook_facts)(&outlook.facts, outlook.probability, &outlook.score, shown)
    }

    /// A cause by its name in records; what is not known keeps that name.
    pub fn cause(&self, word: &str) -> String {
        Cause::parse(word).map_or_else(|| word.replace('_', " "), |cause| (self.causes)(cause).name)
    }
}
