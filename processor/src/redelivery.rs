//! MQTT messages that come again because their receipt was lost.
//!
//! Samples without an identity of their own are recognised by redelivery bit, topic,
//! packet identifier and payload: all equal to the newest use of that packet identifier
//! in an earlier connection of the same session. Samples with an identity are left to
//! it, so that the same is recognised after a restart, from what the log kept.

use crate::hash::Fnv;
use observation::{Measured, Message, SourceIndex, Stated, Value};
use std::collections::{HashMap, VecDeque};
use std::hash::{Hash, Hasher};
use std::sync::Arc;

/// Messages remembered of one connection.
const MESSAGES: usize = 1_000;
/// Connections remembered of one session. A redelivery that was recognised leaves no
/// trace in the log, so after a restart its first use may lie more than one back.
const CONNECTIONS: usize = 4;
/// Sessions remembered.
const SESSIONS: usize = 256;

#[derive(Debug)]
struct Connection {
    number: u64,
    /// Packet identifier and content, oldest first.
    used: VecDeque<(u16, u64)>,
}

#[derive(Debug, Default)]
struct Session {
    /// Oldest first; the last is the present one.
    connections: VecDeque<Connection>,
    /// When it was used last, counted in uses.
    used: u64,
}

/// All sessions.
#[derive(Debug, Default)]
pub(crate) struct Redeliveries {
    sessions: HashMap<(u16, Arc<str>), Session>,
    uses: u64,
}

/// A number for the samples that `counts` picks; none if it picks none.
fn content(topic: &str, message: &Message, counts: impl Fn(&Measured) -> bool) -> Option<u64> {
    let mut hasher = Fnv::default();
    topic.hash(&mut hasher);
    let mut any = false;
    for sample in message.samples.iter().filter(|s| counts(s)) {
        any = true;
        hasher.write(&sample.channel.0.to_le_bytes());
        match &sample.value {
            Value::Number(number) => hasher.write(&number.get().to_bits().to_le_bytes()),
            Value::Text(text) => text.hash(&mut hasher),
        }
        let (kind, stated) = match sample.stated {
            Stated::At(time) => (1, time.0),
            Stated::Relative(age) => (2, age),
            Stated::Nothing => (3, 0),
            Stated::Unplaceable => (4, 0),
        };
        hasher.write(&[kind]);
        hasher.write(&stated.to_le_bytes());
    }
    any.then(|| hasher.finish())
}

impl Redeliveries {
    /// Notes a message and says whether it was held before, as far as the samples go
    /// that `counts` picks: those that have no identity and can be placed in time.
    pub(crate) fn seen(&mut self, message: &Message, counts: impl Fn(&Measured) -> bool) -> bool {
        let Some(redelivery) = &message.redelivery else { return false };
        let Some(content) = content(&redelivery.topic, message, counts) else { return false };
        let session = self.session(message.source, &redelivery.client);
        let present = session.connections.back().map(|c| c.number);
        if present != Some(redelivery.connection) {
            if session.connections.len() >= CONNECTIONS {
                session.connections.pop_front();
            }
            let used = VecDeque::new();
            session.connections.push_back(Connection { number: redelivery.connection, used });
        }
        let again = redelivery.again
            && session
                .connections
                .iter()
                .rev()
                .skip(1)
                .find_map(|c| c.used.iter().rev().find(|(packet, _)| *packet == redelivery.packet))
                .is_some_and(|&(_, before)| before == content);
        if let Some(connection) = session.connections.back_mut() {
            if connection.used.len() >= MESSAGES {
                connection.used.pop_front();
            }
            connection.used.push_back((redelivery.packet, content));
        }
        again
    }

    fn session(&mut self, source: SourceIndex, client: &Arc<str>) -> &mut Session {
        let key = (source.0, Arc::clone(client));
        self.uses += 1;
        if self.sessions.len() >= SESSIONS && !self.sessions.contains_key(&key) {
            let oldest = self.sessions.iter().min_by_key(|(_, s)| s.used).map(|(k, _)| k.clone());
            if let Some(oldest) = oldest {
                self.sessions.remove(&oldest);
            }
        }
        let session = self.sessions.entry(key).or_default();
        session.used = self.uses;
        session
    }
}
