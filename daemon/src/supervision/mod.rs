//! Sources, one session after the other.
//!
//! The rules kept here: a session that ends or panics ends alone; the pause before the
//! next grows and is jittered, and only a useful session makes it small again; a source
//! that does not stop in time is dropped.

mod backoff;

pub use backoff::Backoff;

use crate::counts::Counts;
use crate::wiring::NamedSource;
use adapters::port::{Context, End, State, Watch};
use futures_util::FutureExt;
use std::panic::AssertUnwindSafe;
use std::sync::Arc;
use std::time::Duration;

/// How long a session may take to end once it is told to.
const GOODBYE: Duration = Duration::from_millis(1_500);

/// Runs a source until the program stops.
pub async fn supervise(source: NamedSource, context: Context, counts: Arc<Counts>) {
    let mut backoff = Backoff::new();
    while !context.stop.is_cancelled() {
        counts.add_session(context.source);
        let session = AssertUnwindSafe(source.source.session(&context)).catch_unwind();
        let ended = tokio::select! {
            ended = session => ended,
            () = overdue(&context) => {
                tracing::warn!(source = source.name, "did not stop in time and was dropped");
                return;
            }
        };
        let end = ended.unwrap_or_else(|_| End {
            reason: "a session failed inside; see the log".to_owned(),
            fault: true,
            useful: false,
        });
        if context.stop.is_cancelled() {
            return;
        }
        let End { reason, fault, useful } = end;
        let state = if fault { State::Fault(reason) } else { State::Down(reason) };
        counts.state(context.source, state);
        let pause = backoff.pause(useful);
        tokio::select! {
            () = context.stop.cancelled() => return,
            () = tokio::time::sleep(pause) => {}
        }
    }
}

async fn overdue(context: &Context) {
    context.stop.cancelled().await;
    tokio::time::sleep(GOODBYE).await;
}

#[cfg(test)]
#[allow(clippy::unwrap_used, clippy::expect_used)]
mod tests {
    use super::*;
    use crate::clock::SystemClock;
    use adapters::credentials::Credentials;
    use adapters::port::{Claim, KeptClients, Source};
    use futures_util::future::BoxFuture;
    use observation::{Property, SourceIndex};
    use std::sync::atomic::{AtomicU64, Ordering};
    use tokio::sync::mpsc;
    use tokio_util::sync::CancellationToken;

    /// Ends, panics, then waits for ever without looking at `stop`.
    struct Unruly(AtomicU64);

    impl Source for Unruly {
        fn claims(&self) -> Vec<Claim> {
            Vec::new()
        }
        fn session<'a>(&'a self, _context: &'a Context) -> BoxFuture<'a, End> {
            let turn = self.0.fetch_add(1, Ordering::SeqCst);
            Box::pin(async move {
                match turn {
                    0 => End {
                        reason: "device /dev/none is gone".to_owned(),
                        fault: false,
                        useful: true,
                    },
                    1 => panic!("a defect"),
                    _ => std::future::pending().await,
                }
            })
        }
    }

    /// Its peer is away until a moment.
    struct Away(tokio::time::Instant);

    impl Source for Away {
        fn claims(&self) -> Vec<Claim> {
            Vec::new()
        }
        fn session<'a>(&'a self, context: &'a Context) -> BoxFuture<'a, End> {
            Box::pin(async move {
                if tokio::time::Instant::now() < self.0 {
                    let reason = "mqtt://127.0.0.1:1883: connection refused".to_owned();
                    return End { reason, fault: false, useful: false };
                }
                context.watch.state(context.source, State::Up);
                std::future::pending().await
            })
        }
    }

    /// A source under supervision, what is counted of it, and what stops it.
    fn supervised(
        source: Box<dyn Source>,
    ) -> (tokio::task::JoinHandle<()>, Arc<Counts>, CancellationToken) {
        let property = Arc::new(Property::default().indexed());
        let counts = Arc::new(Counts::new(
            Arc::clone(&property),
            Arc::new(SystemClock::new()),
            &[("mast".to_owned(), "serial".to_owned())],
        ));
        let (intake, _deliveries) = mpsc::channel(1);
        let stop = CancellationToken::new();
        let context = Context {
            source: SourceIndex(0),
            credentials: Arc::new(Credentials::new(&property, [])),
            property,
            intake,
            watch: Arc::<Counts>::clone(&counts),
            stop: stop.clone(),
            suffix: Arc::from("x"),
            connections: Arc::new(AtomicU64::new(0)),
            clients: Arc::new(KeptClients::default()),
        };
        let source = NamedSource { name: "mast".to_owned(), kind: "serial", source };
        let task = tokio::spawn(supervise(source, context, Arc::clone(&counts)));
        (task, counts, stop)
    }

    #[tokio::test(start_paused = true)]
    async fn a_peer_that_is_gone_for_an_hour_is_tried_for_all_of_it_and_found_within_a_minute() {
        let began = tokio::time::Instant::now();
        let hour = Duration::from_secs(3_600);
        let (task, counts, stop) = supervised(Box::new(Away(began + hour)));
        let watched = counts.source(SourceIndex(0)).unwrap();
        tokio::time::sleep(Duration::from_secs(3_590)).await;
        assert!(matches!(watched.now().state, State::Down(_)), "{:?}", watched.now().state);
        let tried = watched.sessions();
        // A pause is half a minute to a minute long once it has grown.
        assert!((60..=135).contains(&tried), "{tried}");
        while !matches!(watched.now().state, State::Up) {
            assert!(began.elapsed() < hour + Duration::from_secs(61), "not found");
            tokio::time::sleep(Duration::from_millis(100)).await;
        }
        stop.cancel();
        tokio::time::timeout(Duration::from_secs(3), task).await.unwrap().unwrap();
    }

    #[tokio::test(start_paused = true)]
    async fn a_session_that_panics_ends_alone_and_one_that_hangs_is_dropped() {
        let (task, counts, stop) = supervised(Box::new(Unruly(AtomicU64::new(0))));
        let watched = counts.source(SourceIndex(0)).unwrap();
        for _ in 0..10_000 {
            if watched.sessions() >= 3 {
                break;
            }
            tokio::time::sleep(Duration::from_millis(100)).await;
        }
        assert_eq!(watched.sessions(), 3);
        assert!(matches!(watched.now().state, State::Fault(_)), "the panic is a fault");
        stop.cancel();
        tokio::time::timeout(Duration::from_secs(3), task).await.unwrap().unwrap();
    }
}
