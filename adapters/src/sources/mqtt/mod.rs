//! A client of the broker that the house already has: MQTT 3.1.1 and 5.
//!
//! The rules kept here: one client for one connection, dropped at its end; subscribed
//! anew after every connection whatever the broker remembers; a message is acknowledged
//! when it is durable, or refused and counted, never before and never out of order.

mod broker;
mod link;
mod session;
mod version_3;
mod version_5;

use super::filter::Filter;
use super::subscription::{Subscription, check_all};
use crate::payload::Reader;
use crate::port::{Claim, Context, End, Kind, Source};
use crate::sources::telling::with_entries;
use crate::trust::{Files, trust};
pub(crate) use broker::Broker;
use config::{AdapterTable, Bytes, Fault, Lapse, read_secret};
use futures_util::future::BoxFuture;
use observation::Property;
use serde::Deserialize;
use std::path::PathBuf;
use std::sync::{Arc, Mutex};
use std::time::Duration;

/// The kind `mqtt`.
pub const KIND: Kind = Kind { name: "mqtt", build, example: EXAMPLE };

const EXAMPLE: &str = r#"broker = "mqtt://127.0.0.1:1883"
protocol = "3.1.1"
subscribe = [{ filter = "garden/+station/+channel", payload = "number" }]
"#;

const DEFAULT_KEEP_ALIVE: Duration = Duration::from_secs(30);
const DEFAULT_PACKET_LIMIT: u32 = 256 << 10;

/// `[source.mqtt.NAME]`.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Options {
    /// `mqtt://HOST[:1883]` or `mqtts://HOST[:8883]`.
    broker: String,
    /// `3.1.1` (default) or `5`.
    protocol: Option<Protocol>,
    /// What to subscribe to, and how it is read.
    subscribe: Vec<Subscription>,
    /// Else `isobarn-` and a durable random suffix.
    client_id: Option<String>,
    /// Whether the broker keeps the session while this program is away, so that nothing
    /// at `QoS` 1 is missed; default true. `false` leaves nothing behind at the broker.
    keep_session: Option<bool>,
    /// Name at the broker.
    user: Option<String>,
    /// The file that holds the password.
    password_file: Option<String>,
    /// The file of certificates to trust instead of the system's; PEM.
    ca_file: Option<String>,
    /// The file of the own certificate, where the other end asks for one; PEM.
    certificate_file: Option<String>,
    /// The file of its private key, without a password; PEM.
    key_file: Option<String>,
    /// Time between signs of life, 5 s to 1 h; default 30 s.
    keep_alive: Option<Lapse>,
    /// Largest packet that is read, 1 KiB to 16 MiB; default 256 KiB.
    packet_limit: Option<Bytes>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
enum Protocol {
    #[serde(rename = "3.1.1")]
    Version3,
    #[serde(rename = "5")]
    Version5,
}

/// A client of one broker.
struct Mqtt {
    broker: Broker,
    protocol: Protocol,
    client_id: Option<String>,
    keep_session: bool,
    user: Option<String>,
    password_file: Option<PathBuf>,
    files: Files,
    keep_alive: Duration,
    packet_limit: u32,
    filters: Arc<[Filter]>,
    reader: Arc<Reader>,
    memory: Mutex<Memory>,
}

/// What one session leaves for the next.
#[derive(Debug, Default)]
struct Memory {
    /// How many sessions in a row were ended by a packet over the limit.
    too_large: u32,
}

impl Source for Mqtt {
    fn claims(&self) -> Vec<Claim> {
        Vec::new()
    }

    fn session<'a>(&'a self, context: &'a Context) -> BoxFuture<'a, End> {
        Box::pin(session::run(self, context))
    }
}

fn build(table: &AdapterTable, property: &Arc<Property>) -> Result<Box<dyn Source>, Vec<Fault>> {
    let options: Options = table.decode(&with_entries(EXAMPLE))?;
    let mut faults = Vec::new();
    let mut fault = |key: &str, message: &str, help: Option<&str>| {
        faults.push(table.fault_at(&[key], message, help));
    };
    let broker = Broker::parse(&options.broker).map_err(|why| {
        fault(
            "broker",
            &why,
            Some("write it like \"mqtt://192.168.1.10:1883\" or \"mqtts://broker.example\""),
        );
    });
    let keep_alive = options.keep_alive.map_or(DEFAULT_KEEP_ALIVE, Lapse::duration);
    if keep_alive < Duration::from_secs(5) || keep_alive > Duration::from_secs(3_600) {
        fault("keep_alive", "the time between signs of life is 5 s to 1 h", None);
    }
    let packet_limit = options.packet_limit.map_or(Some(DEFAULT_PACKET_LIMIT), |limit| {
        u32::try_from(limit.0).ok().filter(|limit| (1 << 10..=16 << 20).contains(limit))
    });
    if packet_limit.is_none() {
        fault("packet_limit", "the largest packet is 1 KiB to 16 MiB", None);
    }
    if options
        .client_id
        .as_ref()
        .is_some_and(|id| id.is_empty() || id.len() > 256 || id.contains('\0'))
    {
        fault("client_id", "a client identifier is 1 to 256 bytes long, without NUL", None);
    }
    let password_file = options.password_file.as_ref().map(|path| table.resolve_secret(path));
    if let Some(path) = &password_file {
        if options.user.is_none() {
            fault("password_file", "a password needs a `user`", None);
        }
        if let Err(why) = read_secret(path) {
            let message = format!("password file {}: {why}", path.display());
            fault("password_file", &message, Some("create it with one line, the password"));
        }
    }
    let files = Files {
        authority: options.ca_file.as_ref().map(|path| table.resolve_path(path)),
        certificate: options.certificate_file.as_ref().map(|path| table.resolve_path(path)),
        key: options.key_file.as_ref().map(|path| table.resolve_secret(path)),
    };
    if let (Some(key), Ok(broker)) = (files.named(), &broker) {
        if !broker.tls {
            fault(key, "certificates are for `mqtts://` only", None);
        }
        if let Err(wrong) = trust(&files) {
            fault(wrong.key, &wrong.why, None);
        }
    }
    let filters = check_all(&options.subscribe, table, "subscribe", property, true)
        .map_err(|mut wrong| faults.append(&mut wrong));
    match (broker, packet_limit, filters) {
        (Ok(broker), Some(packet_limit), Ok(filters)) if faults.is_empty() => Ok(Box::new(Mqtt {
            broker,
            protocol: options.protocol.unwrap_or(Protocol::Version3),
            client_id: options.client_id,
            keep_session: options.keep_session.unwrap_or(true),
            user: options.user,
            password_file,
            files,
            keep_alive,
            packet_limit,
            filters,
            reader: Arc::new(Reader::new(property)),
            memory: Mutex::default(),
        })),
        _ => Err(faults),
    }
}
