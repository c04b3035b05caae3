//! Readings as lines, for all that a history knows.

pub use adapters::reading_lines::{CSV_HEADING, ReadingLines, Sorted};

/// For all series that a history knows, those of earlier settings included.
pub fn of_names(names: &history::Names) -> ReadingLines {
    ReadingLines::new(names.all_series().map(|(index, series)| {
        let (unit, decimals) = names
            .unit_and_decimals(index)
            .unwrap_or((series.quantity.unit(), series.quantity.decimals()));
        (series, unit, decimals)
    }))
}
