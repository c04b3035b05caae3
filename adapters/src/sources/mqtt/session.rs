//! One connection to a broker, from the attempt to connect to its end.
//!
//! The rule kept here: every wait has a deadline on the monotonic clock. Whatever the
//! broker has already sent is taken in one go and handed over as one delivery; while
//! the store does not keep up, nothing is read, for at most half the keep-alive.

mod ending;

use super::link::{Event, Link, Lost, Opening, Publish};
use super::{Memory, Mqtt, Protocol, version_3, version_5};
use crate::credentials::Grant;
use crate::payload::{Decoded, Refused};
use crate::port::{Context, End, State};
use crate::sources::early::Early;
use crate::sources::filter::Filter;
use crate::sources::handover::{Handover, LARGEST, LARGEST_BYTES, Unsent};
use crate::sources::telling::tell;
use crate::sources::topic::{Holds, Topics};
use config::read_secret;
use ending::Ended;
use futures_util::{FutureExt, StreamExt};
use observation::Refusal;
use observation::sample::Redelivery;
use std::collections::VecDeque;
use std::sync::{Arc, PoisonError};
use std::time::Duration;
use tokio::time::Instant;

/// How long connecting may take: name, TCP, TLS and the broker's acceptance.
const CONNECT: Duration = Duration::from_secs(15);
/// How long the answer to a subscription may take.
const SUBSCRIBE: Duration = Duration::from_secs(10);
/// Time between attempts to subscribe to what was refused.
const ASK_AGAIN: Duration = Duration::from_secs(300);
/// A session that a broker closes sooner than this was probably taken over.
const SHORT: Duration = Duration::from_secs(5);
/// A session that lasted this long was useful even without a message.
const LONG: Duration = Duration::from_secs(30);
/// Packet identifiers are 16 bits wide: more unacknowledged messages cannot be told apart.
const MOST_OWED: usize = 65_535;
/// How long a stopping session waits for commits, and then for its goodbye.
const LAST_COMMITS: Duration = Duration::from_millis(400);
const GOODBYE: Duration = Duration::from_millis(200);

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

    /// Reads one message. Whatever becomes of it, what was sent at `QoS` 1 is owed an
    /// acknowledgement: a refused message must not fill the broker's window.
    fn message(&mut self, publish: &Publish, now: Instant) {
        let Ok(topic) = std::str::from_utf8(&publish.topic) else {
            let refused = Refused {
                station: None,
                reason: Refusal::Malformed,
                detail: "a topic that is not UTF-8".to_owned(),
            };
            tell(self.context, "", &refused);
            return self.owe(publish);
        };
        self.context.watch.arrived(self.context.source, topic, &publish.payload);
        // An empty payload only clears what the broker retained.
        if !publish.payload.is_empty() {
            match self.topics.read(topic, &publish.payload) {
                Ok((kept, Holds::One(decoded))) => {
                    self.add(topic, &kept, decoded, publish, now);
                }
                Ok((kept, Holds::Several(all))) => {
                    for decoded in all {
                        self.add(topic, &kept, decoded, publish, now);
                    }
                }
                Err(refused) => tell(self.context, topic, &refused),
            }
        }
        self.owe(publish);
    }

    fn add(
        &mut self,
        topic: &str,
        kept: &Arc<str>,
        decoded: Decoded,
        publish: &Publish,
        now: Instant,
    ) {
        if publish.retained && !decoded.has_own_time() {
            let refused = Refused {
                station: Some(decoded.station),
                reason: Refusal::Retained,
                detail: "a retained message without a time of its own proves nothing".to_owned(),
            };
            return tell(self.context, topic, &refused);
        }
        let early = self.early.is(decoded.station, now);
        let redelivery = publish.packet.map(|packet| Redelivery {
            client: Arc::clone(&self.client),
            connection: self.handover.sender,
            topic: Arc::clone(kept),
            packet,
            again: publish.again,
        });
        self.handover.add(decoded.into_message(self.context.source, early, redelivery));
    }

    fn owe(&mut self, publish: &Publish) {
        if let Some(packet) = publish.packet {
            self.handover.owe(packet);
        }
    }

    async fn hand_over(&mut self) -> Result<(), Ended> {
        let patience = self.source.keep_alive / 2;
        self.handover.send(self.context, patience).await.map_err(|unsent| match unsent {
            Unsent::Stopped => Ended::Stopped,
            unsent => Ended::because(unsent.reason(patience)),
        })
    }

    fn deadline(&self) -> Instant {
        match self.stage {
            Stage::Connecting => self.last_life + CONNECT + Duration::from_secs(1),
            Stage::Subscribing => self.asked + SUBSCRIBE,
            Stage::Live => {
                let silent = self.last_life + self.source.keep_alive * 3 / 2;
                if self.refused.is_empty() { silent } else { silent.min(self.asked + ASK_AGAIN) }
            }
        }
    }

    /// What to do when the deadline passed.
    fn overdue(&mut self) -> Option<Ended> {
        let now = Instant::now();
        if now < self.deadline() {
            return None;
        }
        match self.stage {
            Stage::Connecting => Some(Ended::because("no answer to the attempt to connect")),
            Stage::Subscribing => Some(Ended::because(format!(
                "no answer to the subscription within {} s",
                SUBSCRIBE.as_secs()
            ))),
            Stage::Live if now >= self.last_life + self.source.keep_alive * 3 / 2 => {
                Some(Ended::because(format!(
                    "no sign of life for {:.0} s",
                    (now - self.last_life).as_secs_f64()
                )))
            }
            Stage::Live => {
                self.filters = std::mem::take(&mut self.refused);
                self.stage = Stage::Subscribing;
                self.subscribe(now).err()
            }
        }
    }

    /// Acknowledges what is durable by now and says goodbye.
    async fn stop(&mut self) -> Ended {
        let last = Instant::now() + LAST_COMMITS;
        while self.handover.owing() > 0 && !self.handover.failed() {
            tokio::select! {
                () = self.handover.changed() => {}
                () = tokio::time::sleep_until(last) => break,
            }
            while let Some(packet) = self.handover.due() {
                self.acknowledge.push_back(packet);
            }
        }
        self.link.requests.acknowledge(&mut self.acknowledge);
        self.link.requests.disconnect();
        let over = async { while let Some(Ok(_)) = self.link.events.next().await {} };
        tokio::time::timeout(GOODBYE, over).await.ok();
        Ended::Stopped
    }
}
