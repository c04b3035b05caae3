//! What takes long: it runs on a thread of its own, hands what is to be written to the
//! engine day by day, and says on the way how far it is.

use super::Request;
use crate::commands::reprocess::summary;
use crate::engine::Command;
use crate::remake::remake;
use crate::snapshot::View;
use history::{Reader, Remade};
use observation::Time;
use serde_json::{Value, json};
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};
use tokio::sync::{mpsc, oneshot};

/// Time between two words on how far it is.
const TELLING: Duration = Duration::from_millis(500);
/// Lines that may wait for whoever asked.
const LINES: usize = 4;

/// Whether such work is under way: one at a time.
static BUSY: AtomicBool = AtomicBool::new(false);

/// Makes readings anew. The lines of the answer come through the channel, the last one
/// ends it; nobody listening any more ends the work.
pub(super) fn reprocess(
    request: &Request,
    view: &View,
    commands: &mpsc::Sender<Command>,
) -> mpsc::Receiver<Value> {
    let (lines, answer) = mpsc::channel(LINES);
    let (request, view, commands) = (request.clone(), view.clone(), commands.clone());
    tokio::task::spawn_blocking(move || {
        let result = if BUSY.swap(true, Ordering::AcqRel) {
            Err("readings are being made anew already".to_owned())
        } else {
            let result = work(&request, &view, &commands, &lines);
            BUSY.store(false, Ordering::Release);
            result
        };
        let last = result.unwrap_or_else(|error| json!({ "error": error }));
        // Whoever asked may have gone.
        drop(lines.blocking_send(last));
    });
    answer
}

fn work(
    request: &Request,
    view: &View,
    commands: &mpsc::Sender<Command>,
    lines: &mpsc::Sender<Value>,
) -> Result<Value, String> {
    let settings = view.settings.as_ref();
    if request.fingerprint.is_some_and(|f| f != settings.fingerprint) {
        return Err("the service began with other settings than these: restart it first".to_owned());
    }
    let instant = |text: &Option<String>| {
        text.as_deref().map(Time::parse).transpose().map_err(|e| e.to_string())
    };
    let range = (instant(&request.from)?, instant(&request.to)?);
    let series = crate::engine::restart::series(settings);
    let mut sources: Vec<String> = settings.sources.iter().map(|s| s.name.clone()).collect();
    sources.push(crate::commands::run::IMPORT.to_owned());
    let directory = &settings.history.directory;
    let reader = Reader::open(directory, &settings.property, &series, &sources)
        .map_err(|e| e.to_string())?;
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
    let (reply, done) = oneshot::channel();
    commands.blocking_send(Command::Revised { reply }).map_err(|_| gone())?;
    done.blocking_recv().map_err(|_| gone())??;
    Ok(summary(sum, days, from))
}
