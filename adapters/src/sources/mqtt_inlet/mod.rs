//! Stations connect straight to this program by MQTT 3.1.1 or MQTT 5.
//!
//! This is not a broker and does not pretend to be one: it takes what stations publish at
//! `QoS` 0 and 1, refuses every subscription, routes nothing, keeps no retained messages
//! and ignores wills. The rule kept here: user name and password are a station's or a
//! gateway's identifier and token, and a message at `QoS` 1 is acknowledged when it is
//! durable, or refused and counted, in the order of arrival.

mod connection;
mod frame;
mod handshake;
mod listener;
mod pace;
mod version_5;

use super::filter::Filter;
use super::subscription::{Subscription, check_all};
use crate::payload::Reader;
use crate::port::{Claim, Context, End, Kind, Source};
use crate::sources::telling::with_entries;
use config::{AdapterTable, Bytes, Fault, Lapse};
use futures_util::future::BoxFuture;
use observation::Property;
use serde::Deserialize;
use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;

/// The kind `mqtt_inlet`.
pub const KIND: Kind = Kind { name: "mqtt_inlet", build, example: EXAMPLE };

const EXAMPLE: &str = "listen = \"127.0.0.1:1884\"\n";

/// What is accepted where the settings say nothing.
const ACCEPT: &str = r#"accept = [
    { filter = "+station/+channel", payload = "number" },
    { filter = "+station", payload = "json" },
]"#;

/// `[source.mqtt_inlet.NAME]`.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Options {
    /// Address and port; port 0 takes a free one.
    listen: SocketAddr,
    /// The shapes of topics that are accepted, as `subscribe` of `mqtt`.
    accept: Option<Vec<Subscription>>,
    /// Most connections at a time, 1 to 10,000; default 64.
    connections: Option<u32>,
    /// How long a connection may take until it has said who it is, 1 s to 1 min;
    /// default 10 s.
    handshake: Option<Lapse>,
    /// Largest packet that is read, 1 KiB to 16 MiB; default 128 KiB.
    packet_limit: Option<Bytes>,
}

#[derive(Deserialize)]
struct Accept {
    accept: Vec<Subscription>,
}

/// A listener for stations.
struct Inlet {
    listen: SocketAddr,
    connections: usize,
    handshake: Duration,
    packet_limit: usize,
    filters: Arc<[Filter]>,
    reader: Arc<Reader>,
}

impl Source for Inlet {
    fn claims(&self) -> Vec<Claim> {
        vec![Claim::Address(self.listen)]
    }

    fn session<'a>(&'a self, context: &'a Context) -> BoxFuture<'a, End> {
        Box::pin(listener::run(self, context))
    }
}

fn build(table: &AdapterTable, property: &Arc<Property>) -> Result<Box<dyn Source>, Vec<Fault>> {
    let options: Options = table.decode(&with_entries(&format!("{EXAMPLE}{ACCEPT}")))?;
    let mut faults = Vec::new();
    let mut fault = |key: &str, message: &str| faults.push(table.fault_at(&[key], message, None));
    let connections = options.connections.unwrap_or(64);
    if !(1..=10_000).contains(&connections) {
        fault("connections", "1 to 10000 connections at a time are possible");
    }
    let handshake = options.handshake.map_or(Duration::from_secs(10), Lapse::duration);
    if handshake < Duration::from_secs(1) || handshake > Duration::from_secs(60) {
        fault("handshake", "the time to say who one is is 1 s to 1 min");
    }
    let packet_limit = options.packet_limit.map_or(128 << 10, |limit| limit.0);
    if !(1 << 10..=16 << 20).contains(&packet_limit) {
        fault("packet_limit", "the largest packet is 1 KiB to 16 MiB");
    }
    let filters = if let Some(entries) = options.accept {
        check_all(&entries, table, "accept", property, false)
    } else {
        let standard = AdapterTable::from_text("mqtt_inlet", &table.name, ACCEPT);
        let Accept { accept } = standard.decode(ACCEPT)?;
        check_all(&accept, &standard, "accept", property, false)
    };
    let filters = filters.map_err(|mut wrong| faults.append(&mut wrong));
    match (filters, usize::try_from(connections), usize::try_from(packet_limit)) {
        (Ok(filters), Ok(connections), Ok(packet_limit)) if faults.is_empty() => {
            Ok(Box::new(Inlet {
                listen: options.listen,
                connections,
                handshake,
                packet_limit,
                filters,
                reader: Arc::new(Reader::new(property)),
            }))
        }
        _ => Err(faults),
    }
}
