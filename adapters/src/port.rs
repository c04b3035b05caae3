//! What every adapter is given and what it owes: the whole contract between the
//! outside and the rest of the program.
//!
//! A source runs one *session* at a time and says why it ended. It never sleeps, never
//! retries and never acknowledges on its own: whoever runs it owns back-off, and a
//! receipt exists only when the record is synced.

use crate::credentials::Credentials;
use futures_util::future::BoxFuture;
use observation::refusal::Stage;
use observation::{Message, Property, Refusal, SourceIndex, StationIndex};
use std::collections::VecDeque;
use std::net::SocketAddr;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use tokio::sync::{Notify, mpsc, oneshot};
use tokio_util::sync::CancellationToken;

/// Messages handed over together. They are committed in one transaction and share a
/// receipt.
#[derive(Debug)]
pub struct Delivery {
    /// The connection or session they came through; receipts are paced by it.
    pub sender: u64,
    /// The messages, in order of arrival.
    pub messages: Vec<Message>,
    /// How to tell that they are durable.
    pub receipt: Receipt,
}

/// How a session learns that what it handed over is durable.
#[derive(Debug)]
pub enum Receipt {
    /// It need not.
    Unasked,
    /// Once, for a request that waits for an answer. Dropped without a word when it
    /// could not be committed.
    Once(oneshot::Sender<()>),
    /// All deliveries of this session up to this number are durable.
    UpTo(Arc<Watermark>, u64),
}

/// How far a session's deliveries are durable.
#[derive(Debug, Default)]
pub struct Watermark {
    reached: AtomicU64,
    failed: AtomicBool,
    changed: Notify,
}

impl Watermark {
    /// Raises the mark. Called after the commit, in order.
    pub fn reach(&self, number: u64) {
        self.reached.fetch_max(number, Ordering::AcqRel);
        self.changed.notify_one();
    }

    /// Says that a delivery of this session will never become durable; the session
    /// must end, so that its sender sends again.
    pub fn fail(&self) {
        self.failed.store(true, Ordering::Release);
        self.changed.notify_one();
    }

    /// The highest durable number.
    pub fn reached(&self) -> u64 {
        self.reached.load(Ordering::Acquire)
    }

    /// Whether a delivery was lost before its commit.
    pub fn failed(&self) -> bool {
        self.failed.load(Ordering::Acquire)
    }

    /// Waits until the mark may have moved; may wake without cause.
    pub async fn changed(&self) {
        self.changed.notified().await;
    }
}

/// Where sources hand over. Bounded: when the writer falls behind, sending waits.
pub type Intake = mpsc::Sender<Delivery>;

/// How a source stands, for status, metrics and log.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum State {
    /// Connected, subscribed or listening.
    Up,
    /// Not connected; it will be tried again. The reason names the address or device.
    Down(String),
    /// Something a person must mend: a refused subscription, a port that cannot be
    /// opened, bytes without a valid line. The reason says what to do.
    Fault(String),
}

/// What was refused, with where and why.
#[derive(Clone, Debug)]
pub struct Refused<'a> {
    /// The station, where it is known and the sender may speak for it.
    pub station: Option<StationIndex>,
    /// Where on its way.
    pub stage: Stage,
    /// Why.
    pub reason: Refusal,
    /// One line for people: which key, which topic, what was expected. Never a secret,
    /// at most 200 bytes of what arrived, control characters escaped.
    pub detail: &'a str,
}

/// Who watches the sources: counters, status, log lines and the `listen` command.
pub trait Watch: Send + Sync {
    /// A source changed its state.
    fn state(&self, source: SourceIndex, state: State);
    /// A listener is bound.
    fn listening(&self, source: SourceIndex, address: SocketAddr);
    /// Something was refused; counted once here and nowhere else.
    fn refused(&self, source: SourceIndex, refused: Refused<'_>);
    /// Something arrived, before it was decoded: `place` is the topic, the path or
    /// the device. Never carries credentials.
    fn arrived(&self, source: SourceIndex, place: &str, bytes: &[u8]);
}

/// What a session is given.
#[derive(Clone)]
pub struct Context {
    /// This source's place in the list.
    pub source: SourceIndex,
    /// The stations and channels.
    pub property: Arc<Property>,
    /// Who may speak for whom.
    pub credentials: Arc<Credentials>,
    /// Where messages go.
    pub intake: Intake,
    /// Who watches.
    pub watch: Arc<dyn Watch>,
    /// Set when the program stops; a session ends within a second.
    pub stop: CancellationToken,
    /// A durable text for this source, made once at random and kept in the store; a
    /// client identifier ends with it.
    pub suffix: Arc<str>,
    /// Numbers for connections and senders: no two alike, across restarts too.
    pub connections: Arc<AtomicU64>,
    /// The clients that once asked an inlet for a kept session. Filled at start from
    /// what the log says of redeliveries, so that they are known across restarts too.
    pub clients: Arc<KeptClients>,
}

impl Context {
    /// A number no other connection has.
    pub fn next_connection(&self) -> u64 {
        self.connections.fetch_add(1, Ordering::Relaxed)
    }
}

/// The clients of inlets that asked for a kept session: the names that
/// [`observation::sample::Redelivery::client`] carries. Bounded; the one seen longest ago
/// is forgotten first, which costs it no more than one unrecognised redelivery.
#[derive(Debug, Default)]
pub struct KeptClients(Mutex<VecDeque<Arc<str>>>);

impl KeptClients {
    /// Most clients that are remembered.
    pub const MOST: usize = 1_024;

    /// Remembers a client; gives whether it was known.
    pub fn remember(&self, client: &Arc<str>) -> bool {
        let mut clients = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let place = clients.iter().position(|known| known == client);
        if let Some(place) = place {
            clients.remove(place);
        } else if clients.len() >= Self::MOST {
            clients.pop_front();
        }
        clients.push_back(Arc::clone(client));
        place.is_some()
    }

    /// Forgets a client: it asked for a session that is not kept.
    pub fn forget(&self, client: &str) {
        let mut clients = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        clients.retain(|known| **known != *client);
    }
}

/// Why a session ended.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct End {
    /// The reason in one line; names the topic, device or address.
    pub reason: String,
    /// Whether a person must mend something.
    pub fault: bool,
    /// Whether it was useful for a while, so that the pause before the next starts
    /// small again: it carried at least one message or lasted 30 s.
    pub useful: bool,
}

/// What a source needs for itself alone: no two may claim the same.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Claim {
    /// A listening address; port 0 never collides.
    Address(SocketAddr),
    /// A device.
    Device(String),
}

/// A source: something that stations speak through.
pub trait Source: Send + Sync {
    /// What it needs for itself alone.
    fn claims(&self) -> Vec<Claim>;
    /// Runs one session until it ends by itself or `context.stop` is set.
    fn session<'a>(&'a self, context: &'a Context) -> BoxFuture<'a, End>;
}

/// Makes a source out of its table, or tells everything that is wrong with it.
pub type Build =
    fn(&config::AdapterTable, &Arc<Property>) -> Result<Box<dyn Source>, Vec<config::Fault>>;

/// What makes a source of one kind out of its table.
pub struct Kind {
    /// The table's name: `http`, `mqtt`, `mqtt_inlet`, `serial`.
    pub name: &'static str,
    /// Decodes the table, checks it against the property, and reports every fault.
    pub build: Build,
    /// A table that `check` accepts, used by the contract test.
    pub example: &'static str,
}
