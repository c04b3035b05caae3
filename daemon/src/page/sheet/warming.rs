//! After a start the present climatological year is worked out ahead, station after station,
//! a few days at a time and with rests, so that the first who looks at it need not wait for
//! a year of blocks to be decoded.

use super::gather::put_away;
use super::range::Range;
use crate::page::Page;
use crate::page::problem::Problem;
use history::weeks::monday;
use observation::Span;
use std::sync::Arc;
use std::time::{Duration, Instant};

/// After the start other things come first.
const BEFORE: Duration = Duration::from_secs(5);
/// Days that are worked out at a time: some ten milliseconds on a small server.
const AT_A_TIME: i64 = 14;
/// For each millisecond of work so many of rest.
const REST: u32 = 3;

/// Works until all is done, there is no room for another station, or the service stops.
pub async fn warm(page: Arc<Page>) {
    let stop = page.stop.clone();
    tokio::select! {
        () = stop.cancelled() => {}
        () = work(page) => {}
    }
}

async fn work(page: Arc<Page>) {
    tokio::time::sleep(BEFORE).await;
    let now = page.view.clock.now();
    let property = Arc::clone(&page.view.snapshot().property);
    let (from, to) = Range::Year.extent(now, &property.days);
    for station in &property.stations {
        if !page.shelf.is_roomy() {
            return;
        }
        let mut first = (from + Span(1)).utc_day();
        while first <= now.utc_day() {
            // Whole weeks: of a block that holds one each day costs as much as all.
            let next = monday(first) + AT_A_TIME;
            let days = (first, next - 1);
            first = next;
            let Ok(seat) = page.archive.seat().await else { continue };
            let (page, id) = (Arc::clone(&page), station.id.clone());
            let property = Arc::clone(&property);
            let worked = tokio::task::spawn_blocking(move || {
                let (_seat, began) = (seat, Instant::now());
                // What cannot be read is told to whoever asks for it.
                let done = page.archive.with_reader(&page.view, |look| {
                    put_away(look, &page.shelf, &property, &id, (from, to, now), days)
                        .map_err(|e| Problem::unavailable(e.to_string()))
                });
                drop(done);
                began.elapsed()
            });
            tokio::time::sleep(worked.await.unwrap_or(Duration::ZERO) * REST).await;
        }
    }
}
