//! One connection to a broker, from the attempt to connect to its end.
//!
//! The rule kept here: every wait has a deadline on the monotonic clock. Whatever the
//! broker has already sent is taken in one go and handed over as one delivery; while
//! the store does not keep up, nothing is read, for at most half the keep-alive.

mod ending;
mod messages;
mod waiting;

use super::link::{Event, Link, Lost, Opening};
use super::{Memory, Mqtt, Protocol, version_3, version_5};
use crate::credentials::Grant;
use crate::port::{Context, End, State};
use crate::sources::early::Early;
use crate::sources::filter::Filter;
use crate::sources::handover::{Handover, LARGEST, LARGEST_BYTES, Unsent};
use crate::sources::topic::Topics;
use config::read_secret;
use ending::Ended;
use futures_util::{FutureExt, StreamExt};
use std::collections::VecDeque;
use std::sync::{Arc, PoisonError};
use std::time::Duration;
use tokio::time::Instant;

/// How long connecting may take: name, TCP, TLS and the broker's acceptance.
const CONNECT: Duration = Duration::from_secs(15);
/// A session that a broker closes sooner than this was probably taken over.
const SHORT: Duration = Duration::from_secs(5);
/// A session that lasted this long was useful even without a message.
const LONG: Duration = Duration::from_secs(30);
/// Packet identifiers are 16 bits wide: more unacknowledged messages cannot be told apart.
const MOST_OWED: usize = 65_535;

/// Runs one session.
pub(super) async fn run(source: &Mqtt, context: &Context) -> End {
    let clean = !source.keep_session || source.memory().too_large >= 2;
    let opening = match opening(source, context, clean) {
        Ok(opening) => opening,
        Err(reason) => return End { reason, fault: true, useful: false },
    };
    let link = match source.protocol {
        Protocol::Version3 => version_3::open(opening),
        Protocol::Version5 => version_5::open(opening),
    };
    let began = Instant::now();
    let mut session = Session {
        source,
        context,
        link,
        clean,
        stage: Stage::Connecting,
        accepted: None,
        last_life: began,
        asked: began,
        refused: Vec::new(),
        filters: source.filters.iter().map(Filter::text).collect(),
        topics: Topics::new(&source.reader, &source.filters, Grant::every()),
        early: Early::begin(&context.property, began),
        handover: Handover::begin(context),
        acknowledge: VecDeque::new(),
        client: Arc::from(""),
    };
    let ended = session.run().await;
    session.end(ended)
}

fn opening(source: &Mqtt, context: &Context, clean: bool) -> Result<Opening, String> {
    let tls = source.broker.tls.then(|| crate::trust::trust(&source.files)).transpose();
    let tls = tls.map_err(|wrong| wrong.why)?;
    let password = match &source.password_file {
        Some(path) => Some(
            read_secret(path).map_err(|why| format!("password file {}: {why}", path.display()))?,
        ),
        None => None,
    };
    let login = source
        .user
        .as_ref()
        .map(|user| (user.clone(), password.map(|p| p.reveal().to_owned()).unwrap_or_default()));
    Ok(Opening {
        host: source.broker.host.clone(),
        port: source.broker.port,
        tls,
        client_id: source.client_id(context),
        login,
        keep_alive: source.keep_alive,
        clean,
        packet_limit: source.packet_limit,
        patience: CONNECT,
    })
}

impl Mqtt {
    fn client_id(&self, context: &Context) -> String {
        self.client_id.clone().unwrap_or_else(|| format!("isobarn-{}", context.suffix))
    }

    fn memory(&self) -> std::sync::MutexGuard<'_, Memory> {
        self.memory.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

enum Stage {
    Connecting,
    Subscribing,
    Live,
}

struct Session<'a> {
    source: &'a Mqtt,
    context: &'a Context,
    link: Link,
    clean: bool,
    stage: Stage,
    accepted: Option<Instant>,
    last_life: Instant,
    asked: Instant,
    /// The filters that the broker refused.
    refused: Vec<String>,
    /// The filters last asked for.
    filters: Vec<String>,
    topics: Topics,
    early: Early,
    handover: Handover<u16>,
    acknowledge: VecDeque<u16>,
    client: Arc<str>,
}

