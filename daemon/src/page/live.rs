//! `GET /v1/live`: server-sent events, one for each newest value that changed.
//!
//! One task finds what changed and writes it once for all viewers; a viewer that cannot
//! keep up loses events, never the service's time. Every stream ends when the service
//! stops.

use super::Page;
use super::latest::Row;
use super::problem::Problem;
use crate::newest;
use axum::body::{Body, Bytes};
use axum::extract::State;
use axum::http::{HeaderValue, header};
use axum::response::Response;
use futures_util::stream;
use std::collections::HashMap;
use std::convert::Infallible;
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::{OwnedSemaphorePermit, Semaphore, broadcast};
use tokio::time::{Instant, sleep_until};

/// Most viewers at a time.
const MOST: usize = 256;
/// Events that wait for a slow viewer.
const WAITING: usize = 64;
/// What happens within this time is told together.
const TOGETHER: Duration = Duration::from_millis(200);
/// A sign of life for whoever stands between.
const SIGN: Duration = Duration::from_secs(15);

/// The viewers.
pub(super) struct Live {
    events: broadcast::Sender<Bytes>,
    seats: Arc<Semaphore>,
}

impl Default for Live {
    fn default() -> Self {
        Self { events: broadcast::Sender::new(WAITING), seats: Arc::new(Semaphore::new(MOST)) }
    }
}

/// Tells viewers what changes until the page stops.
pub(super) async fn tell(page: Arc<Page>) {
    let mut snapshots = page.view.snapshots.clone();
    let mut told: HashMap<String, Row> = HashMap::new();
    loop {
        tokio::select! {
            () = page.stop.cancelled() => return,
            changed = snapshots.changed() => if changed.is_err() { return },
        }
        tokio::select! {
            () = page.stop.cancelled() => return,
            () = tokio::time::sleep(TOGETHER) => {}
        }
        snapshots.mark_unchanged();
        if page.live.events.receiver_count() == 0 {
            told.clear();
            continue;
        }
        let mut text = String::new();
        for (key, row) in rows(&page) {
            if told.get(&key) != Some(&row) {
                event(&mut text, &row);
                told.insert(key, row);
            }
        }
        if !text.is_empty() {
            // Nobody there any more is no fault.
            drop(page.live.events.send(Bytes::from(text)));
        }
    }
}

/// All rows with a key of their own.
fn rows(page: &Page) -> Vec<(String, Row)> {
    newest::all(&page.view.snapshot(), page.view.clock.now())
        .map(|n| {
            let key = format!(
                "{}\0{}\0{}\0{}\0{:?}\0{:?}",
                n.station, n.instrument, n.quantity, n.statistic, n.over, n.period
            );
            (key, Row::of(&n))
        })
        .collect()
}

fn event(out: &mut String, row: &Row) {
    // A row always serialises: it holds texts and numbers only.
    if let Ok(data) = serde_json::to_string(row) {
        out.push_str("event: latest\ndata: ");
        out.push_str(&data);
        out.push_str("\n\n");
    }
}

/// All rows as events.
fn everything(page: &Page) -> Bytes {
    let mut text = String::from("retry: 5000\n\n");
    for (_, row) in rows(page) {
        event(&mut text, &row);
    }
    Bytes::from(text)
}

struct Viewer {
    first: Option<Bytes>,
    events: broadcast::Receiver<Bytes>,
    page: Arc<Page>,
    sign: Instant,
    _seat: OwnedSemaphorePermit,
}

/// The stream: everything once, then what changes.
pub(super) async fn live(State(page): State<Arc<Page>>) -> Result<Response, Problem> {
    let seat = Arc::clone(&page.live.seats)
        .try_acquire_owned()
        .map_err(|_| Problem::unavailable(format!("{MOST} viewers are connected already")))?;
    // Subscribed first, so that nothing falls between.
    let events = page.live.events.subscribe();
    let viewer = Viewer {
        first: Some(everything(&page)),
        events,
        page,
        sign: Instant::now() + SIGN,
        _seat: seat,
    };
    let body = Body::from_stream(stream::unfold(viewer, |mut viewer| async move {
        let bytes = viewer.next().await?;
        viewer.sign = Instant::now() + SIGN;
        Some((Ok::<_, Infallible>(bytes), viewer))
    }));
    let mut response = Response::new(body);
    let headers = response.headers_mut();
    headers.insert(header::CONTENT_TYPE, HeaderValue::from_static("text/event-stream"));
    headers.insert(header::CACHE_CONTROL, HeaderValue::from_static("no-store"));
    Ok(response)
}

impl Viewer {
    async fn next(&mut self) -> Option<Bytes> {
        if let Some(first) = self.first.take() {
            return Some(first);
        }
        tokio::select! {
            biased;
            () = self.page.stop.cancelled() => None,
            event = self.events.recv() => match event {
                Ok(bytes) => Some(bytes),
                // Too slow: what was lost is made good by telling everything anew.
                Err(broadcast::error::RecvError::Lagged(_)) => Some(everything(&self.page)),
                Err(broadcast::error::RecvError::Closed) => None,
            },
            () = sleep_until(self.sign) => Some(Bytes::from_static(b": here\n\n")),
        }
    }
}
