//! `isobarn status`: how everything stands, from the running service, or from the
//! history alone where none runs.

mod document;
mod text;

pub use document::document;

use super::Failure;
use crate::arguments::Status;
use crate::clock::{Clock as _, SystemClock};
use crate::control::{self, Answer, Request, Word};
use crate::delivery::tally::Letter;
use crate::engine::restart;
use crate::engine::standing::Standing;
use crate::wiring;
use observation::{Series, Time};
use serde_json::{Value, json};
use std::sync::Arc;

/// Asks and prints.
///
/// # Errors
/// Refused settings; neither a service nor a history that can be read.
pub fn execute(arguments: &Status) -> Result<(), Failure> {
    let settings =
        config::load_without_secrets(&arguments.settings.config, &arguments.settings.set)
            .map_err(|faults| wiring::refused(&faults))?;
    let request = Request::of(Word::Status);
    let document = match control::ask(&settings, &request) {
        Answer::Given(document) => document,
        Answer::Refused(why) => return Err(Failure::failed(why)),
        Answer::Nobody => alone(&settings)?,
    };
    if arguments.json {
        println!("{document}");
    } else {
        print!("{}", text::render(&document));
    }
    Ok(())
}

/// What the history alone can tell.
fn alone(settings: &config::Settings) -> Result<Value, Failure> {
    let property = Arc::new(settings.property.clone());
    let series: Arc<[Series]> = restart::series(settings).into();
    let names: Vec<String> = settings.sources.iter().map(|s| s.name.clone()).collect();
    let reader = history::Reader::open(&settings.history.directory, &property, &series, &names)
        .map_err(|e| Failure::failed(format!("isobarn is not running, and {e}")))?;
    let failed = |e: history::ReadError| Failure::failed(e.to_string());
    let now = SystemClock::new().now();
    let mut standing = Standing::new(
        Arc::clone(&property),
        Arc::clone(&series),
        Arc::from(""),
        now,
        settings.fingerprint,
        settings.processor.event_gap,
    );
    standing.restore(reader.look()).map_err(failed)?;
    for message in recent(&reader, now).map_err(failed)? {
        standing.message(&message);
    }
    standing.history.bytes = bytes(&settings.history.directory);
    let sources: Vec<Value> = settings
        .sources
        .iter()
        .map(|s| {
            json!({
                "name": s.name,
                "kind": s.kind,
                "state": "down",
                "reason": "isobarn is not running",
            })
        })
        .collect();
    let forwarders = waiting(settings, &reader).map_err(failed)?;
    let mut snapshot = standing.without_processor(now);
    snapshot.diagnoses = crate::lines::diagnosis::open(reader.look()).map_err(failed)?.into();
    let mut document = document::assemble(&snapshot, now, &sources, &forwarders);
    if let Some(next) = document.get_mut("next").and_then(Value::as_array_mut) {
        next.insert(0, json!("start isobarn: it is not running"));
    }
    Ok(document)
}

/// What the store keeps of the forwarders.
fn waiting(
    settings: &config::Settings,
    reader: &history::Reader,
) -> Result<Vec<Value>, history::ReadError> {
    let look = reader.look();
    let last = look.last()?.map_or(0, |l| l.number);
    let mut rows = Vec::new();
    for table in &settings.forwarders {
        let cursor = look.cursor(&table.name)?.unwrap_or_default();
        let mut ranges = cursor.gaps.clone();
        ranges.push((cursor.delivered + 1, last));
        let mut backlog = 0;
        for (first, last) in ranges {
            let mut from = first;
            while from <= last {
                let (count, next) = look.count_passing(from, last, 1_024)?;
                backlog += count;
                from = next;
            }
        }
        let (letters, dead) = Letter::kept(&look, &table.name)?;
        let mut row = json!({
            "name": table.name,
            "kind": table.kind,
            "state": "down",
            "reason": "isobarn is not running",
            "backlog": backlog,
        });
        document::kept(&mut row, cursor.given_up, dead, &letters);
        rows.push(row);
    }
    Ok(rows)
}

/// Length of the database and what lies beside it under its name.
fn bytes(directory: &std::path::Path) -> u64 {
    let Ok(entries) = std::fs::read_dir(directory) else { return 0 };
    entries
        .flatten()
        .filter(|e| e.file_name().to_string_lossy().starts_with("history.sqlite3"))
        .filter_map(|e| e.metadata().ok())
        .map(|m| m.len())
        .sum()
}

/// The newest message of each station in the last two days of the log.
fn recent(
    reader: &history::Reader,
    now: Time,
) -> Result<Vec<observation::Message>, history::ReadError> {
    let look = reader.look();
    let Some(last) = look.last()? else { return Ok(Vec::new()) };
    let from = look.number_at(last.received.min(now) - observation::Span::days(2))?;
    let mut newest: Vec<Option<observation::Message>> = Vec::new();
    for record in look.records(from).flatten() {
        if let history::Entry::Batch { messages, .. } = record.entry {
            for message in messages {
                let place = usize::from(message.station.0);
                if newest.len() <= place {
                    newest.resize(place + 1, None);
                }
                if let Some(slot) = newest.get_mut(place) {
                    *slot = Some(message);
                }
            }
        }
    }
    Ok(newest.into_iter().flatten().collect())
}
