//! What the settings ask for, worked out once: every series there will ever be, and
//! what each instrument and channel needs for them.

use crate::derived::{Absent, Rows};
use crate::judge::SUPPLY;
use observation::property::{Instrument, Reports, Signal, Transfer};
use observation::signal::calibration::active;
use observation::signal::cup::resolvable;
use observation::signal::limits::Limits;
use observation::signal::vane::Vane;
use observation::time::MINUTE;
use observation::unit::Scale;
use observation::{
    ChannelIndex, Property, Quantity, Series, SeriesIndex, Span, Statistic, Time, Unit,
};

/// Averaging time of a gust where the settings give none (WMO-No. 8, chapter 5: the
/// highest three-second running mean; from memory).
const GUST_OVER: Span = Span::seconds(3);
/// How far before its window an evaluation looks, for what the first sample follows
/// from. Samples are kept twice as long, so that a window that ended so long ago finds
/// all of it.
pub(crate) const CONTEXT: Span = Span::minutes(10);
/// Two minutes, the short mean of wind (WMO-No. 8, annex 1.A; from memory).
pub(crate) const SHORT: Span = Span::minutes(2);
/// Ten minutes, the long mean of wind (same).
pub(crate) const LONG: Span = Span::minutes(10);
/// Three hours, the period of the pressure tendency (WMO code table 0200).
pub(crate) const TENDENCY: Span = Span::hours(3);

/// How long readings are remembered, so that a later evaluation is a revision only
/// where something changed; what is older is asked of the log.
const REMEMBERED: Span = Span::minutes(45);
/// How long a pressure that is told on change stands for the present one.
pub(crate) const UNCHANGED: Span = Span::hours(1);

/// What an instrument's channel becomes.
#[derive(Debug)]
pub(crate) enum Work {
    /// Every sample is a reading.
    Point { point: SeriesIndex },
    /// One reading a step.
    Mean { mean: SeriesIndex, step: Span },
    /// The greatest of ten minutes, of samples that are gusts themselves.
    Greatest { maximum: SeriesIndex },
    /// Means and gust of a wind speed.
    Wind { short: SeriesIndex, long: SeriesIndex, gust: SeriesIndex, over: Span },
    /// Mean and spread of a direction; the vane where it has switches.
    Direction { mean: SeriesIndex, spread: SeriesIndex, vane: Option<Box<Vane>> },
    /// Depth of a minute and rate.
    Rain { sum: SeriesIndex, rate: SeriesIndex },
}

/// One instrument, ready to work.
#[derive(Debug)]
pub(crate) struct Part {
    /// What its channel becomes.
    pub(crate) work: Work,
    /// From the raw unit to the canonical one, or to hertz for a frequency.
    pub(crate) scale: Scale,
    /// Place of the station.
    pub(crate) station: usize,
    /// Whether a running total or a count is behind it.
    pub(crate) counts: bool,
}

impl Part {
    /// The series that tells whether the instrument speaks.
    pub(crate) const fn first(&self) -> SeriesIndex {
        match self.work {
            Work::Point { point } => point,
            Work::Mean { mean, .. } | Work::Direction { mean, .. } => mean,
            Work::Greatest { maximum } => maximum,
            Work::Wind { long, .. } => long,
            Work::Rain { sum, .. } => sum,
        }
    }

    /// Whether its samples make a tally: counts, or depths of rain.
    pub(crate) const fn has_tally(&self) -> bool {
        self.counts || matches!(self.work, Work::Rain { .. })
    }

    /// The longest window.
    pub(crate) const fn period(&self) -> Span {
        match self.work {
            Work::Point { .. } => Span::ZERO,
            Work::Mean { step, .. } => step,
            Work::Greatest { .. } | Work::Wind { .. } | Work::Direction { .. } => LONG,
            Work::Rain { .. } => Span(MINUTE),
        }
    }
}

/// One channel.
#[derive(Debug, Default)]
pub(crate) struct Line {
    /// The instruments it feeds.
    pub(crate) instruments: Vec<usize>,
    /// How long its samples are kept in memory; zero for none.
    pub(crate) horizon: Span,
    /// Expected time between samples where it is periodic.
    pub(crate) periodic: Option<Span>,
    /// Its place among the channels of its station.
    pub(crate) local: u16,
}

impl Line {
    /// Whether its samples are kept in memory.
    pub(crate) const fn is_kept(&self) -> bool {
        self.horizon.0 > 0
    }
}

