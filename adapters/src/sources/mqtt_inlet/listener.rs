//! Accepting connections: a bounded number, each a task of its own.
//!
//! The rule kept here: nothing a single connection does ends the listener, and a
//! listener that cannot accept for lack of descriptors pauses and goes on.

use super::Inlet;
use super::connection::{self, Shared};
use crate::payload::Refused;
use crate::port::{Context, End, State};
use crate::sources::telling::tell;
use observation::Refusal;
use std::sync::Arc;
use std::time::Duration;
use tokio::net::TcpListener;
use tokio::task::JoinSet;

/// How long a listener rests after it could not accept.
const REST: Duration = Duration::from_millis(250);
/// How long connections get to say goodbye when the program stops.
const GOODBYE: Duration = Duration::from_millis(800);

/// Binds, and serves until the program stops.
pub(super) async fn run(inlet: &Inlet, context: &Context) -> End {
    let listener = match TcpListener::bind(inlet.listen).await {
        Ok(listener) => listener,
        Err(error) => {
            let reason = format!("cannot listen on {}: {error}", inlet.listen);
            return End { reason, fault: true, useful: false };
        }
    };
    if let Ok(address) = listener.local_addr() {
        context.watch.listening(context.source, address);
    }
    context.watch.state(context.source, State::Up);
    let shared = Arc::new(Shared::new(inlet, context));
    let mut connections = JoinSet::new();
    let mut resting = false;
    loop {
        tokio::select! {
            biased;
            () = context.stop.cancelled() => break,
            Some(_) = connections.join_next() => {}
            accepted = listener.accept() => match accepted {
                Ok((stream, address)) => {
                    if resting {
                        resting = false;
                        context.watch.state(context.source, State::Up);
                    }
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
                Err(error) => {
                    if !resting {
                        resting = true;
                        let reason =
                            format!("cannot accept connections on {}: {error}", inlet.listen);
                        context.watch.state(context.source, State::Down(reason));
                    }
                    tokio::time::sleep(REST).await;
                }
            }
        }
    }
    let all = async { while connections.join_next().await.is_some() {} };
    tokio::time::timeout(GOODBYE, all).await.ok();
    End { reason: "stopped".to_owned(), fault: false, useful: true }
}
