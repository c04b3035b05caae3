//! `isobarn import`: an old record, or what was set aside, into the history at its own
//! times, by the running service or without one.

mod csv;

use super::Failure;
use super::progress::Progress;
use super::reprocess::open;
use crate::arguments::Import;
use crate::clock::{Clock as _, SystemClock};
use crate::control::{self, Answer, Input, Lines, Request, Word};
use crate::import::aside::Wanted;
use crate::lines::input::LONGEST_LINE;
use crate::wiring;
use config::Settings;
use csv::Mapping;
use history::Batch;
use jiff::tz::TimeZone;
use observation::{Span, Time};
use serde_json::Value;
use std::fs::File;
use std::io::{BufRead, BufReader, Read as _};
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering::Relaxed};

/// Brings in a record.
///
/// # Errors
/// Status 2 for arguments that make no sense, 78 for refused settings, 1 where neither a
/// service nor the history can be reached, or something cannot be read or written.
pub fn execute(arguments: &Import) -> Result<(), Failure> {
    let settings =
        config::load_without_secrets(&arguments.settings.config, &arguments.settings.set)
            .map_err(|faults| wiring::refused(&faults))?;
    let wanted = wanted(arguments, &settings)?;
    let rows_refused = Arc::new(AtomicU64::new(0));
    let mut lines = match (&wanted, &arguments.input) {
        (None, Some(input)) => Some(lines(arguments, input, &settings, &rows_refused)?),
        _ => None,
    };
    let progress = Progress::new();
    let request = Request {
        station: wanted.as_ref().map(|w| w.station.clone()),
        shift: wanted.as_ref().map(|w| w.shift.0),
        fingerprint: Some(settings.fingerprint),
        ..Request::of(Word::Import)
    };
    let answer = control::ask_long(&settings, &request, Some(&mut || lines.take()), &mut |told| {
        show(&progress, told.get("at").and_then(Value::as_str));
        if let Some(why) = told.get("refused").and_then(Value::as_str) {
            refuse(&progress, why);
        }
    });
    let done = match answer {
        Answer::Given(answer) => Ok(answer),
        Answer::Refused(why) => Err(Failure::failed(why)),
        Answer::Nobody => match (&wanted, lines.take()) {
            (None, None) => Err(Failure::failed("the service ended before it began")),
            (wanted, lines) => alone(&settings, wanted.as_ref(), lines, &progress),
        },
    };
    progress.clear();
    let done = done?;
    let count = |key: &str| {
        let own = if key == "refused" { rows_refused.load(Relaxed) } else { 0 };
        done.get(key).and_then(Value::as_u64).unwrap_or(0) + own
    };
    let refused = if wanted.is_some() { "messages stay set aside" } else { "lines refused" };
    println!(
        "{} samples brought in, {} held already, {} of which another value is held, {} {refused}; {} readings made",
        count("samples"),
        count("repeats"),
        count("conflicts"),
        count("refused"),
        count("readings")
    );
    let taken = count("samples") + count("repeats") + count("conflicts");
    if wanted.is_none() && taken == 0 && count("refused") > 0 {
        let csv = if arguments.station.is_none() {
            "; a CSV file wants `--station STATION`, `--time COLUMN` and `--map COLUMN=CHANNEL`"
        } else {
            ""
        };
        return Err(Failure::failed(format!("nothing of it was understood{csv}")));
    }
    Ok(())
}

fn show(progress: &Progress, at: Option<&str>) {
    if let Some(at) = at {
        progress.say(&format_args!("samples of {at}"));
    }
}

fn refuse(progress: &Progress, why: &str) {
    progress.clear();
    eprintln!("isobarn: {why}");
}

/// What of a station's that was set aside is wanted.
fn wanted(arguments: &Import, settings: &Settings) -> Result<Option<Wanted>, Failure> {
    let Some(station) = &arguments.set_aside else { return Ok(None) };
    if settings.property.station(station).is_none() {
        return Err(Failure::usage(format!("the settings have no station `{station}`")));
    }
    let shift = match arguments.shift.as_deref() {
        None => Span(0),
        Some(text) => Span::parse(text).map_err(|e| Failure::usage(format!("--shift: {e}")))?,
    };
    Ok(Some(Wanted { station: station.clone(), shift }))
}

/// Rows that are not understood and told one by one.
const TOLD: u64 = 20;

