//! One window of one instrument, as a pure function of the samples in and before it.
//!
//! Windows are `(minute - period, minute]`. A sample whose time is uncertain stands in
//! none; only what a gauge counted is kept, doubtful, for it fell at some time.

mod direction;
mod mean;
mod rain;
mod wind;

pub(crate) use rain::leave;

use crate::book::Draft;
use crate::plan::{Part, Work};
use crate::tally::Tally;
use crate::track::Point;
use observation::property::{Instrument, Reports, Signal};
use observation::reading::to_steps;
use observation::{Flag, Quantity, Reason, Reasons, SeriesIndex, Span, Time};
use quality::single::check;

/// Share of the expected samples that a window needs of a wind (WMO-No. 8: 75 per cent;
/// from memory), below which the reading carries `incomplete`.
const COVERED_WIND: f64 = 0.75;
/// The same for other quantities (66 per cent; from memory).
const COVERED: f64 = 0.66;

/// The samples a window is made of.
#[derive(Clone, Copy)]
pub(crate) struct Samples<'a> {
    /// Of the channel, in order, with what comes before the window.
    pub(crate) points: &'a [Point],
    /// Where the counter stands before the first.
    pub(crate) tally: Tally,
    /// Whether the tally knows what came before, so that there is a rate.
    pub(crate) sequel: bool,
    /// Of the supply channel, for a ratio.
    pub(crate) supply: &'a [Point],
}

/// What a window is asked about besides its samples.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Asked {
    /// Its end.
    pub(crate) minute: Time,
    /// Whether the station said anything in the minute.
    pub(crate) alive: bool,
    /// Whether the wind is calm by the station's own cup.
    pub(crate) calm: bool,
    /// Time without a tip after which a rain event is over.
    pub(crate) event_gap: Span,
}

/// One evaluation under way.
#[derive(Clone, Copy)]
struct Window<'a> {
    instrument: &'a Instrument,
    part: &'a Part,
    samples: Samples<'a>,
    asked: Asked,
}

/// Evaluates every series of the instrument whose window ends at `asked.minute`.
pub(crate) fn evaluate(
    instrument: &Instrument,
    part: &Part,
    samples: Samples<'_>,
    asked: Asked,
    drafts: &mut Vec<Draft>,
) {
    let window = Window { instrument, part, samples, asked };
    match &part.work {
        Work::Point { .. } => {}
        Work::Mean { mean, step } => {
            if asked.minute.step_end(*step) == asked.minute {
                drafts.extend(window.mean(*mean, *step));
            }
        }
        Work::Greatest { maximum } => drafts.extend(window.greatest(*maximum)),
        Work::Wind { short, long, gust, over } => {
            if part.counts || matches!(instrument.signal, Signal::Frequency) {
                window.wind_by_turns(*short, *long, *gust, *over, drafts);
            } else {
                window.wind_by_values(*short, *long, *gust, drafts);
            }
        }
        Work::Direction { mean, spread, vane } => {
            window.direction(vane.as_deref(), *mean, *spread, drafts);
        }
        Work::Rain { sum, rate } => window.rain(*sum, *rate, drafts),
    }
}

/// The samples placed in `(from, to]`.
fn within(points: &[Point], from: Time, to: Time) -> &[Point] {
    let start = points.partition_point(|p| p.place <= from);
    let end = points.partition_point(|p| p.place <= to);
    points.get(start..end).unwrap_or_default()
}

impl Window<'_> {
    /// A checked reading at the window's end.
    fn draft(
        &self,
        series: SeriesIndex,
        quantity: Quantity,
        value: f64,
        trust: (Flag, Reasons),
        made_by: u32,
    ) -> Option<Draft> {
        let own = self.instrument.plausible.filter(|_| quantity == self.instrument.quantity);
        let checked = check(quantity, value, own, None);
        Some(Draft {
            series,
            time: self.asked.minute,
            value: Some(to_steps(checked.value, quantity.decimals())?),
            flag: checked.flag.worse(trust.0),
            reasons: checked.reasons.union(trust.1),
            made_by,
        })
    }

    /// `incomplete`, if a periodic channel brought too few.
    fn complete(&self, found: usize, period: Span, share: f64) -> Reasons {
        let periodic = matches!(self.instrument.reports, Reports::Periodic);
        let expected = (period.0 / self.instrument.interval.0.max(1)) as f64;
        if periodic && (found as f64) < share * expected {
            Reason::Incomplete.into()
        } else {
            Reasons::NONE
        }
    }
}
