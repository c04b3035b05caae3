//! `isobarn run`: the service.
//!
//! Started in this order: history, engine, page, control socket, deliveries, sources.
//! Stopped in the other: sources first, deliveries with their cursors, then the last
//! commit and its receipts, then page and history.

mod prepare;
mod ready;

use super::Failure;
use crate::arguments::{self, Run};
use crate::clock::{Clock, SystemClock};
use crate::counts::Counts;
use crate::delivery::{Courier, Parts, Standby};
use crate::engine::Command;
use crate::engine::core::Fatal;
use crate::page::{self, Page};
use crate::snapshot::View;
use crate::{control, engine, logging, supervision, wiring};
use adapters::port::{Context, Intake, Watch};
use observation::SourceIndex;
use prepare::{Prepared, prepare};
use std::sync::Arc;
use std::sync::atomic::AtomicU64;
use std::time::Duration;
use tokio::signal::unix::{SignalKind, signal};
use tokio::sync::oneshot::error::RecvError;
use tokio::sync::{mpsc, oneshot};
use tokio::task::JoinSet;
use tokio_util::sync::CancellationToken;

/// How the engine ended; no word if it failed inside.
type Ended = oneshot::Receiver<Result<(), Fatal>>;

/// After this long a stop is no longer waited for.
const HARD_LIMIT: Duration = Duration::from_secs(20);
/// For answers of the page under way when the service stops.
const GOODBYE: Duration = Duration::from_secs(2);

pub use prepare::{IMPORT, record_epoch};

/// Runs the service until a signal tells it to stop.
///
/// # Errors
/// Status 78 for refused settings, 1 for everything else.
pub fn execute(arguments: &Run) -> Result<(), Failure> {
    logging::start(logging::Usual::Changes);
    serve(&arguments.settings, &CancellationToken::new())
}

/// Runs the service until a signal, or `ending` is cancelled.
///
/// # Errors
/// As [`execute`].
pub fn serve(settings: &arguments::Settings, ending: &CancellationToken) -> Result<(), Failure> {
    let wired = wiring::load(settings)?;
    for warning in &wired.settings.warnings {
        tracing::warn!("{warning}");
    }
    let clock: Arc<dyn Clock> = Arc::new(SystemClock::new());
    let prepared = prepare(wired, &clock)?;
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .enable_all()
        .build()
        .map_err(|e| Failure::failed(format!("cannot start: {e}")))?;
    let result = runtime.block_on(work(prepared, ending));
    runtime.shutdown_timeout(Duration::from_secs(1));
    result
}

