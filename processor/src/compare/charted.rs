//! What shows under one condition only, as the charts of conditions tell it.

use super::conditions::replaced;
use super::opinions::Finding;
use super::plan::COMPARED;
use crate::Processor;
use crate::output::Output;
use observation::Time;
use quality::charts::Charted;
use quality::diagnosis::words_of_chart;
use quality::neighbours::State;

impl Processor {
    /// What a chart says of an instrument.
    pub(super) fn charted(&mut self, charted: &Charted, said: Time, out: &mut Output) {
        let Some(slot) = COMPARED.iter().position(|q| *q == charted.quantity) else { return };
        let Some((station, instrument)) = self.names(charted.station, slot) else { return };
        let opinions = &mut self.compare.opinions;
        let (of, its) = (Some(station.as_str()), Some(instrument.as_str()));
        if charted.state == State::Closed {
            opinions.close(of, its, charted.cause, said, &mut out.diagnoses);
            return;
        }
        for &other in replaced(charted.cause).iter().filter(|&&c| c != charted.cause) {
            opinions.close(of, its, other, said, &mut out.diagnoses);
        }
        let mut numbers = vec![
            ("cumulative_sum", charted.score),
            ("days", f64::from(charted.days)),
            ("hours", (said - charted.since).as_seconds() / 3_600.0),
        ];
        if let Some(sector) = charted.sector {
            numbers.push(("sector", sector));
        }
        if let Some(hours) = charted.hours {
            numbers.push(("hours_seen", f64::from(hours)));
        }
        if let Some(alone) = charted.alone {
            numbers.extend(alone.hour.map(|hour| ("hour_of_day", hour)));
            numbers.extend(alone.humidity.map(|humidity| ("humidity", humidity)));
        }
        let finding = Finding {
            time: said,
            station: Some(station),
            instrument: Some(instrument),
            cause: charted.cause,
            since: charted.since,
            size: Some(charted.size),
            confidence: charted.confidence,
            words: words_of_chart(charted),
            numbers,
        };
        opinions.hold(finding, &mut out.diagnoses);
        self.note_wrong(charted.station, slot);
    }
}
