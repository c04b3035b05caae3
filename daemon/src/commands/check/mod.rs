//! `isobarn check`: the settings are read, every fault is told, nothing is started; with
//! `--history` everything that is kept is looked through too.

use super::Failure;
use super::progress::Progress;
use crate::arguments::Check;
use crate::{logging, wiring};
use history::Reader;
use std::io::Write as _;

/// Checks the settings as `run` would and prints the timeline of calibrations.
///
/// # Errors
/// Status 78 with every fault on standard error; 1 for a history that is damaged or
/// cannot be read.
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
        .map_err(|e| Failure::failed(format!("standard output: {e}")))?;
    if arguments.history { look_through(settings) } else { Ok(()) }
}

/// Every page, record and block; what is damaged is told a line each, and the next start is
/// asked to mend it.
fn look_through(settings: &config::Settings) -> Result<(), Failure> {
    let directory = &settings.history.directory;
    let open = || Reader::open(directory, &settings.property, &[], &[]);
    let progress = Progress::new();
    let faults = match open() {
        Ok(reader) => {
            let look = reader.look();
            let found = look.verify(&mut |number| {
                progress.say(&format_args!("looked through up to record {number}"));
            });
            let last = look.last().ok().flatten().map_or(0, |l| l.number);
            let blocks = look.block_bytes().map_or(0, |(_, count)| count);
            progress.clear();
            match found {
                Ok(faults) if faults.is_empty() => {
                    println!("\nHistory: {last} records, {blocks} blocks; nothing is damaged");
                    return Ok(());
                }
                Ok(faults) => faults,
                Err(error) if error.is_damage() => vec![error.to_string()],
                Err(error) => return Err(Failure::failed(error.to_string())),
            }
        }
        Err(error) if error.is_damage() => vec![error.to_string()],
        Err(error) => return Err(Failure::failed(error.to_string())),
    };
    for fault in &faults {
        eprintln!("isobarn: {}: {fault}", directory.display());
    }
    let next = match history::suspect(directory) {
        Ok(()) => {
            "start the service, or restart it: it sets aside what is damaged and keeps the rest"
                .to_owned()
        }
        Err(error) => format!("the next start cannot be asked to mend it: {error}"),
    };
    Err(Failure::failed(format!("the history is damaged; {next}")))
}

/// `1 station`, `2 stations`.
fn counted(number: usize, what: &str) -> String {
    format!("{number} {what}{}", if number == 1 { "" } else { "s" })
}
