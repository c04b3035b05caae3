//! MQTT messages that come again because their receipt was lost.
//!
//! Samples without an identity of their own are recognised by redelivery bit, topic,
//! packet identifier and payload: all equal to the newest use of that packet identifier
//! in an earlier connection of the same session. Samples with an identity are left to
//! it, so that the same is recognised after a restart, from what the log kept.

use crate::hash::Words;
use observation::{Measured, Message, SourceIndex, Stated, Value};
use std::collections::VecDeque;
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
    /// When it was used last, counted in uses.
    used: u64,
}

/// All sessions.
#[derive(Debug, Default)]
pub(crate) struct Redeliveries {
    sessions: Vec<Session>,
    /// The place of the session used last: most messages come from the same again.
    last: usize,
    uses: u64,
}

/// A number for the samples that `counts` picks; none if it picks none.
fn content(topic: &str, message: &Message, counts: impl Fn(&Measured) -> bool) -> Option<u64> {
    let mut words = Words::default();
    words.text(topic);
    let mut any = false;
    for sample in message.samples.iter().filter(|s| counts(s)) {
        any = true;
        words.word(sample.channel.0.into());
        match &sample.value {
            Value::Number(number) => words.word(number.get().to_bits()),
            Value::Text(text) => words.text(text),
        }
        let (kind, stated) = match sample.stated {
            Stated::At(time) => (1, time.0),
            Stated::Relative(age) => (2, age),
            Stated::Nothing => (3, 0),
            Stated::Unplaceable => (4, 0),
        };
        words.word(kind);
        words.word(stated.cast_unsigned());
    }
    any.then(|| words.finish())
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
        self.uses += 1;
        let same = |s: &Session| {
            s.source == source && (Arc::ptr_eq(&s.client, client) || s.client == *client)
        };
        if !self.sessions.get(self.last).is_some_and(same) {
            self.last =
                self.sessions.iter().position(same).unwrap_or_else(|| self.begin(source, client));
        }
        let session = &mut self.sessions[self.last];
        session.used = self.uses;
        session
    }

    /// Makes room for a session and gives its place.
    fn begin(&mut self, source: SourceIndex, client: &Arc<str>) -> usize {
        let session =
            Session { source, client: Arc::clone(client), connections: VecDeque::new(), used: 0 };
        if self.sessions.len() < SESSIONS {
            self.sessions.push(session);
            return self.sessions.len() - 1;
        }
        let oldest = self.sessions.iter().enumerate().min_by_key(|(_, s)| s.used);
        let place = oldest.map_or(0, |(place, _)| place);
        self.sessions[place] = session;
        place
    }
}