impl Session<'_> {
    async fn run(&mut self) -> Ended {
        loop {
            while let Some(packet) = self.handover.due() {
                self.acknowledge.push_back(packet);
            }
            if !self.acknowledge.is_empty() {
                self.link.requests.acknowledge(&mut self.acknowledge);
            }
            if self.handover.failed() {
                return Ended::because(
                    "a message could not be stored; the broker is to send it again",
                );
            }
            if self.handover.owing() > MOST_OWED {
                return Ended::because("the broker sends on without waiting for acknowledgements");
            }
            let deadline = self.deadline();
            let event = tokio::select! {
                biased;
                () = self.context.stop.cancelled() => return self.stop().await,
                event = self.link.events.next() => event,
                () = self.handover.changed() => continue,
                () = tokio::time::sleep_until(deadline) => {
                    if let Some(ended) = self.overdue() { return ended }
                    continue;
                }
            };
            if let Err(ended) = self.take_all(event) {
                // What came before the end is still handed over: it costs nothing, and the
                // broker's second delivery will be recognised.
                self.hand_over().await.ok();
                return ended;
            }
            if let Err(ended) = self.hand_over().await {
                return ended;
            }
        }
    }

    /// Takes an event and all that wait behind it, up to one delivery.
    fn take_all(&mut self, first: Option<Result<Event, Lost>>) -> Result<(), Ended> {
        let now = Instant::now();
        let (mut next, mut bytes) = (first, 0);
        for _ in 0..LARGEST {
            let event = next.ok_or_else(|| Ended::because("the connection is over"))??;
            if let Event::Publish(publish) = &event {
                bytes += publish.payload.len();
            }
            self.take(event, now)?;
            if bytes >= LARGEST_BYTES {
                break;
            }
            match self.link.events.next().now_or_never() {
                Some(event) => next = event,
                None => break,
            }
        }
        Ok(())
    }

    fn take(&mut self, event: Event, now: Instant) -> Result<(), Ended> {
        match event {
            Event::Sent => return Ok(()),
            Event::Life => {}
            Event::Accepted => {
                self.accepted = Some(now);
                self.early = Early::begin(&self.context.property, now);
                self.stage = Stage::Subscribing;
                self.subscribe(now)?;
            }
            Event::Subscribed(granted) => self.subscribed(&granted)?,
            Event::Publish(publish) => self.message(&publish, now),
        }
        self.last_life = now;
        Ok(())
    }

    fn subscribe(&mut self, now: Instant) -> Result<(), Ended> {
        self.asked = now;
        if self.link.requests.subscribe(&self.filters) {
            Ok(())
        } else {
            Err(Ended::because("the subscription could not be sent"))
        }
    }

    fn subscribed(&mut self, granted: &[bool]) -> Result<(), Ended> {
        if granted.len() != self.filters.len() {
            return Err(Ended::because(format!(
                "the broker breaks the protocol: {} answers to {} filters",
                granted.len(),
                self.filters.len()
            )));
        }
        self.refused = self
            .filters
            .iter()
            .zip(granted)
            .filter(|(_, granted)| !**granted)
            .map(|(filter, _)| filter.clone())
            .collect();
        self.stage = Stage::Live;
        if self.refused.is_empty() {
            self.context.watch.state(self.context.source, State::Up);
            return Ok(());
        }
        let reason = format!(
            "{} refuses the subscription to `{}`: allow it there for {}",
            self.source.broker,
            self.refused.join("`, `"),
            match &self.source.user {
                Some(user) => format!("user `{user}`"),
                None => format!("client `{}`", self.source.client_id(self.context)),
            }
        );
        if self.refused.len() == self.source.filters.len() {
            return Err(Ended::Because { reason, fault: true });
        }
        self.context.watch.state(self.context.source, State::Fault(reason));
        Ok(())
    }

    async fn hand_over(&mut self) -> Result<(), Ended> {
        let patience = self.source.keep_alive / 2;
        self.handover.send(self.context, patience).await.map_err(|unsent| match unsent {
            Unsent::Stopped => Ended::Stopped,
            unsent => Ended::because(unsent.reason(patience)),
        })
    }
}
