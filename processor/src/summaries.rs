//! Summaries of readings by hour, day, month and year: what of a series goes into them,
//! and what they say.
//!
//! The rule: a summary is a function of the readings that stand, the highest revision of
//! each, and of nothing else. So it makes no difference in which order they came, and a
//! late sample changes exactly the summaries that its readings lie in.

use meteorology::summaries::{Extreme, LEAST_SHARE, Summary};
use observation::days::{Cut, DayKind, Days, Division};
use observation::property::{Instrument, Reports, Station};
use observation::reading::{from_steps, to_steps};
use observation::signal::direction;
use observation::time::{HOUR, MINUTE};
use observation::{Property, Quantity, Reading, Series, SeriesIndex, Span, Statistic, Time};
use std::collections::BTreeMap;

/// How a series is summarised.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Measure {
    /// Time between two readings while all goes well; none where they come at no
    /// intervals.
    pub spacing: Option<Span>,
    /// How long after its start a span takes no reading: a greatest value whose window
    /// reaches back before the start may belong to the span before.
    skip: Span,
    quantity: Quantity,
    statistic: Statistic,
}

/// What a summary says, in steps of its quantity where a value is meant.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Figures {
    /// Readings that count: good and unchecked ones.
    pub count: u64,
    /// Readings that there would be if none were missing; none where they come at no
    /// intervals.
    pub expected: Option<u64>,
    /// Readings with a value that do not count.
    pub left_out: u64,
    /// The lowest and when it was reached first.
    pub minimum: Option<Extreme>,
    /// The highest and when it was reached first.
    pub maximum: Option<Extreme>,
    /// Mean of all readings (of directions the vector mean), if enough came.
    pub mean: Option<i64>,
    /// Half the sum of both extremes, if enough came.
    pub middle_of_extremes: Option<i64>,
    /// The sum, of what is a sum.
    pub sum: Option<i64>,
    /// Time of which nothing is known, of what is a sum.
    pub missing: Option<Span>,
}

impl Measure {
    /// Of a series of a property, or of one that its settings do not know any more.
    pub fn of(property: &Property, series: &Series) -> Self {
        let station = property
            .station(&series.station)
            .and_then(|s| property.stations.get(usize::from(s.0)).map(|station| (s, station)));
        let instrument = station.and_then(|(index, _)| {
            let own = |i: &&Instrument| i.station == index && i.id == series.instrument;
            property.instruments.iter().find(own)
        });
        let greatest = series.statistic == Statistic::Maximum;
        let skip = series.period.filter(|_| greatest).unwrap_or_default();
        Self {
            spacing: station
                .and_then(|(_, station)| spacing(property, station, instrument, series)),
            skip: Span((skip.0 - MINUTE).max(0)),
            quantity: series.quantity,
            statistic: series.statistic,
        }
    }

    /// The kinds of days that a series is summarised by where none is asked for.
    pub fn kinds(&self, days: &Days, division: Division) -> Vec<DayKind> {
        let mut kinds = vec![DayKind::Civil];
        if division != Division::Hour {
            let more: &[DayKind] = match self.quantity {
                Quantity::PrecipitationDepth => &[DayKind::Rain],
                Quantity::AirTemperature | Quantity::GrassTemperature => {
                    &[DayKind::Maximum, DayKind::Minimum]
                }
                _ => &[],
            };
            let civil = days.start(DayKind::Civil);
            kinds.extend(more.iter().filter(|&&kind| days.start(kind) != civil));
        }
        kinds
    }

    /// Whether a reading at an instant belongs to a span.
    pub fn takes(&self, cut: &Cut, time: Time) -> bool {
        time > cut.from + self.skip && time <= cut.to
    }

    /// Adds a reading that belongs to the span.
    pub fn add(&self, summary: &mut Summary, reading: &Reading) {
        match reading.value {
            Some(steps) if reading.flag.counts() && self.quantity.is_direction() => {
                summary.add_direction(from_steps(steps, self.quantity.decimals()));
            }
            Some(steps) if reading.flag.counts() => summary.add(steps, reading.time),
            Some(_) => summary.leave_out(),
            None => {}
        }
    }

    /// Takes back a reading that was added. False if the summary must be gathered anew.
    #[must_use]
    pub fn remove(&self, summary: &mut Summary, reading: &Reading) -> bool {
        match reading.value {
            Some(steps) if reading.flag.counts() && self.quantity.is_direction() => {
                summary.remove_direction(from_steps(steps, self.quantity.decimals()));
                true
            }
            Some(steps) if reading.flag.counts() => summary.remove(steps, reading.time),
            Some(_) => {
                summary.leave_out_no_more();
                true
            }
            None => true,
        }
    }

    /// How many readings a length of time should bring.
    fn expected(&self, length: Span) -> Option<u64> {
        self.spacing.map(|spacing| u64::try_from(length.0 / spacing.0.max(1)).unwrap_or_default())
    }

    /// Of how much of a length of time nothing is known if so many readings of it count.
    pub(crate) fn missing(&self, count: u64, length: Span) -> Span {
        let lacking = self.expected(length).unwrap_or_default().saturating_sub(count);
        let lacking = i64::try_from(lacking).unwrap_or(i64::MAX);
        Span(lacking.saturating_mul(self.spacing.unwrap_or_default().0)).min(length)
    }

    /// How long after its start a span takes no reading.
    pub(crate) const fn skip(&self) -> Span {
        self.skip
    }

