//! One station's connection, from its first byte to its last.
//!
//! The rule kept here: whatever bytes are there are read at once, decoded at once and
//! handed over as one delivery; acknowledgements that fall due together go out in one
//! write. Nothing is kept for a message beyond the message itself.

mod packets;

use super::frame::Version;
use super::handshake::{self, Known};
use super::pace::Pace;
use super::version_5::{self, reason};
use super::{Filter, Inlet};
use crate::payload::Reader;
use crate::port::Context;
use crate::sources::early::Early;
use crate::sources::handover::Handover;
use crate::sources::telling::tell;
use crate::sources::topic::Topics;
use bytes::BytesMut;
use std::collections::HashMap;
use std::net::SocketAddr;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;
use tokio::time::Instant;
use tokio_util::sync::CancellationToken;

/// How many bytes are read at a time.
const CHUNK: usize = 32 << 10;
/// Most messages of one connection that wait for their commit before it is read on.
const MOST_OWED: usize = 16_384;
/// A connection without a keep-alive ends after this long without a byte.
const LONGEST_SILENCE: Duration = Duration::from_secs(3_600);
/// How long a sender may take to read its acknowledgements.
const WRITE: Duration = Duration::from_secs(10);
/// How long a refused sender waits for its connection to be closed, so that guessing is slow.
const PENALTY: Duration = Duration::from_millis(500);
/// How long a stopping connection waits for commits.
const LAST_COMMITS: Duration = Duration::from_millis(400);

/// What all connections of a listener share.
pub(super) struct Shared {
    context: Context,
    filters: Arc<[Filter]>,
    reader: Arc<Reader>,
    handshake: Duration,
    packet_limit: usize,
    /// The connection of each client, to be ended when the client comes anew.
    live: Mutex<HashMap<Arc<str>, (u64, CancellationToken)>>,
}

impl Shared {
    pub(super) fn new(inlet: &Inlet, context: &Context) -> Self {
        Self {
            context: context.clone(),
            filters: Arc::clone(&inlet.filters),
            reader: Arc::clone(&inlet.reader),
            handshake: inlet.handshake,
            packet_limit: inlet.packet_limit,
            live: Mutex::default(),
        }
    }

    fn live(&self) -> std::sync::MutexGuard<'_, HashMap<Arc<str>, (u64, CancellationToken)>> {
        self.live.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// Serves one connection to its end.
pub(super) async fn serve(shared: Arc<Shared>, mut stream: TcpStream, address: SocketAddr) {
    stream.set_nodelay(true).ok();
    let context = &shared.context;
    let mut input = BytesMut::with_capacity(4_096);
    let greeted = tokio::select! {
        () = context.stop.cancelled() => return,
        () = tokio::time::sleep(shared.handshake) => return,
        greeted = handshake::greet(context, shared.packet_limit, &mut stream, &mut input) => greeted,
    };
    let known = match greeted {
        Ok(known) => known,
        Err(refused) => {
            if let Some(refused) = refused {
                tell(context, &address.ip().to_string(), &refused);
                tokio::select! {
                    () = context.stop.cancelled() => {}
                    () = tokio::time::sleep(PENALTY) => {}
                }
            }
            return;
        }
    };
    let now = Instant::now();
    let taken_over = CancellationToken::new();
    let mut connection = Connection {
        shared: &shared,
        topics: Topics::new(&shared.reader, &shared.filters, known.grant.clone()),
        early: Early::begin(&context.property, now),
        pace: Pace::new(&context.property),
        handover: Handover::begin(context),
        output: BytesMut::new(),
        version: context.credentials.version(),
        client: known.client.clone().unwrap_or_else(|| Arc::from("")),
        known,
        last_read: now,
        told_rest: false,
    };
    connection.take_over(&taken_over);
    let over = connection.run(&mut stream, input, &taken_over).await;
    connection.say_goodbye(&mut stream, over).await;
    connection.leave();
}

struct Connection<'a> {
    shared: &'a Shared,
    known: Known,
    client: Arc<str>,
    topics: Topics,
    early: Early,
    pace: Pace,
    /// Packet identifiers, with the reason code that MQTT 5 is told.
    handover: Handover<(u16, u8)>,
    output: BytesMut,
    /// The version of the credentials under which the grant was given.
    version: u64,
    last_read: Instant,
    told_rest: bool,
}

/// The connection ends; what is to be counted was counted. In MQTT 5 the other end is told
/// this reason, unless it is gone.
#[derive(Clone, Copy)]
struct Over(Option<u8>);

/// The other end is gone, or said goodbye.
const GONE: Over = Over(None);