async fn work(prepared: Prepared, ending: &CancellationToken) -> Result<(), Failure> {
    let Prepared {
        turn,
        first_step,
        view,
        sources,
        couriers,
        property,
        credentials,
        clients,
        first_connection,
        stop,
    } = prepared;
    let failed = |e: std::io::Error| Failure::failed(e.to_string());
    let mut interrupt = signal(SignalKind::interrupt()).map_err(failed)?;
    let mut terminate = signal(SignalKind::terminate()).map_err(failed)?;
    let listener = page::bind(view.settings.http.listen).await.map_err(failed)?;
    let page_address = listener.local_addr().map_err(failed)?;

    let (intake, arrivals) = mpsc::channel(engine::QUEUE);
    let (commands, orders) = mpsc::channel(engine::COMMANDS);
    let mut ended = engine::start(turn, arrivals, orders, first_step)
        .map_err(|e| Failure::failed(format!("cannot start the engine: {e}")))?;

    let showing = CancellationToken::new();
    let mut shown = JoinSet::new();
    let page = Page::new(view.clone(), showing.clone()).map_err(Failure::failed)?;
    shown.spawn(page::serve(page, listener));
    let socket = control::path(&view.settings);
    match control::open(&socket) {
        Ok(server) => {
            shown.spawn(server.serve(view.clone(), commands.clone(), showing.clone()));
        }
        Err(error) => tracing::warn!("no control socket: {error}"),
    }
    let mut deliveries = deliveries(couriers, &view, &commands, &stop)?;
    drop(commands);

    let mut sessions = JoinSet::new();
    let connections = Arc::new(AtomicU64::new(first_connection));
    let mut listeners = Vec::new();
    for (index, (source, suffix)) in (0_u16..).zip(sources) {
        let index = SourceIndex(index);
        listeners.extend(ready::listens(&source).then_some(index));
        let watch: Arc<dyn Watch> = Arc::<Counts>::clone(&view.counts);
        let context = Context {
            source: index,
            property: Arc::clone(&property),
            credentials: Arc::clone(&credentials),
            intake: intake.clone(),
            watch,
            stop: stop.clone(),
            suffix,
            connections: Arc::clone(&connections),
            clients: Arc::clone(&clients),
        };
        sessions.spawn(supervision::supervise(source, context, Arc::clone(&view.counts)));
    }
    shown.spawn(ready::announce(
        page_address,
        listeners,
        Arc::clone(&view.counts),
        showing.clone(),
    ));
    shown.spawn(ready::feed_watchdog(Arc::clone(&view.counts), showing.clone()));

    let early = tokio::select! {
        _ = interrupt.recv() => None,
        _ = terminate.recv() => None,
        () = ending.cancelled() => None,
        result = &mut ended => Some(result),
        // A loop ends early only where it failed inside.
        Some(_) = deliveries.join_next() => {
            return Err(Failure::failed("a delivery failed inside; what was acknowledged is safe"));
        }
    };
    ready::tell_stopping();
    stop.cancel();
    let result = if let Some(result) = early {
        result
    } else {
        tracing::info!("stopping");
        tokio::select! {
            result = end_in_order(sessions, deliveries, intake, ended) => result,
            () = tokio::time::sleep(HARD_LIMIT) => {
                return Err(Failure::failed("did not stop in time; what was acknowledged is safe"));
            }
            _ = interrupt.recv() => {
                return Err(Failure::failed("stopped at once; what was acknowledged is safe"));
            }
        }
    };
    showing.cancel();
    let all = async { while shown.join_next().await.is_some() {} };
    // What is still open after that is closed with the runtime.
    drop(tokio::time::timeout(GOODBYE, all).await);
    match result {
        Ok(Ok(())) => Ok(()),
        Ok(Err(fatal)) => Err(Failure::failed(fatal.to_string())),
        Err(_) => Err(Failure::failed("the engine failed inside; what was acknowledged is safe")),
    }
}

/// Starts the delivery loops.
fn deliveries(
    couriers: Vec<Standby>,
    view: &View,
    commands: &mpsc::Sender<Command>,
    stop: &CancellationToken,
) -> Result<JoinSet<()>, Failure> {
    let mut deliveries = JoinSet::new();
    for standby in couriers {
        let courier = Courier::new(Parts {
            standby,
            snapshots: view.snapshots.clone(),
            commands: commands.clone(),
            clock: Arc::clone(&view.clock),
            stop: stop.clone(),
        })
        .map_err(|e| Failure::failed(e.to_string()))?;
        deliveries.spawn(courier.work());
    }
    Ok(deliveries)
}

/// Sources first, then deliveries, which still keep their cursors, then the engine.
async fn end_in_order(
    mut sessions: JoinSet<()>,
    mut deliveries: JoinSet<()>,
    intake: Intake,
    ended: Ended,
) -> Result<Result<(), Fatal>, RecvError> {
    while sessions.join_next().await.is_some() {}
    let all = async { while deliveries.join_next().await.is_some() {} };
    if tokio::time::timeout(GOODBYE, all).await.is_err() {
        tracing::warn!("a delivery did not end in time; some of it may be repeated");
    }
    // The engine ends when nobody can hand anything over.
    drop(intake);
    ended.await
}