    /// What a summary of a span says at an instant: of a span that still lasts no more is
    /// expected than its part up to then.
    pub fn figures(&self, summary: &Summary, cut: &Cut, now: Time) -> Figures {
        let until = now.min(cut.to);
        let length = Span((until - (cut.from + self.skip)).0.max(0));
        let expected = self.expected(length);
        let of = summary.with_expected(expected.unwrap_or_default());
        let known = expected.is_some_and(|e| e > 0);
        let decimals = self.quantity.decimals();
        let whole =
            |steps: Option<f64>| steps.filter(|_| known).and_then(|steps| to_steps(steps, 0));
        let is_sum = self.statistic == Statistic::Sum;
        let mean = if self.quantity.is_direction() {
            let degrees = of.direction(LEAST_SHARE).filter(|_| known);
            degrees.and_then(|degrees| direction::to_steps(degrees, decimals))
        } else {
            whole(of.mean(LEAST_SHARE)).filter(|_| !is_sum)
        };
        Figures {
            count: of.count(),
            expected,
            left_out: of.left_out(),
            minimum: of.minimum(),
            maximum: of.maximum(),
            mean,
            middle_of_extremes: whole(of.middle_of_extremes(LEAST_SHARE)).filter(|_| !is_sum),
            sum: is_sum.then(|| i64::try_from(of.sum()).unwrap_or(i64::MAX)),
            missing: is_sum.then(|| self.missing(of.count(), length)),
        }
    }
}

/// Time between two readings of a series.
fn spacing(
    property: &Property,
    station: &Station,
    instrument: Option<&Instrument>,
    series: &Series,
) -> Option<Span> {
    // Once a minute in which the station was heard.
    let heard = station.interval.max(Span(MINUTE));
    if series.quantity == Quantity::ProbabilityOfPrecipitation {
        return Some(Span(HOUR));
    }
    let Some(instrument) = instrument else {
        return Some(series.period.filter(|_| series.statistic == Statistic::Sum).unwrap_or(heard));
    };
    let own = instrument.quantity == series.quantity;
    let windowed = !own
        || matches!(
            series.quantity,
            Quantity::WindSpeed
                | Quantity::WindFromDirection
                | Quantity::WindSpeedOfGust
                | Quantity::PrecipitationDepth
        );
    let periodic = matches!(instrument.reports, Reports::Periodic);
    if windowed {
        Some(if periodic { heard.max(instrument.interval) } else { heard })
    } else if !periodic {
        None
    } else if series.statistic == Statistic::Mean && series.period == Some(property.point_step) {
        Some(instrument.interval.max(property.point_step))
    } else {
        Some(instrument.interval)
    }
}

/// One summary.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Summarised {
    /// The series.
    pub series: SeriesIndex,
    /// What its days are cut for.
    pub kind: DayKind,
    /// The span.
    pub cut: Cut,
    /// What is in it.
    pub summary: Summary,
}

/// Gathers readings into the summaries of one division. Give it each reading once, in its
/// highest revision, in any order.
#[derive(Debug)]
pub struct Gathering<'a> {
    days: &'a Days,
    division: Division,
    kind: Option<DayKind>,
    held: BTreeMap<(SeriesIndex, DayKind, Time), (Cut, Summary)>,
}

impl<'a> Gathering<'a> {
    /// Nothing gathered yet. `kind` says by which days; none for those that are usual for
    /// each series.
    pub const fn new(days: &'a Days, division: Division, kind: Option<DayKind>) -> Self {
        Self { days, division, kind, held: BTreeMap::new() }
    }

    /// Takes a reading of a series that is measured so.
    pub fn take(&mut self, reading: &Reading, measure: &Measure) {
        let usual = match self.kind {
            Some(_) => Vec::new(),
            None => measure.kinds(self.days, self.division),
        };
        for kind in self.kind.into_iter().chain(usual) {
            // The span taken last of the series is nearly always the one.
            let last = (reading.series, kind, reading.time);
            let near = self.held.range_mut(..last).next_back().filter(|((series, of, _), held)| {
                *series == reading.series && *of == kind && reading.time <= held.0.to
            });
            let (cut, summary) = if let Some((_, held)) = near {
                (held.0, &mut held.1)
            } else {
                let cut = self.days.cut(self.division, kind, reading.time);
                let new = || (cut, Summary::default());
                let held = self.held.entry((reading.series, kind, cut.from)).or_insert_with(new);
                (held.0, &mut held.1)
            };
            if measure.takes(&cut, reading.time) {
                measure.add(summary, reading);
            }
        }
    }

    /// How many summaries there are.
    pub fn len(&self) -> usize {
        self.held.len()
    }

    /// Whether there is none.
    pub fn is_empty(&self) -> bool {
        self.held.is_empty()
    }

    /// The summaries by series, kind and time.
    pub fn finish(self) -> Vec<Summarised> {
        self.held
            .into_iter()
            .map(|((series, kind, _), (cut, summary))| Summarised { series, kind, cut, summary })
            .collect()
    }
}

/// The spans that have a part in `[from, to)`, cut by days of some kinds: from where to
/// where readings are needed for all of them.
pub fn reach(days: &Days, division: Division, kind: Option<DayKind>, from: Time, to: Time) -> Cut {
    let kinds = kind.map_or_else(|| DayKind::ALL.to_vec(), |kind| vec![kind]);
    let first = kinds.iter().map(|&kind| days.cut(division, kind, from + Span(1)).from).min();
    let last = kinds.iter().map(|&kind| days.cut(division, kind, to).to).max();
    let date = days.zone.date(from);
    Cut { from: first.unwrap_or(from), to: last.unwrap_or(to), date }
}
