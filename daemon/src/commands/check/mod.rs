//! `isobarn check`: the settings are read, every fault is told, nothing is started.

use super::Failure;
use crate::arguments::Check;
use crate::{logging, wiring};

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
    println!(
        "{}: {} stations, {} instruments, {} sources; no faults",
        property.name,
        property.stations.len(),
        property.instruments.len(),
        wired.sources.len()
    );
    let timeline = settings.timeline();
    if !timeline.is_empty() {
        println!("\nCalibrations and placements, oldest first:");
        print!("{timeline}");
        if !timeline.ends_with('\n') {
            println!();
        }
    }
    Ok(())
}