/// The input as sample lines. Rows that are not understood are told and counted in
/// `refused`.
fn lines(
    arguments: &Import,
    path: &Path,
    settings: &Settings,
    refused: &Arc<AtomicU64>,
) -> Result<Lines, Failure> {
    let failed = |e: &dyn std::fmt::Display| Failure::failed(format!("{}: {e}", path.display()));
    let mut input: Box<dyn BufRead + Send> = if path == Path::new("-") {
        Box::new(BufReader::new(std::io::stdin()))
    } else {
        Box::new(BufReader::new(File::open(path).map_err(|e| failed(&e))?))
    };
    let Some(station) = &arguments.station else {
        return Ok(Box::new(std::iter::from_fn(move || row(&mut input))));
    };
    let index = settings
        .property
        .station(station)
        .ok_or_else(|| Failure::usage(format!("the settings have no station `{station}`")))?;
    let property = &settings.property;
    let own = property.stations.get(usize::from(index.0)).and_then(|s| s.time_zone.clone());
    let name = own.unwrap_or_else(|| property.time_zone.clone());
    let zone = TimeZone::get(&name).map_err(|e| Failure::failed(e.to_string()))?;
    let heading = row(&mut input).ok_or_else(|| failed(&"it is empty"))?;
    let parts = (arguments.separator, zone);
    let mapping = Mapping::of(&heading, station, parts, &arguments.time, &arguments.map)
        .map_err(|e| failed(&e))?;
    let rows = std::iter::from_fn(move || row(&mut input)).filter(|row| !row.is_empty());
    let refused = Arc::clone(refused);
    Ok(Box::new(rows.flat_map(move |row| match mapping.lines(&row) {
        Ok(lines) => lines,
        Err(why) => {
            if refused.fetch_add(1, Relaxed) < TOLD {
                let row: String = row.chars().take(100).collect();
                eprintln!("isobarn: {row}: {why}");
            }
            Vec::new()
        }
    })))
}

/// The next row, without its end; one that is too long is cut, and so refused.
fn row(input: &mut Box<dyn BufRead + Send>) -> Option<String> {
    let mut bytes = Vec::new();
    let longest = LONGEST_LINE as u64;
    match input.by_ref().take(longest).read_until(b'\n', &mut bytes) {
        Ok(count) if count > 0 => {
            Some(String::from_utf8_lossy(&bytes).trim_end_matches(['\r', '\n']).to_owned())
        }
        Ok(_) => None,
        Err(error) => {
            eprintln!("isobarn: the input ends early: {error}");
            None
        }
    }
}

/// Without a service: the store itself.
fn alone(
    settings: &Settings,
    wanted: Option<&Wanted>,
    lines: Option<Lines>,
    progress: &Progress,
) -> Result<Value, Failure> {
    let failed = |e: &dyn std::fmt::Display| Failure::failed(e.to_string());
    let mut history = open(settings)?;
    let reader = history.reader().map_err(|e| failed(&e))?;
    let now = SystemClock::new().now();
    let mut shown = Time(0);
    let mut lines = lines.into_iter().flatten();
    let mut next = || lines.next();
    // The history is written to below; rows are marked once that is over.
    let mut rows = Vec::new();
    let mut taken = |mut ids: Vec<i64>| {
        rows.append(&mut ids);
        Ok(())
    };
    let done = control::bring_in(
        &reader,
        settings,
        now,
        match wanted {
            None => Input::Lines(&mut next),
            Some(wanted) => Input::Aside(wanted, &mut taken),
        },
        &mut |at, refused| {
            if let Some(why) = refused {
                refuse(progress, &why);
            }
            if let Some(at) = at.filter(|&at| at - shown >= Span::hours(1)) {
                shown = at;
                show(progress, Some(&at.to_string()));
            }
            Ok(())
        },
        &mut |mut messages, readings| {
            let last = history.last();
            let received = last.map_or(now, |l| l.received.max(now));
            for message in &mut messages {
                message.received = received;
            }
            let batch = Batch {
                received,
                walked: last.map_or(received, |l| l.walked),
                messages: &messages,
                readings: &readings,
                set_aside: &[],
            };
            history.commit(&batch).map(|_| ()).map_err(|e| e.to_string())
        },
    )
    .map_err(Failure::failed)?;
    drop(reader);
    history.take_set_aside(&rows).map_err(|e| failed(&e))?;
    history.close().map_err(|e| failed(&e))?;
    Ok(done)
}
