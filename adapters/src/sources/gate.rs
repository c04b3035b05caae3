//! Where stations come in that connect by themselves.
//!
//! The rule kept here: a listener that cannot accept, for lack of descriptors mostly, tells
//! so, rests a moment and goes on.

use crate::port::{Context, End, State};
use std::io;
use std::net::SocketAddr;
use std::time::Duration;
use tokio::net::{TcpListener, TcpStream};

const REST: Duration = Duration::from_millis(100);

/// A listener.
pub(super) struct Gate {
    listener: TcpListener,
    address: SocketAddr,
    resting: bool,
}

impl Gate {
    /// Begins to listen for a source, and tells that and where.
    ///
    /// # Errors
    /// The session's end, with the address in its reason.
    pub(super) async fn open(listen: SocketAddr, context: &Context) -> Result<Self, End> {
        let listener = TcpListener::bind(listen).await.map_err(|error| End {
            reason: format!("cannot listen on {listen}: {error}"),
            fault: true,
            useful: false,
        })?;
        let address = listener.local_addr().unwrap_or(listen);
        context.watch.listening(context.source, address);
        context.watch.state(context.source, State::Up);
        Ok(Self { listener, address, resting: false })
    }

    /// The next connection. May be dropped while it waits.
    pub(super) async fn next(&mut self, context: &Context) -> (TcpStream, SocketAddr) {
        loop {
            let accepted = if self.resting {
                let waiting = tokio::time::timeout(REST, self.listener.accept());
                let Ok(accepted) = waiting.await else {
                    // Nobody is waiting and nothing failed any more.
                    self.goes_on(context);
                    continue;
                };
                accepted
            } else {
                self.listener.accept().await
            };
            match accepted {
                Ok(connection) => {
                    self.goes_on(context);
                    return connection;
                }
                Err(error) if is_the_peers(&error) => {}
                Err(error) => {
                    if !self.resting {
                        self.resting = true;
                        let reason =
                            format!("cannot accept connections on {}: {error}", self.address);
                        context.watch.state(context.source, State::Fault(reason));
                    }
                    tokio::time::sleep(REST).await;
                }
            }
        }
    }

    fn goes_on(&mut self, context: &Context) {
        if std::mem::take(&mut self.resting) {
            context.watch.state(context.source, State::Up);
        }
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