/// Everything that does not change while the settings stand.
#[derive(Debug)]
pub(crate) struct Plan {
    pub(crate) series: Vec<Series>,
    pub(crate) parts: Vec<Part>,
    pub(crate) lines: Vec<Line>,
    /// Instruments of each station, wind before direction.
    pub(crate) by_station: Vec<Vec<usize>>,
    /// How long the readings of each series are remembered.
    pub(crate) memory: Vec<Span>,
    /// What each station derives.
    pub(crate) derived: Vec<Rows>,
    /// What is not derived, and why.
    pub(crate) absent: Vec<Absent>,
    /// The chance of rain, where all that it is made of is measured.
    pub(crate) outlook: Option<SeriesIndex>,
}

struct List<'a> {
    property: &'a Property,
    series: Vec<Series>,
}

impl List<'_> {
    fn add(
        &mut self,
        instrument: &Instrument,
        quantity: Quantity,
        statistic: Statistic,
        over: Option<Span>,
        period: Option<Span>,
    ) -> SeriesIndex {
        let station = self
            .property
            .stations
            .get(usize::from(instrument.station.0))
            .map_or_else(String::new, |s| s.id.clone());
        let index = SeriesIndex(u32::try_from(self.series.len()).unwrap_or(u32::MAX));
        let name = instrument.id.clone();
        self.series.push(Series { station, instrument: name, quantity, statistic, over, period });
        index
    }
}

fn counts(signal: &Signal) -> bool {
    matches!(
        signal,
        Signal::PulseTotal { .. }
            | Signal::PulseCount
            | Signal::ChangeTotal { .. }
            | Signal::ChangeCount
            | Signal::ChangeState
    )
}

/// Whether the samples themselves are kept, not means of steps: on change or adaptive,
/// or periodic no faster than a step.
fn as_points(instrument: &Instrument, step: Span) -> bool {
    !matches!(instrument.reports, Reports::Periodic) || instrument.interval >= step
}

fn work(list: &mut List<'_>, instrument: &Instrument) -> Work {
    let step = list.property.point_step;
    let quantity = instrument.quantity;
    let mean = |list: &mut List<'_>, period| {
        list.add(instrument, quantity, Statistic::Mean, None, Some(period))
    };
    match quantity {
        Quantity::WindSpeed => {
            let over = if matches!(instrument.signal, Signal::Value | Signal::Ratio(_)) {
                instrument.over.unwrap_or(instrument.interval)
            } else {
                resolvable(instrument.over.unwrap_or(GUST_OVER), instrument.interval)
            };
            let gust = Quantity::WindSpeedOfGust;
            Work::Wind {
                short: mean(list, SHORT),
                long: mean(list, LONG),
                gust: list.add(instrument, gust, Statistic::Maximum, Some(over), Some(LONG)),
                over,
            }
        }
        Quantity::WindFromDirection => Work::Direction {
            mean: mean(list, LONG),
            spread: list.add(instrument, quantity, Statistic::StandardDeviation, None, Some(LONG)),
            vane: match &instrument.signal {
                Signal::Switches(switches) => {
                    Vane::new(switches, instrument.mounting).map(Box::new)
                }
                _ => None,
            },
        },
        Quantity::WindSpeedOfGust => {
            let over = instrument.over.or(Some(instrument.interval));
            Work::Greatest {
                maximum: list.add(instrument, quantity, Statistic::Maximum, over, Some(LONG)),
            }
        }
        Quantity::PrecipitationDepth => Work::Rain {
            sum: list.add(instrument, quantity, Statistic::Sum, None, Some(Span(MINUTE))),
            rate: list.add(instrument, Quantity::RainfallRate, Statistic::Point, None, None),
        },
        _ if as_points(instrument, step) => {
            let statistic = instrument.statistic;
            let (over, period) =
                if statistic == Statistic::Point { (None, None) } else { (None, instrument.over) };
            Work::Point { point: list.add(instrument, quantity, statistic, over, period) }
        }
        _ => Work::Mean { mean: mean(list, step), step },
    }
}