impl Connection<'_> {
    async fn run(
        &mut self,
        stream: &mut TcpStream,
        mut input: BytesMut,
        taken_over: &CancellationToken,
    ) -> Over {
        let patience = self.silence() / 3;
        loop {
            // The rest of the first read may already hold messages.
            let decoded = self.take_all(&mut input);
            let handed_over = self.handover.send(&self.shared.context, patience).await;
            self.acknowledge();
            if self.write(stream).await.is_err() {
                return GONE;
            }
            if let Err(over) = decoded {
                return over;
            }
            if handed_over.is_err() || self.handover.failed() {
                return Over(Some(reason::UNSPECIFIED));
            }
            if !self.is_still_granted() {
                return Over(Some(reason::NOT_AUTHORIZED));
            }
            let now = Instant::now();
            let rest = self.rest(now);
            let may_read = rest.is_none() && self.handover.owing() < MOST_OWED;
            let deadline =
                if may_read { self.last_read + self.silence() } else { now + self.silence() };
            input.reserve(CHUNK);
            tokio::select! {
                biased;
                () = self.shared.context.stop.cancelled() => return self.stop(stream).await,
                () = taken_over.cancelled() => return Over(Some(reason::TAKEN_OVER)),
                () = self.handover.changed() => {}
                read = stream.read_buf(&mut input), if may_read => match read {
                    Ok(0) | Err(_) => return GONE,
                    Ok(_) => self.last_read = Instant::now(),
                },
                () = tokio::time::sleep(rest.unwrap_or_default()), if rest.is_some() => {
                    self.last_read = Instant::now();
                }
                () = tokio::time::sleep_until(deadline) => {
                    return Over(Some(reason::KEEP_ALIVE));
                }
            }
        }
    }

    async fn write(&mut self, stream: &mut TcpStream) -> Result<(), Over> {
        if self.output.is_empty() {
            return Ok(());
        }
        let written = tokio::time::timeout(WRITE, stream.write_all(&self.output)).await;
        self.output.clear();
        match written {
            Ok(Ok(())) => Ok(()),
            _ => Err(GONE),
        }
    }

    /// How long to wait before reading on, for a sender that is too fast.
    fn rest(&mut self, now: Instant) -> Option<Duration> {
        let (station, rest) = self.pace.rest(now)?;
        if !self.told_rest {
            self.told_rest = true;
            let property = &self.shared.context.property;
            let id = property.stations.get(usize::from(station.0)).map_or("", |s| s.id.as_str());
            tracing::warn!(station = id, "sends faster than its `rate` allows; it is read slowly");
        }
        Some(rest)
    }

    /// One and a half times what the client promised (MQTT 3.1.1, section 3.1.2.10).
    fn silence(&self) -> Duration {
        if self.known.keep_alive.is_zero() {
            LONGEST_SILENCE
        } else {
            self.known.keep_alive * 3 / 2
        }
    }

    /// Whether the token still stands: it may have been revoked while connected.
    fn is_still_granted(&mut self) -> bool {
        let credentials = &self.shared.context.credentials;
        let version = credentials.version();
        if version == self.version {
            return true;
        }
        self.version = version;
        let (user, password) = &self.known.login;
        credentials.verify_as(user, password.as_bytes()).as_ref() == Some(&self.known.grant)
    }

    /// Ends an older connection of the same client (MQTT 3.1.1, section 3.1.4).
    fn take_over(&self, token: &CancellationToken) {
        if let Some(client) = &self.known.client {
            let entry = (self.handover.sender, token.clone());
            if let Some((_, older)) = self.shared.live().insert(Arc::clone(client), entry) {
                older.cancel();
            }
        }
    }

    fn leave(&self) {
        if let Some(client) = &self.known.client {
            let mut live = self.shared.live();
            if live.get(client).is_some_and(|(sender, _)| *sender == self.handover.sender) {
                live.remove(client);
                if !self.known.keeps_session {
                    self.shared.context.clients.forget(client);
                }
            }
        }
    }

    /// Tells a client of MQTT 5 why its connection ends.
    async fn say_goodbye(&mut self, stream: &mut TcpStream, over: Over) {
        if let (Over(Some(code)), Version::Five) = (over, self.known.version) {
            version_5::goodbye(&mut self.output, code);
            tokio::time::timeout(LAST_COMMITS, self.write(stream)).await.ok();
        }
    }

    /// Acknowledges what becomes durable within a moment.
    async fn stop(&mut self, stream: &mut TcpStream) -> Over {
        let last = Instant::now() + LAST_COMMITS;
        while self.handover.owing() > 0 && !self.handover.failed() {
            tokio::select! {
                () = self.handover.changed() => {}
                () = tokio::time::sleep_until(last) => break,
            }
            self.acknowledge();
        }
        tokio::time::timeout(LAST_COMMITS, self.write(stream)).await.ok();
        Over(Some(reason::SHUTTING_DOWN))
    }
}
