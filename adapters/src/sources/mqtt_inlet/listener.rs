//! Accepting connections: a bounded number, each a task of its own.
//!
//! The rule kept here: nothing a single connection does ends the listener.

use super::Inlet;
use super::connection::{self, Shared};
use crate::payload::Refused;
use crate::port::{Context, End};
use crate::sources::gate::Gate;
use crate::sources::telling::tell;
use observation::Refusal;
use std::sync::Arc;
use std::time::Duration;
use tokio::task::JoinSet;

/// How long connections get to say goodbye when the program stops.
const GOODBYE: Duration = Duration::from_millis(800);

/// Binds, and serves until the program stops.
pub(super) async fn run(inlet: &Inlet, context: &Context) -> End {
    let mut gate = match Gate::open(inlet.listen, context).await {
        Ok(gate) => gate,
        Err(end) => return end,
    };
    let shared = Arc::new(Shared::new(inlet, context));
    let mut connections = JoinSet::new();
    loop {
        tokio::select! {
            biased;
            () = context.stop.cancelled() => break,
            Some(_) = connections.join_next() => {}
            (stream, address) = gate.next(context) => {
                // Those that ended since are not counted.
                while connections.try_join_next().is_some() {}
                if connections.len() >= inlet.connections {
                    let detail = format!(
                        "a connection from {} was turned away: {} are open (`connections`)",
                        address.ip(),
                        connections.len()
                    );
                    let refused = Refused { station: None, reason: Refusal::Rate, detail };
                    tell(context, "", &refused);
                } else {
                    connections.spawn(connection::serve(Arc::clone(&shared), stream, address));
                }
            }
        }
    }
    let all = async { while connections.join_next().await.is_some() {} };
    tokio::time::timeout(GOODBYE, all).await.ok();
    End { reason: "stopped".to_owned(), fault: false, useful: true }
}
