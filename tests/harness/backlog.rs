//! A history with readings that wait, written without the service.

use history::{Batch, History, Options};
use observation::{Flag, Reading, Reasons, SeriesIndex, Span, Time};
use std::path::Path;
use std::sync::Arc;

/// What to write.
#[derive(Clone, Copy, Debug)]
pub struct Backlog {
    /// Records.
    pub records: u64,
    /// Readings in each, of as many series in turn.
    pub readings: u32,
    /// Time between two records; the last is a minute old.
    pub step: Span,
}

/// The wall clock.
pub fn now() -> Time {
    let since = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH);
    Time(i64::try_from(since.expect("after 1970").as_millis()).expect("a time"))
}

/// Writes it into the history that a settings file names, and gives the number of the
/// last record.
pub fn write(settings: &Path, backlog: Backlog) -> u64 {
    let settings = config::load_without_secrets(settings, &[]).expect("settings that are sound");
    let property = Arc::new(settings.property.clone());
    let processor = processor::Processor::new(Arc::clone(&property), processor::Options::default());
    let series = processor.series();
    let Backlog { records, readings, step } = backlog;
    let start = now() - Span::minutes(1) - Span(step.0 * i64::try_from(records).expect("a count"));
    let (mut history, _) =
        History::open(&settings.history.directory, &Options::at(start)).expect("a history");
    history.register(start, &property, series, &[]).expect("names");
    let count = u32::try_from(series.len()).expect("a count");
    let mut batch = Vec::new();
    for record in 0..records {
        let time = start + Span(step.0 * i64::try_from(record + 1).expect("a count"));
        batch.clear();
        batch.extend((0..readings).map(|i| Reading {
            series: SeriesIndex(i % count),
            // A series has one reading a time.
            time: Time(time.0 + i64::from(i / count)),
            value: Some(i64::try_from(record % 1_000).expect("a value") + 100),
            flag: Flag::Good,
            reasons: Reasons::NONE,
            revision: 0,
            made_by: 0,
        }));
        let written =
            Batch { received: time, walked: time, messages: &[], readings: &batch, set_aside: &[] };
        history.commit(&written).expect("a record");
    }
    history.next_number() - 1
}
