//! Accepting connections: a bounded number, each a task of its own.
//!
//! The rule kept here: nothing that one connection does ends the listener, and a
//! listener that cannot accept for want of descriptors rests and goes on.

use super::Push;
use super::answer::Desk;
use super::connection::{self, GOODBYE, Line};
use super::seats::Seated;
use crate::port::{self, Context, End, State};
use observation::Refusal;
use observation::refusal::Stage;
use std::io;
use std::sync::Arc;
use std::time::Duration;
use tokio::net::TcpListener;
use tokio::task::{JoinError, JoinSet};

/// How long a listener rests after it could not accept.
const REST: Duration = Duration::from_millis(100);

/// Binds, and serves until the program stops.
pub(super) async fn run(push: &Arc<Push>, context: &Context) -> End {
    let listener = match TcpListener::bind(push.listen).await {
        Ok(listener) => listener,
        Err(error) => {
            let reason = format!("cannot listen on {}: {error}", push.listen);
            return End { reason, fault: true, useful: false };
        }
    };
    let address = listener.local_addr().unwrap_or(push.listen);
    context.watch.listening(context.source, address);
    context.watch.state(context.source, State::Up);
    let desk = Desk::new(push, context);
    let router = desk.router();
    let mut connections = JoinSet::new();
    let mut resting = false;
    loop {
        tokio::select! {
            biased;
            () = context.stop.cancelled() => break,
            Some(ended) = connections.join_next() => left(&desk, ended),
            accepted = listener.accept() => match accepted {
                Ok((stream, peer)) => {
                    if resting {
                        resting = false;
                        context.watch.state(context.source, State::Up);
                    }
                    let line = Line::new(context.next_connection(), peer, push.limits);
                    if desk.seats.take(&line) == Seated::Nowhere {
                        let detail = format!("a connection from {} was turned away: all others are being answered (`connections`)", peer.ip());
                        desk.refused(&port::Refused { station: None, stage: Stage::Access, reason: Refusal::Rate, detail: &detail });
                        continue;
                    }
                    let (number, router, desk) = (line.number(), router.clone(), Arc::clone(&desk));
                    let stop = context.stop.clone();
                    connections.spawn(async move {
                        let seat = Seat { desk: &desk, number };
                        connection::serve(stream, line, router, Arc::clone(&desk), stop).await;
                        drop(seat);
                    });
                }
                Err(error) if is_the_peers(&error) => {}
                Err(error) => {
                    if !resting {
                        resting = true;
                        let reason = format!("cannot accept connections on {address}: {error}");
                        context.watch.state(context.source, State::Fault(reason));
                    }
                    tokio::time::sleep(REST).await;
                }
            },
            // Nobody is waiting and nothing failed any more.
            () = tokio::time::sleep(REST), if resting => {
                resting = false;
                context.watch.state(context.source, State::Up);
            }
        }
    }
    drop(listener);
    let all = async {
        while let Some(ended) = connections.join_next().await {
            left(&desk, ended);
        }
    };
    tokio::time::timeout(GOODBYE, all).await.ok();
    // What is still open is closed when the set is dropped.
    End { reason: "stopped".to_owned(), fault: false, useful: true }
}

/// Gives the seat back even if the connection's task panics.
struct Seat<'a> {
    desk: &'a Desk,
    number: u64,
}

impl Drop for Seat<'_> {
    fn drop(&mut self) {
        self.desk.seats.leave(self.number);
    }
}

/// A panic ends its connection only; it is told, because it is a fault of ours.
fn left(desk: &Desk, ended: Result<(), JoinError>) {
    if ended.is_err_and(|error| error.is_panic()) {
        tracing::error!("answering a push failed inside; its connection was closed");
        let detail = "answering a push failed inside the program";
        desk.refused(&port::Refused {
            station: None,
            stage: Stage::Frame,
            reason: Refusal::Panic,
            detail,
        });
    }
}

/// Errors of a connection that was gone before it was accepted.
fn is_the_peers(error: &io::Error) -> bool {
    matches!(
        error.kind(),
        io::ErrorKind::ConnectionAborted
            | io::ErrorKind::ConnectionReset
            | io::ErrorKind::ConnectionRefused
    )
}
