//! The port to a broker: one connection of one client, whichever library and protocol
//! version speaks behind it. Dropped at the end of the connection, never kept across.
//!
//! The rule kept here: waiting for the next event never loses one when the wait is
//! given up, and nothing that is asked of a link ever waits.

use bytes::Bytes;
use futures_util::stream::Stream;
use rustls::ClientConfig;
use std::collections::VecDeque;
use std::pin::Pin;
use std::sync::Arc;
use std::time::Duration;

/// What a link needs to open its connection.
pub(super) struct Opening {
    pub(super) host: String,
    pub(super) port: u16,
    pub(super) tls: Option<Arc<ClientConfig>>,
    pub(super) client_id: String,
    pub(super) login: Option<(String, String)>,
    pub(super) keep_alive: Duration,
    /// Whether to give up what the broker kept.
    pub(super) clean: bool,
    /// Largest packet that is read, in bytes.
    pub(super) packet_limit: u32,
    /// How long connecting may take as a whole.
    pub(super) patience: Duration,
}

/// What came from the broker.
#[derive(Debug)]
pub(super) enum Event {
    /// The connection is accepted.
    Accepted,
    /// The answer to a subscription: for each filter whether it was granted.
    Subscribed(Vec<bool>),
    /// A message.
    Publish(Publish),
    /// Anything else from the broker: it lives.
    Life,
    /// Nothing from the broker: something of ours went out.
    Sent,
}

/// A message.
#[derive(Debug)]
pub(super) struct Publish {
    pub(super) topic: Bytes,
    pub(super) payload: Bytes,
    /// The packet identifier of a message at `QoS` 1; none at `QoS` 0.
    pub(super) packet: Option<u16>,
    pub(super) again: bool,
    pub(super) retained: bool,
}

/// Why a link is over.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Lost {
    /// The broker closed, or the network did.
    Closed(String),
    /// The broker refused the connection, and will again until somebody mends it.
    Refused(String),
    /// Another client took the client identifier over (MQTT 5 says so).
    TakenOver,
    /// A packet longer than the limit, in bytes.
    TooLarge(usize),
    /// Anything else: no route, no such name, TLS, a broker that breaks the protocol.
    Failed(String),
}

/// A connection.
pub(super) struct Link {
    /// What comes, until the first error.
    pub(super) events: Pin<Box<dyn Stream<Item = Result<Event, Lost>> + Send>>,
    /// What can be asked for.
    pub(super) requests: Box<dyn Requests>,
}

/// What can be asked of a link. Nothing waits.
pub(super) trait Requests: Send {
    /// Asks for filters at `QoS` 1. False if the link takes nothing now.
    fn subscribe(&mut self, filters: &[String]) -> bool;
    /// Acknowledges messages of this connection, oldest first, and takes from the queue
    /// those that the link takes now.
    fn acknowledge(&mut self, packets: &mut VecDeque<u16>);
    /// Says goodbye.
    fn disconnect(&mut self);
}
