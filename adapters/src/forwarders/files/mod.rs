//! Daily files for archives: CSV or JSON lines, one for each UTC day of the readings' own
//! times, appended to and synced before anything counts as delivered.

mod link;

use super::checks::Checks;
use super::lines::{self, Lines};
use super::port::{Context, Forwarder, Identity, Kind, Link, Newest, Origin, Outgoing, Piece};
use super::rules::{Rules, Usual, options};
use crate::reading_lines::CSV_HEADING;
use bytes::Bytes;
use config::{AdapterTable, Fault};
use observation::Property;
use observation::time::DAY;
use serde::Deserialize;
use std::io::Write as _;
use std::path::PathBuf;
use std::sync::Arc;

/// The kind `files`.
pub const KIND: Kind = Kind { name: "files", build, example: EXAMPLE };

const EXAMPLE: &str = r#"directory = "archive"
"#;

options! {
    /// `[forward.files.NAME]`.
    struct Options {
        /// Where the files lie; made where it is not there.
        directory: String,
        /// `csv` (default) or `lines`.
        format: Option<Format>,
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
enum Format {
    Csv,
    Lines,
}

/// A directory.
struct Files {
    rules: Rules,
    directory: PathBuf,
    format: Format,
    lines: Lines,
}

impl Forwarder for Files {
    fn rules(&self) -> &Rules {
        &self.rules
    }

    fn prepare(&self, origin: &Origin, readings: &[Outgoing], _newest: &mut Newest) -> Vec<Piece> {
        let writer = self.lines.of(origin);
        let day = |r: &Outgoing| r.reading.time.utc_day();
        let mut pieces = Vec::new();
        let mut start = 0;
        for run in readings.chunk_by(|a, b| day(a) == day(b)) {
            let mut body = Vec::with_capacity(run.len() * 200);
            for outgoing in run {
                match self.format {
                    Format::Lines => lines::json(writer, origin, outgoing, &mut body),
                    Format::Csv => {
                        writer.csv(&outgoing.reading, &mut body);
                        // Its line feed makes room for one more column.
                        body.pop();
                        // Writing to a vector does not fail.
                        let _ = writeln!(body, ",{}", Identity(origin, outgoing));
                    }
                }
            }
            let first = run.first().map_or(0, day);
            pieces.push(Piece {
                place: self.name_of(first),
                body: Bytes::from(body),
                readings: start..start + run.len(),
                ..Piece::default()
            });
            start += run.len();
        }
        pieces
    }

    fn link(&self, _context: &Context) -> Box<dyn Link> {
        let heading = match self.format {
            Format::Csv => format!("{},id\n", CSV_HEADING.trim_end()),
            Format::Lines => String::new(),
        };
        Box::new(link::Folder::new(self.directory.clone(), heading))
    }
}

impl Files {
    /// The name of a day's file.
    fn name_of(&self, utc_day: i64) -> String {
        let start = observation::Time(utc_day.saturating_mul(DAY)).to_string();
        let date = start.split('T').next().unwrap_or_default();
        match self.format {
            Format::Csv => format!("{date}.csv"),
            Format::Lines => format!("{date}.jsonl"),
        }
    }
}

fn build(table: &AdapterTable, property: &Arc<Property>) -> Result<Box<dyn Forwarder>, Vec<Fault>> {
    let options: Options = table.decode(EXAMPLE)?;
    let mut checks = Checks::of(table);
    let usual = Usual { batch: 5_000, counting_only: false, may_be_live: true };
    let rules = options.told().rules(&mut checks, property, usual);
    let directory = table.resolve_path(&options.directory);
    if directory.exists() && !directory.is_dir() {
        let message = format!("{} is no directory", directory.display());
        checks.fault(&["directory"], &message, "");
    }
    if !checks.faults.is_empty() {
        return Err(checks.faults);
    }
    let format = options.format.unwrap_or(Format::Csv);
    Ok(Box::new(Files { rules, directory, format, lines: Lines::default() }))
}
