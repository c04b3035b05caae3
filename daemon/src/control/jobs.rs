//! What takes long: it runs on a thread of its own, hands what is to be written to the
//! engine day by day, and says on the way how far it is.

use super::Request;
use crate::commands::reprocess::summary;
use crate::engine::Command;
use crate::import::aside::{self, Hear, Wanted};
use crate::import::{Counts, Importer, Write};
use crate::lines::input;
use crate::remake::remake;
use crate::snapshot::View;
use history::{Reader, Remade};
use observation::{Span, Time};
use serde_json::{Value, json};
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};
use tokio::sync::{mpsc, oneshot};

/// Time between two words on how far it is.
const TELLING: Duration = Duration::from_millis(500);
/// Lines that may wait for whoever asked.
const LINES: usize = 4;

/// Refused lines that are told one by one.
const TOLD: u64 = 20;

/// Rows set aside that are marked at a time.
const MARKED: usize = 1_000;

/// Whether such work is under way: one at a time.
static BUSY: AtomicBool = AtomicBool::new(false);

/// Runs a work on a thread of its own. The lines of its answer come through the channel,
/// the last one ends it; nobody listening any more ends the work.
fn start(
    work: impl FnOnce(&mpsc::Sender<Value>) -> Result<Value, String> + Send + 'static,
) -> mpsc::Receiver<Value> {
    let (lines, answer) = mpsc::channel(LINES);
    tokio::task::spawn_blocking(move || {
        let result = if BUSY.swap(true, Ordering::AcqRel) {
            Err("readings are being made anew, or a record is being brought in, already".to_owned())
        } else {
            let result = work(&lines);
            BUSY.store(false, Ordering::Release);
            result
        };
        let last = result.unwrap_or_else(|error| json!({ "error": error }));
        // Whoever asked may have gone.
        drop(lines.blocking_send(last));
    });
    answer
}

/// Makes readings anew.
pub(super) fn reprocess(
    request: &Request,
    view: &View,
    commands: &mpsc::Sender<Command>,
) -> mpsc::Receiver<Value> {
    let (request, view, commands) = (request.clone(), view.clone(), commands.clone());
    start(move |lines| work(&request, &view, &commands, lines))
}

/// Brings in the sample lines that come through `input`.
pub(super) fn import(
    request: &Request,
    view: &View,
    commands: &mpsc::Sender<Command>,
    mut input: mpsc::Receiver<String>,
) -> mpsc::Receiver<Value> {
    let (request, view, commands) = (request.clone(), view.clone(), commands.clone());
    start(move |lines| {
        let reader = reader(&request, &view)?;
        let gone = || "the service is stopping".to_owned();
        let mut said: Option<Instant> = None;
        let wanted = request
            .station
            .clone()
            .map(|station| Wanted { station, shift: Span(request.shift.unwrap_or_default()) });
        let mut next = || input.blocking_recv();
        let mut taken = |ids: Vec<i64>| {
            let (reply, done) = oneshot::channel();
            let command = Command::TakeAside { ids, reply };
            commands.blocking_send(command).map_err(|_| gone())?;
            done.blocking_recv().map_err(|_| gone())?
        };
        let counts = bring_in(
            &reader,
            &view.settings,
            view.clock.now(),
            match &wanted {
                None => Input::Lines(&mut next),
                Some(wanted) => Input::Aside(wanted, &mut taken),
            },
            &mut |at, refused| {
                if refused.is_some() || said.is_none_or(|s| s.elapsed() >= TELLING) {
                    said = Some(Instant::now());
                    let line = json!({ "at": at.map(|t| t.to_string()), "refused": refused });
                    lines.blocking_send(line).map_err(|_| "nobody waits for it".to_owned())?;
                }
                Ok(())
            },
            &mut |messages, readings| {
                let (reply, done) = oneshot::channel();
                let command = Command::Append { messages, readings, reply };
                commands.blocking_send(command).map_err(|_| gone())?;
                done.blocking_recv().map_err(|_| gone())?
            },
        )?;
        finished(&commands)?;
        Ok(counts)
    })
}

/// Where samples to be brought in come from.
pub enum Input<'a> {
    /// Lines of an old record.
    Lines(&'a mut dyn FnMut() -> Option<String>),
    /// What was set aside of a station; what is told the rows that were brought in, once
    /// that is durable.
    Aside(&'a Wanted, &'a mut dyn FnMut(Vec<i64>) -> Result<(), String>),
}

