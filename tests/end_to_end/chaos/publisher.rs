//! A sender over the broker that knows which of its messages the broker acknowledged.

use rumqttc::{Client, Connection, Event, Incoming, MqttOptions, Outgoing, QoS};
use std::collections::{BTreeMap, VecDeque};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering::Relaxed};
use std::thread::JoinHandle;
use std::time::Duration;

/// How many messages may wait for their receipt.
const WINDOW: usize = 8;

/// Messages that are told apart only by their pair: every second value equals the one before.
pub(crate) fn value(i: u64) -> f64 {
    (i / 2) as f64 * 0.01
}

/// What became of the messages: how many of each value at least and at most must be there.
pub(crate) struct Sent {
    /// By value: acknowledged, and sent at all.
    by_value: BTreeMap<String, (u64, u64)>,
}

impl Sent {
    /// Nothing yet.
    pub(crate) fn new() -> Self {
        Self { by_value: BTreeMap::new() }
    }

    /// Notes one message.
    pub(crate) fn note(&mut self, i: u64, acknowledged: bool) {
        let entry = self.by_value.entry(format!("{:.2}", value(i))).or_default();
        entry.0 += u64::from(acknowledged);
        entry.1 += 1;
    }

    /// How many were acknowledged.
    pub(crate) fn acknowledged(&self) -> u64 {
        self.by_value.values().map(|(acknowledged, _)| acknowledged).sum()
    }

    /// Every acknowledged one is logged once; one without a receipt at most once.
    pub(crate) fn check(&self, what: &str, logged: &BTreeMap<String, u64>) {
        let sent: u64 = self.by_value.values().map(|(_, sent)| sent).sum();
        let held: u64 = logged.values().sum();
        println!("{what}: {sent} sent, {} acknowledged, {held} logged", self.acknowledged());
        assert!(self.acknowledged() > 0, "{what}: nothing was acknowledged");
        let wrong: Vec<String> = self
            .by_value
            .iter()
            .filter_map(|(value, &(least, most))| {
                let held = logged.get(value).copied().unwrap_or(0);
                (held < least || held > most)
                    .then(|| format!("{value}: {held}, not {least} to {most}"))
            })
            .collect();
        assert!(wrong.is_empty(), "{what}: {wrong:?}");
        let strange = logged.keys().find(|value| !self.by_value.contains_key(*value));
        assert_eq!(strange, None, "{what}: logged and never sent");
    }
}

/// The sender.
pub(crate) struct Publisher {
    enough: Arc<AtomicBool>,
    thread: JoinHandle<Sent>,
}

/// The messages of one connection that have no receipt.
#[derive(Default)]
struct Open {
    /// Handed to the client, not yet written.
    waiting: VecDeque<u64>,
    /// By packet identifier.
    written: BTreeMap<u16, u64>,
}

fn connect(port: u16, number: u32) -> (Client, Connection) {
    let mut options = MqttOptions::new(format!("station-{number}"), "127.0.0.1", port);
    options.set_keep_alive(Duration::from_secs(5));
    Client::new(options, 2 * WINDOW)
}

impl Publisher {
    /// Publishes values at QoS 1 until it is enough. What had no receipt when a connection broke is
    /// not sent again: a new session begins, so that the broker has it once or not at all.
    pub(crate) fn start(port: u16, topic: &'static str) -> Self {
        let enough = Arc::new(AtomicBool::new(false));
        let told = Arc::clone(&enough);
        let thread = std::thread::spawn(move || {
            let (mut sent, mut open, mut next) = (Sent::new(), Open::default(), 0);
            let mut number = 0;
            let (mut client, mut connection) = connect(port, number);
            while !told.load(Relaxed) || !open.waiting.is_empty() || !open.written.is_empty() {
                if !told.load(Relaxed) && open.waiting.len() + open.written.len() < WINDOW {
                    let payload = value(next).to_string();
                    client.try_publish(topic, QoS::AtLeastOnce, false, payload).unwrap();
                    open.waiting.push_back(next);
                    next += 1;
                }
                match connection.recv_timeout(Duration::from_millis(5)) {
                    Ok(Ok(Event::Outgoing(Outgoing::Publish(packet)))) => {
                        open.written.insert(packet, open.waiting.pop_front().unwrap());
                        std::thread::sleep(Duration::from_millis(8));
                    }
                    Ok(Ok(Event::Incoming(Incoming::PubAck(receipt)))) => {
                        let i = open.written.remove(&receipt.pkid).unwrap();
                        sent.note(i, true);
                    }
                    Ok(Ok(_)) | Err(_) => {}
                    Ok(Err(_)) => {
                        for i in open
                            .waiting
                            .drain(..)
                            .chain(std::mem::take(&mut open.written).into_values())
                        {
                            sent.note(i, false);
                        }
                        std::thread::sleep(Duration::from_millis(50));
                        number += 1;
                        (client, connection) = connect(port, number);
                    }
                }
            }
            sent
        });
        Self { enough, thread }
    }

    /// It is enough: waits until the last message has its receipt.
    pub(crate) fn finish(self) -> Sent {
        self.enough.store(true, Relaxed);
        self.thread.join().unwrap()
    }
}
