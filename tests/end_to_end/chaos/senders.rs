//! Senders over HTTP: two that repeat what has an identity until it is acknowledged, one
//! that sends without identity and never twice.

use super::publisher::{Sent, value};
use crate::kills::{Address, insist};
use crate::settings::token;
use isobarn_tests::push::Client;
use std::collections::BTreeMap;
use std::net::SocketAddr;
use std::sync::atomic::{AtomicBool, Ordering::Relaxed};
use std::sync::{Arc, Mutex};
use std::thread::JoinHandle;
use std::time::{Duration, SystemTime, UNIX_EPOCH};

/// All three.
pub(crate) struct Senders {
    address: Address,
    enough: Arc<AtomicBool>,
    threads: Vec<(&'static str, JoinHandle<Sent>)>,
}

/// What became of what they sent, by station.
pub(crate) struct Pushed(Vec<(&'static str, Sent)>);

/// A body for message `i`: with its own time, with a number in its boot, with neither.
fn body(station: &str, start: u64, i: u64) -> String {
    let value = value(i);
    match station {
        "orchard" => {
            // Twenty milliseconds apart: a million of them lie within the window of times.
            let time = start as f64 + i as f64 * 0.02;
            format!(r#"[{{"n":"orchard/t","u":"Cel","v":{value},"t":{time}}}]"#)
        }
        "hedge" => format!(
            r#"[{{"bn":"hedge/","n":"boot","vs":"b1"}},{{"n":"sequence","v":{i}}},{{"n":"t","u":"Cel","v":{value}}}]"#
        ),
        _ => format!(r#"[{{"n":"{station}/t","u":"Cel","v":{value}}}]"#),
    }
}

impl Senders {
    /// Begins to send from each station until it is enough.
    pub(crate) fn start(address: SocketAddr) -> Self {
        let enough = Arc::new(AtomicBool::new(false));
        let address = Arc::new(Mutex::new(address));
        let start = SystemTime::now().duration_since(UNIX_EPOCH).unwrap().as_secs() - 20_000;
        let threads = ["orchard", "hedge", "field"].map(|station| {
            let (address, enough) = (Arc::clone(&address), Arc::clone(&enough));
            let thread = std::thread::spawn(move || {
                let (client, mut sent) = (Client::new(), Sent::new());
                for i in (0..).take_while(|_| !enough.load(Relaxed)) {
                    let body = body(station, start, i);
                    if station == "field" {
                        let to = *address.lock().unwrap();
                        let status = client.senml(to, token(station), &body).status;
                        sent.note(i, status == 204);
                    } else {
                        insist(&client, &address, station, &body);
                        sent.note(i, true);
                    }
                    std::thread::sleep(Duration::from_millis(8));
                }
                sent
            });
            (station, thread)
        });
        Self { address, enough, threads: threads.into() }
    }

    /// The service listens elsewhere now.
    pub(crate) fn moved(&self, address: SocketAddr) {
        *self.address.lock().unwrap() = address;
    }

    /// It is enough: waits until all is sent.
    pub(crate) fn finish(self) -> Pushed {
        self.enough.store(true, Relaxed);
        Pushed(self.threads.into_iter().map(|(s, t)| (s, t.join().unwrap())).collect())
    }
}

impl Pushed {
    /// Compares with the values that were logged of each station.
    pub(crate) fn check(&self, logged: &BTreeMap<String, BTreeMap<String, u64>>) {
        let empty = BTreeMap::new();
        for (station, sent) in &self.0 {
            sent.check(station, logged.get(*station).unwrap_or(&empty));
        }
    }
}