/// Brings in samples; what became of them. `told` hears how far it is and the first
/// lines that were refused.
///
/// # Errors
/// What cannot be read or written, or what `told` returns.
pub fn bring_in(
    reader: &Reader,
    settings: &config::Settings,
    now: Time,
    input: Input<'_>,
    told: &mut Hear<'_>,
    write: &mut Write<'_>,
) -> Result<Value, String> {
    let mut importer = Importer::new(reader, settings, now)?;
    match input {
        Input::Lines(next) => {
            while let Some(text) = next() {
                let refused = match input::parse(&text) {
                    Ok(None) => continue,
                    Ok(Some(line)) => importer.line(&line, write)?,
                    Err(why) => {
                        importer.counts.refused += 1;
                        Err(why)
                    }
                };
                let refused =
                    refused.err().filter(|_| importer.counts.refused <= TOLD).map(|why| {
                        let shown: String = text.trim().chars().take(100).collect();
                        format!("{shown}: {why}")
                    });
                told(importer.at(), refused)?;
            }
            importer.finish(write)?;
        }
        Input::Aside(wanted, taken) => {
            let mut refused = 0;
            let mut hear = |at, why: Option<String>| {
                refused += u64::from(why.is_some());
                told(at, why.filter(|_| refused <= TOLD))
            };
            let done = aside::take(&mut importer, reader, wanted, write, &mut hear)?;
            importer.finish(write)?;
            for part in done.chunks(MARKED) {
                taken(part.to_vec())?;
            }
        }
    }
    let Counts { samples, repeats, conflicts, refused, readings } = importer.counts;
    Ok(json!({
        "samples": samples, "repeats": repeats, "conflicts": conflicts, "refused": refused,
        "readings": readings,
    }))
}

/// Reads beside the engine, if whoever asks has the service's own settings.
fn reader(request: &Request, view: &View) -> Result<Reader, String> {
    let settings = view.settings.as_ref();
    if request.fingerprint.is_some_and(|f| f != settings.fingerprint) {
        return Err("the service began with other settings than these: restart it first".to_owned());
    }
    let series = crate::engine::restart::series(settings);
    let mut sources: Vec<String> = settings.sources.iter().map(|s| s.name.clone()).collect();
    sources.push(crate::commands::run::IMPORT.to_owned());
    let directory = &settings.history.directory;
    let reader = Reader::open(directory, &settings.property, &series, &sources);
    Ok(reader.map_err(|e| e.to_string())?.noting(view.counts.noticed()))
}

/// Lets the engine begin again from what stands now.
fn finished(commands: &mpsc::Sender<Command>) -> Result<(), String> {
    let gone = || "the service is stopping".to_owned();
    let (reply, done) = oneshot::channel();
    commands.blocking_send(Command::Revised { reply }).map_err(|_| gone())?;
    done.blocking_recv().map_err(|_| gone())?
}

fn work(
    request: &Request,
    view: &View,
    commands: &mpsc::Sender<Command>,
    lines: &mpsc::Sender<Value>,
) -> Result<Value, String> {
    let settings = view.settings.as_ref();
    let reader = reader(request, view)?;
    let instant = |text: &Option<String>| {
        text.as_deref().map(Time::parse).transpose().map_err(|e| e.to_string())
    };
    let range = (instant(&request.from)?, instant(&request.to)?);
    let gone = || "the service is stopping".to_owned();
    let (mut sum, mut days) = (Remade::default(), 0);
    let mut said: Option<Instant> = None;
    let from = remake(
        &reader,
        settings,
        range,
        &mut |at| {
            if said.is_none_or(|s| s.elapsed() >= TELLING) {
                said = Some(Instant::now());
                let line = json!({ "at": at.to_string() });
                lines.blocking_send(line).map_err(|_| "nobody waits for it".to_owned())?;
            }
            Ok(())
        },
        &mut |day, readings| {
            let (reply, done) = oneshot::channel();
            let command = Command::Revise { day, readings, reply };
            commands.blocking_send(command).map_err(|_| gone())?;
            let remade = done.blocking_recv().map_err(|_| gone())??;
            sum.readings += remade.readings;
            sum.series += remade.series;
            days += u64::from(remade.readings > 0);
            Ok(())
        },
    )?;
    finished(commands)?;
    Ok(summary(sum, days, from))
}
