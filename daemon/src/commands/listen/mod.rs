//! `isobarn listen`: what arrives, as it arrives; nothing is stored.
//!
//! The rule kept here: nobody is told that something is kept. A station that pushes gets
//! 503, a publication at the inlet no PUBACK, a line no acknowledgement: its sender keeps
//! it for the service. At a broker listening has a client identifier and a session of its
//! own, which leaves nothing behind, so that the service's session there still gets
//! everything. Addresses and devices that a running service holds are told as taken.

mod credentials;
mod guess;
mod shown;
mod suggestion;
mod watcher;

use super::Failure;
use crate::arguments::{self, Listen};
use crate::logging;
use crate::wiring::{self, NamedSource, Wired};
use adapters::port::{Context, Delivery, End, KeptClients, Receipt, State, Watch};
use observation::{SourceIndex, Span};
use serde::Deserialize;
use std::sync::Arc;
use std::sync::atomic::AtomicU64;
use std::time::Duration;
use tokio::signal::unix::{SignalKind, signal};
use tokio::sync::mpsc;
use tokio_util::sync::CancellationToken;
use watcher::{Heard, Watcher};

/// Deliveries that may wait to be dropped.
const WAITING: usize = 64;
/// First and longest pause before a session is begun again.
const PAUSE: (Duration, Duration) = (Duration::from_secs(1), Duration::from_secs(30));

/// Listens until a signal or the end of the time asked for.
///
/// # Errors
/// Refused settings, or a system without what a program needs.
pub fn execute(arguments: &Listen) -> Result<(), Failure> {
    logging::start(logging::Usual::Warnings);
    let span = arguments
        .span
        .as_deref()
        .map(|text| Span::parse(text).map_err(|e| Failure::usage(e.to_string())))
        .transpose()?;
    let own = format!("listen-{:08x}", fastrand::u32(..));
    let wired = wiring::load(&with_own_sessions(&arguments.settings, &own))?;
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .enable_all()
        .build()
        .map_err(|e| Failure::failed(format!("cannot start: {e}")))?;
    runtime.block_on(listen(wired, span, own))
}

/// The settings with a client identifier and a session of our own at every broker.
fn with_own_sessions(settings: &arguments::Settings, own: &str) -> arguments::Settings {
    let mut settings = settings.clone();
    if let Some(found) = config::examine(&settings.config, &settings.set).settings {
        for table in found.sources.iter().filter(|t| t.kind == "mqtt") {
            let key = format!("source.mqtt.{}", table.name);
            settings.set.push(format!("{key}.keep_session=false"));
            settings.set.push(format!("{key}.client_id=\"isobarn-{own}-{}\"", table.index));
        }
    }
    settings
}

/// What printing needs of a source's table.
#[derive(Default, Deserialize)]
struct Place {
    station: Option<String>,
}

async fn listen(wired: Wired, span: Option<Span>, own: String) -> Result<(), Failure> {
    let failed = |e: std::io::Error| Failure::failed(format!("cannot wait for signals: {e}"));
    let mut interrupt = signal(SignalKind::interrupt()).map_err(failed)?;
    let mut terminate = signal(SignalKind::terminate()).map_err(failed)?;
    let Wired { settings, property, sources, .. } = wired;
    let heard = settings
        .sources
        .iter()
        .map(|table| Heard {
            name: table.name.clone(),
            cable: table.kind == "serial",
            station: table.decode::<Place>("").unwrap_or_default().station,
        })
        .collect();
    let watcher = Arc::new(Watcher::new(Arc::clone(&property), heard, Box::new(std::io::stdout())));
    let credentials = Arc::new(credentials::of(&settings));
    let (intake, deliveries) = mpsc::channel(WAITING);
    let stop = CancellationToken::new();
    let connections = Arc::new(AtomicU64::new(fastrand::u64(..) >> 1));
    let clients = Arc::new(KeptClients::default());
    let brokers: Vec<bool> = sources.iter().map(|s| s.kind == "mqtt").collect();
    let dropping = tokio::spawn(drop_all(deliveries, brokers));
    let mut sessions = tokio::task::JoinSet::new();
    for (index, source) in (0_u16..).zip(sources) {
        let watch: Arc<dyn Watch> = Arc::<Watcher>::clone(&watcher);
        let context = Context {
            source: SourceIndex(index),
            property: Arc::clone(&property),
            credentials: Arc::clone(&credentials),
            intake: intake.clone(),
            watch,
            stop: stop.clone(),
            suffix: Arc::from(own.as_str()),
            connections: Arc::clone(&connections),
            clients: Arc::clone(&clients),
        };
        sessions.spawn(again_and_again(source, context));
    }
    drop(intake);
    let limit = span
        .map_or(Duration::MAX, |s| Duration::from_millis(u64::try_from(s.0).unwrap_or_default()));
    let end = tokio::time::sleep(limit.min(Duration::from_secs(365 * 86_400)));
    tokio::pin!(end);
    let mut ready = false;
    loop {
        tokio::select! {
            () = &mut end => break,
            _ = interrupt.recv() => break,
            _ = terminate.recv() => break,
            () = watcher.gone.notified() => break,
            () = watcher.stands.notified(), if !ready => {
                if let Some(line) = watcher.ready() {
                    eprintln!("{line}");
                    ready = true;
                }
            }
        }
    }
    stop.cancel();
    // What does not end in time is dropped with the runtime.
    let all = async { while sessions.join_next().await.is_some() {} };
    drop(tokio::time::timeout(Duration::from_secs(2), all).await);
    dropping.abort();
    Ok(())
}

/// Takes deliveries and keeps nothing. Only our own session at a broker is told that it
/// may go on: its receipts reach the broker, never a station.
async fn drop_all(mut deliveries: mpsc::Receiver<Delivery>, brokers: Vec<bool>) {
    while let Some(delivery) = deliveries.recv().await {
        let through_broker = delivery
            .messages
            .first()
            .and_then(|m| brokers.get(usize::from(m.source.0)))
            .copied()
            .unwrap_or(false);
        if let Receipt::UpTo(watermark, number) = &delivery.receipt
            && through_broker
        {
            watermark.reach(*number);
        }
    }
}

/// Begins one session after the other, with growing pauses.
async fn again_and_again(source: NamedSource, context: Context) {
    let mut pause = PAUSE.0;
    while !context.stop.is_cancelled() {
        let End { reason, fault, useful } = source.source.session(&context).await;
        if context.stop.is_cancelled() {
            return;
        }
        context
            .watch
            .state(context.source, if fault { State::Fault(reason) } else { State::Down(reason) });
        if useful {
            pause = PAUSE.0;
        }
        tokio::select! {
            () = context.stop.cancelled() => return,
            () = tokio::time::sleep(pause) => {}
        }
        pause = (pause * 2).min(PAUSE.1);
    }
}
