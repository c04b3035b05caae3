//! `isobarn check`: the settings are read, every fault is told, nothing is started.

use super::Failure;
use crate::arguments::Check;
use crate::{logging, wiring};
use std::io::Write as _;

/// Checks the settings as `run` would and prints the timeline of calibrations.
///
/// # Errors
/// Status 78 with every fault on standard error.
pub fn execute(arguments: &Check) -> Result<(), Failure> {
    let wired = wiring::load(&arguments.settings)?;
    let settings = &wired.settings;
    for warning in &settings.warnings {
        eprint!("{}", warning.render(logging::colour()));
    }
    let property = &wired.property;
    let mut text = format!(
        "{}: {}, {}, {}; no faults\n",
        property.name,
        counted(property.stations.len(), "station"),
        counted(property.instruments.len(), "instrument"),
        counted(wired.sources.len(), "source")
    );
    let timeline = settings.timeline();
    if !timeline.is_empty() {
        text.push_str("\nCalibrations and placements, oldest first:\n");
        text.push_str(timeline.trim_end());
        text.push('\n');
    }
    let absent = crate::engine::restart::absent(settings);
    if !absent.is_empty() {
        text.push_str("\nNot derived:\n");
        for absent in &absent {
            text.extend([&absent.station, " ", absent.quantity.name(), ": ", &absent.reason, "\n"]);
        }
    }
    std::io::stdout()
        .write_all(text.as_bytes())
        .map_err(|e| Failure::failed(format!("standard output: {e}")))
}

/// `1 station`, `2 stations`.
fn counted(number: usize, what: &str) -> String {
    format!("{number} {what}{}", if number == 1 { "" } else { "s" })
}
