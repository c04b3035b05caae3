//! MQTT messages that come again because their receipt was lost.
//!
//! A message without an identity of its own is recognised by redelivery bit, topic,
//! packet identifier and payload: all equal to the newest use of that packet identifier
//! in an earlier connection of the same session.

use crate::hash::Fnv;
use observation::{Message, SourceIndex, Value};
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

#[derive(Debug)]
struct Session {
    source: SourceIndex,
    client: Arc<str>,
    /// Oldest first; the last is the present one.
    connections: VecDeque<Connection>,
}

/// All sessions, the most recently used last.
#[derive(Debug, Default)]
pub(crate) struct Redeliveries {
    sessions: Vec<Session>,
    /// Where the session of a source and client was last.
    places: HashMap<(u16, Arc<str>), usize>,
}

/// A number for what a message says; equal for equal messages.
fn content(topic: &str, message: &Message) -> u64 {
    let mut hasher = Fnv::default();
    topic.hash(&mut hasher);
    for sample in &message.samples {
        sample.channel.hash(&mut hasher);
        match &sample.value {
            Value::Number(number) => number.get().to_bits().hash(&mut hasher),
            Value::Text(text) => text.hash(&mut hasher),
        }
        match sample.stated {
            observation::Stated::At(time) => (1_u8, time.0).hash(&mut hasher),
            observation::Stated::Relative(age) => (2_u8, age).hash(&mut hasher),
            observation::Stated::Nothing => 3_u8.hash(&mut hasher),
            observation::Stated::Unplaceable => 4_u8.hash(&mut hasher),
        }
    }
    hasher.finish()
}

impl Redeliveries {
    /// Notes a message and says whether it was held before.
    pub(crate) fn seen(&mut self, message: &Message) -> bool {
        let Some(redelivery) = &message.redelivery else { return false };
        let content = content(&redelivery.topic, message);
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
        let known = self.places.get(&key).copied().filter(|&p| {
            self.sessions.get(p).is_some_and(|s| s.source == source && s.client == *client)
        });
        let place = known.unwrap_or_else(|| {
            let session =
                Session { source, client: Arc::clone(client), connections: VecDeque::new() };
            if self.sessions.len() >= SESSIONS {
                // All move down by one; places are found again as they are used.
                self.sessions.remove(0);
                self.places.clear();
                for (place, session) in self.sessions.iter().enumerate() {
                    self.places.insert((session.source.0, Arc::clone(&session.client)), place);
                }
            }
            self.sessions.push(session);
            self.places.insert(key, self.sessions.len() - 1);
            self.sessions.len() - 1
        });
        &mut self.sessions[place]
    }
}
