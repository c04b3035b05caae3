//! Telling that everything listens, and that the engine lives.

use crate::counts::Counts;
use crate::wiring::NamedSource;
use adapters::port::Claim;
use observation::SourceIndex;
use sd_notify::NotifyState;
use std::fmt::Write as _;
use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;
use tokio_util::sync::CancellationToken;

/// After this long the service manager is told that the service runs, even if a
/// listener still has not got its address.
const PATIENCE: Duration = Duration::from_secs(10);

/// Whether a source listens on an address.
pub(super) fn listens(source: &NamedSource) -> bool {
    source.source.claims().iter().any(|c| matches!(c, Claim::Address(_)))
}

/// Waits until everything listens and prints the one line that says where.
pub(super) async fn announce(
    page: SocketAddr,
    listeners: Vec<SourceIndex>,
    counts: Arc<Counts>,
    stop: CancellationToken,
) {
    let mut changes = counts.changes();
    let patience = tokio::time::sleep(PATIENCE);
    tokio::pin!(patience);
    let mut told = false;
    let line = loop {
        changes.mark_unchanged();
        if let Some(line) = line(page, &listeners, &counts) {
            break line;
        }
        tokio::select! {
            () = stop.cancelled() => return,
            changed = changes.changed() => if changed.is_err() { return },
            () = &mut patience, if !told => {
                told = true;
                tracing::warn!("not everything listens yet; running without it");
                notify(NotifyState::Ready);
            }
        }
    };
    eprintln!("{line}");
    if !told {
        notify(NotifyState::Ready);
    }
}

fn line(page: SocketAddr, listeners: &[SourceIndex], counts: &Counts) -> Option<String> {
    let mut line = format!("ready http={page}");
    for &index in listeners {
        let source = counts.source(index)?;
        let address = source.now().address?;
        // Writing to a string does not fail.
        let _ = write!(line, " {}={address}", source.name);
    }
    Some(line)
}

/// Feeds the service manager's watchdog as long as the engine makes progress.
pub(super) async fn feed_watchdog(counts: Arc<Counts>, stop: CancellationToken) {
    let Some(period) = sd_notify::watchdog_enabled() else { return };
    let third = period / 3;
    loop {
        tokio::select! {
            () = stop.cancelled() => return,
            () = tokio::time::sleep(third) => {}
        }
        if counts.since_beat() < third * 2 {
            notify(NotifyState::Watchdog);
        }
    }
}

/// Says that the service stops.
pub(super) fn tell_stopping() {
    notify(NotifyState::Stopping);
}

fn notify(state: NotifyState<'_>) {
    // Without a service manager nobody listens, and that is no fault.
    if let Err(error) = sd_notify::notify(&[state]) {
        tracing::debug!("the service manager was not told: {error}");
    }
}
