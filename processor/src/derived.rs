//! What is computed once a minute from the rounded readings of one station: here is the
//! place for every derived series. So far: the pressure tendency.
//!
//! [`Processor::derive`] is called for every minute in which the station was heard, after
//! all windows that end there are published, and again for a minute that something late
//! touched. It computes from what was published and publishes what follows from it.

use crate::Processor;
use crate::book::Draft;
use crate::output::Output;
use crate::plan::{TENDENCY, UNCHANGED};
use crate::recall::Recall;
use observation::property::Reports;
use observation::time::MINUTE;
use observation::{Flag, Reasons, SeriesIndex, Span, Time};

impl Processor {
    /// Publishes the derived series of a station at a minute.
    pub(crate) fn derive(
        &mut self,
        station: usize,
        minute: Time,
        recall: &mut dyn Recall,
        out: &mut Output,
    ) {
        for nth in self.places(station) {
            let place = self.place(station, nth);
            if let Some(draft) = self.tendency(place, minute) {
                self.book.publish(draft, false, recall, &mut out.readings);
            }
        }
    }

    /// Pressure at the barometer now less three hours ago, of rounded readings; none
    /// where either is unknown.
    fn tendency(&self, place: usize, minute: Time) -> Option<Draft> {
        let part = self.plan.parts.get(place)?;
        let series = part.tendency?;
        let instrument = self.property.instruments.get(place)?;
        let reach = if matches!(instrument.reports, Reports::Periodic) {
            Span(instrument.interval.0.max(MINUTE) * 3 / 2)
        } else {
            UNCHANGED
        };
        let then = minute - TENDENCY;
        if then - reach < self.remembered(part.first()) {
            return None;
        }
        let (now, now_flag) = self.book.newest(part.first(), minute, minute - reach)?;
        let (before, then_flag) = self.book.newest(part.first(), then, then - reach)?;
        let good = now_flag.counts() && then_flag.counts();
        Some(Draft {
            series,
            time: minute,
            value: Some(now - before),
            flag: if good { Flag::Good } else { Flag::Doubtful },
            reasons: Reasons::NONE,
            made_by: 0,
        })
    }

    /// From when on the readings of a series are remembered, whether or not the program
    /// was restarted.
    fn remembered(&self, series: SeriesIndex) -> Time {
        let memory = self.plan.memory.get(series.0 as usize).copied().unwrap_or_default();
        self.walked.map_or(Time(i64::MIN), |walked| walked - memory)
    }
}
