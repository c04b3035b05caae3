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
        "{}: {} stations, {} instruments, {} sources; no faults\n",
        property.name,
        property.stations.len(),
        property.instruments.len(),
        wired.sources.len()
    );
    let timeline = settings.timeline();
    if !timeline.is_empty() {
        text.push_str("\nCalibrations and placements, oldest first:\n");
        text.push_str(timeline.trim_end());
        text.push('\n');
    }
    std::io::stdout()
        .write_all(text.as_bytes())
        .map_err(|e| Failure::failed(format!("standard output: {e}")))
}