impl Plan {
    pub(crate) fn new(property: &Property) -> Self {
        let mut list = List { property, series: Vec::new() };
        let mut lines: Vec<Line> = property.channels.iter().map(|_| Line::default()).collect();
        let mut locals = vec![0_u16; property.stations.len()];
        for (line, channel) in lines.iter_mut().zip(&property.channels) {
            if let Some(next) = locals.get_mut(usize::from(channel.station.0)) {
                line.local = *next;
                *next = next.saturating_add(1);
            }
        }
        let mut parts = Vec::new();
        let mut by_station = vec![Vec::new(); property.stations.len()];
        for (place, instrument) in property.instruments.iter().enumerate() {
            let work = work(&mut list, instrument);
            let station = usize::from(instrument.station.0);
            let part = Part {
                scale: scale(instrument),
                station,
                counts: counts(&instrument.signal),
                work,
            };
            if let Some(line) = lines.get_mut(instrument.channel.0 as usize) {
                line.horizon = line.horizon.max(part.period() + CONTEXT + CONTEXT);
                line.instruments.push(place);
                if matches!(instrument.reports, Reports::Periodic) {
                    line.periodic = Some(instrument.interval);
                }
            }
            if let Some(list) = by_station.get_mut(station) {
                list.push(place);
            }
            parts.push(part);
        }
        for list in &mut by_station {
            list.sort_by_key(|&p| {
                matches!(parts.get(p).map(|p| &p.work), Some(Work::Direction { .. }))
            });
        }
        // A ratio needs the supply of its own time.
        for instrument in &property.instruments {
            if let Signal::Ratio(ratio) = &instrument.signal
                && let Some(supply) = ratio.supply
                && let Some(line) = lines.get_mut(supply.0 as usize)
            {
                line.horizon = line.horizon.max(LONG + CONTEXT + CONTEXT) + SUPPLY;
            }
        }
        let (mut derived, absent) = crate::derived::all(property, &parts, &mut list.series);
        let outlook = crate::outlook::plan(property, &mut list.series, &mut derived);
        let mut memory = vec![REMEMBERED; list.series.len()];
        for (series, depth) in derived.iter().flat_map(|rows| &rows.needs) {
            // What is derived from them is asked for also of a late minute.
            if let Some(memory) = memory.get_mut(series.0 as usize) {
                *memory = (*memory).max(*depth + REMEMBERED);
            }
        }
        Self { series: list.series, parts, lines, by_station, memory, derived, absent, outlook }
    }

    pub(crate) fn line(&self, channel: ChannelIndex) -> Option<&Line> {
        self.lines.get(channel.0 as usize)
    }
}

fn scale(instrument: &Instrument) -> Scale {
    let target = match instrument.signal {
        Signal::Frequency => "Hz",
        _ if counts(&instrument.signal) => return Scale::SAME,
        Signal::Switches(_) | Signal::Ratio(_) => return Scale::SAME,
        _ => instrument.quantity.unit(),
    };
    Unit::parse(target)
        .ok()
        .and_then(|target| instrument.unit.scale_to(&target))
        .unwrap_or(Scale::SAME)
}

/// The limits of a counter at an instant.
pub(crate) fn limits(instrument: &Instrument, at: Time) -> Limits {
    let bits = match instrument.signal {
        Signal::PulseTotal { bits } | Signal::ChangeTotal { bits } => bits,
        _ => 64,
    };
    let transfer = active(&instrument.calibrations, at).map(|a| a.transfer);
    Limits::of(bits, instrument.dead_time, transfer)
}

/// Depth of one change at an instant and what made it; none without a calibration.
pub(crate) fn depth(instrument: &Instrument, at: Time) -> Option<(f64, u32)> {
    let active = active(&instrument.calibrations, at)?;
    match *active.transfer {
        Transfer::Depth(depth) => Some((depth, active.made_by)),
        _ => None,
    }
}

impl Part {
    /// The series of the rate of rain.
    pub(crate) const fn rate(&self) -> Option<SeriesIndex> {
        match self.work {
            Work::Rain { rate, .. } => Some(rate),
            _ => None,
        }
    }

    /// The series made of the instrument's own samples.
    pub(crate) fn series(&self) -> impl Iterator<Item = SeriesIndex> + use<> {
        let own = match self.work {
            Work::Point { point } => [Some(point), None, None],
            Work::Mean { mean, .. } => [Some(mean), None, None],
            Work::Greatest { maximum } => [Some(maximum), None, None],
            Work::Wind { short, long, gust, .. } => [Some(short), Some(long), Some(gust)],
            Work::Direction { mean, spread, .. } => [Some(mean), Some(spread), None],
            Work::Rain { sum, rate } => [Some(sum), Some(rate), None],
        };
        own.into_iter().flatten()
    }
}
