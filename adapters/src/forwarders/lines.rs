//! Readings as JSON lines with their identity, and as CSV lines.

use super::port::{Identity, Origin, Outgoing};
use crate::reading_lines::ReadingLines;
use std::sync::OnceLock;

/// Writers of lines, made when the series are first known.
#[derive(Debug, Default)]
pub(super) struct Lines(OnceLock<ReadingLines>);

impl Lines {
    /// Those of all series of the origin.
    pub(super) fn of(&self, origin: &Origin) -> &ReadingLines {
        self.0.get_or_init(|| {
            ReadingLines::new(
                origin.series.iter().map(|s| (&s.series, s.unit.as_str(), s.decimals)),
            )
        })
    }
}

/// Appends a reading as one JSON object with `id` as its last field.
pub(super) fn object(
    lines: &ReadingLines,
    origin: &Origin,
    outgoing: &Outgoing,
    out: &mut Vec<u8>,
) {
    if lines.open_object(&outgoing.reading, out) {
        out.extend_from_slice(b",\"id\":\"");
        // It needs no escaping.
        Identity(origin, outgoing).append(out);
        out.extend_from_slice(b"\"}");
    }
}

/// The same with a line feed behind it.
pub(super) fn json(lines: &ReadingLines, origin: &Origin, outgoing: &Outgoing, out: &mut Vec<u8>) {
    object(lines, origin, outgoing, out);
    out.push(b'\n');
}
