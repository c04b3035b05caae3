//! MQTT messages that come again because their receipt was lost.
//!
//! Samples without an identity of their own are recognised by redelivery bit, topic,
//! packet identifier and payload: all equal to the newest use of that packet identifier
//! in an earlier connection of the same session. Samples with an identity are left to
//! it, so that the same is recognised after a restart, from what the log kept.

use crate::hash::Words;
use observation::{Measured, Message, SourceIndex, Stated, Value};
use std::collections::{HashMap, VecDeque};
use std::sync::Arc;

/// Messages remembered of all connections together. A broker may send as many without a
/// receipt as there are packet identifiers, and mosquitto does so with what waited while
/// it was restarted.
const MESSAGES: usize = 3 * u16::MAX as usize;
/// Connections remembered of one session. A redelivery that was recognised leaves no
/// trace in the log, so after a restart its first use may lie more than one back.
const CONNECTIONS: usize = 4;
/// Sessions remembered.
const SESSIONS: usize = 256;

#[derive(Debug)]
struct Connection {
    number: u64,
    /// The newest content of a packet identifier, and which use it was.
    newest: HashMap<u16, (u64, u64)>,
    /// Packet identifiers in the order of their uses, with the use; some were used again.
    order: VecDeque<(u16, u64)>,
    uses: u64,
}

impl Connection {
    fn new(number: u64) -> Self {
        Self { number, newest: HashMap::new(), order: VecDeque::new(), uses: 0 }
    }

    fn note(&mut self, packet: u16, content: u64) {
        self.uses += 1;
        self.newest.insert(packet, (content, self.uses));
        self.order.push_back((packet, self.uses));
        if self.order.len() > usize::from(u16::MAX) {
            self.forget(1);
        }
    }

    /// Forgets the oldest uses.
    fn forget(&mut self, count: usize) {
        for (packet, nth) in self.order.drain(..count.min(self.order.len())) {
            if self.newest.get(&packet).is_some_and(|&(_, newest)| newest == nth) {
                self.newest.remove(&packet);
            }
        }
    }
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
    /// Messages noted since it was looked at how many are held.
    noted: usize,
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
            session.connections.push_back(Connection::new(redelivery.connection));
        }
        let again = redelivery.again
            && session
                .connections
                .iter()
                .rev()
                .skip(1)
                .find_map(|c| c.newest.get(&redelivery.packet))
                .is_some_and(|&(before, _)| before == content);
        if let Some(connection) = session.connections.back_mut() {
            connection.note(redelivery.packet, content);
        }
        self.noted += 1;
        if self.noted > MESSAGES / 16 {
            self.bound();
        }
        again
    }

    /// Forgets the older half of whatever is longest until all hold no more than they may,
    /// with a sixteenth that is noted before this is looked at again.
    fn bound(&mut self) {
        self.noted = 0;
        let all = |s: &Self| -> usize {
            s.sessions.iter().flat_map(|s| &s.connections).map(|c| c.order.len()).sum()
        };
        while all(self) > MESSAGES - MESSAGES / 16 {
            let connections = self.sessions.iter_mut().flat_map(|s| &mut s.connections);
            let Some(longest) = connections.max_by_key(|c| c.order.len()) else { break };
            longest.forget(longest.order.len().div_ceil(2));
        }
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

#[cfg(test)]
#[allow(clippy::expect_used)]
mod tests {
    use super::*;
    use observation::sample::Redelivery;
    use observation::{ChannelIndex, Finite, StationIndex, Time};

    fn message(client: &str, connection: u64, packet: u16, again: bool, value: f64) -> Message {
        let (client, topic) = (Arc::from(client), Arc::from("croft/ridge"));
        Message {
            station: StationIndex(0),
            source: SourceIndex(0),
            boot: None,
            sequence: None,
            received: Time(0),
            early: false,
            redelivery: Some(Redelivery { client, connection, topic, packet, again }),
            samples: vec![Measured {
                channel: ChannelIndex(0),
                value: Value::Number(Finite::new(value).expect("a number")),
                stated: Stated::Nothing,
            }],
        }
    }

    /// OASIS, "MQTT Version 3.1.1", 2014, section 2.3.1: packet identifiers are 16 bits and
    /// not 0; that many messages may be without a receipt at once.
    #[test]
    fn as_many_as_may_wait_for_a_receipt_are_recognised() {
        let mut seen = Redeliveries::default();
        for packet in 1..=u16::MAX {
            assert!(!seen.seen(&message("house", 1, packet, false, f64::from(packet)), |_| true));
        }
        for packet in 1..=u16::MAX {
            assert!(seen.seen(&message("house", 2, packet, true, f64::from(packet)), |_| true));
        }
        // Another content under the same identifier is another message.
        assert!(!seen.seen(&message("house", 3, 7, true, 0.5), |_| true));
    }

    #[test]
    fn what_is_held_is_bounded_and_the_newest_stays() {
        let mut seen = Redeliveries::default();
        for round in 0..3 {
            for client in 0..40 {
                let client = format!("station {client}");
                for packet in 1..=9_000 {
                    seen.seen(&message(&client, round, packet, false, 1.0), |_| true);
                }
            }
        }
        let connections = || seen.sessions.iter().flat_map(|s| &s.connections);
        let held: usize = connections().map(|c| c.order.len()).sum();
        assert!(held <= MESSAGES && held > MESSAGES / 4, "{held}");
        assert!(connections().all(|c| c.newest.len() <= c.order.len()));
        for client in 0..40 {
            let client = format!("station {client}");
            assert!(seen.seen(&message(&client, 9, 9_000, true, 1.0), |_| true), "{client}");
        }
    }
}
