//! Accepting connections: a bounded number, each a task of its own.
//!
//! The rule kept here: nothing that one connection does ends the listener.

use super::Push;
use super::answer::Desk;
use super::connection::{self, GOODBYE, Line};
use super::seats::Seated;
use crate::port::{self, Context, End};
use crate::sources::gate::Gate;
use observation::Refusal;
use observation::refusal::Stage;
use std::sync::Arc;
use tokio::task::{JoinError, JoinSet};

/// Binds, and serves until the program stops.
pub(super) async fn run(push: &Arc<Push>, context: &Context) -> End {
    let mut gate = match Gate::open(push.listen, context).await {
        Ok(gate) => gate,
        Err(end) => return end,
    };
    let desk = Desk::new(push, context);
    let router = desk.router();
    let mut connections = JoinSet::new();
    loop {
        tokio::select! {
            biased;
            () = context.stop.cancelled() => break,
            Some(ended) = connections.join_next() => left(&desk, ended),
            (stream, peer) = gate.next(context) => {
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
        }
    }
    drop(gate);
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
