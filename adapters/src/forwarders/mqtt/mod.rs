//! Messages to a broker at `QoS` 1, on a connection of their own.

mod link;

use super::checks::Checks;
use super::lines::{self, Lines};
use super::port::{Context, Forwarder, Kind, Link, Newest, Origin, Outgoing, Piece};
use super::rules::{Rules, Usual, options};
use super::senml;
use super::template::Templates;
use crate::sources::mqtt::Broker;
use bytes::Bytes;
use config::{AdapterTable, Fault, Secret};
use observation::Property;
use observation::reading::decimal_text;
use rustls::ClientConfig;
use serde::Deserialize;
use std::sync::Arc;

/// The kind `mqtt`.
pub const KIND: Kind = Kind { name: "mqtt", build, example: EXAMPLE };

const EXAMPLE: &str = r#"broker = "mqtt://127.0.0.1:1883"
"#;

const TOPIC: &str = "topic";
const BODY: &str = "body";
const DEFAULT_TOPIC: &str = "isobarn/{{ reading.station }}/{{ reading.instrument }}/{{ reading.quantity }}\
{% if reading.statistic != 'point' %}/{{ reading.statistic }}{% endif %}\
{% if reading.period %}/{{ reading.period }}{% endif %}";
/// Longest payload, in bytes.
const LONGEST: usize = 256 << 10;

options! {
    /// `[forward.mqtt.NAME]`.
    struct Options {
        /// `mqtt://HOST[:1883]` or `mqtts://HOST[:8883]`.
        broker: String,
        /// Else `isobarn-` and a durable random suffix.
        client_id: Option<String>,
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
        /// A template for the topic.
        topic: Option<String>,
        /// What is sent: `json` (default; one object as in a JSON line), `value` or `senml`.
        payload: Option<Payload>,
        /// A template for the payload, instead of `payload`.
        body: Option<String>,
        /// Whether the broker keeps the newest of each series for whoever subscribes later.
        retain: Option<bool>,
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
enum Payload {
    Json,
    Value,
    Senml,
}

/// A broker.
struct Mqtt {
    rules: Rules,
    broker: Broker,
    client_id: Option<String>,
    login: Option<(String, Secret)>,
    trust: Option<Arc<ClientConfig>>,
    templates: Templates,
    payload: Option<Payload>,
    retain: bool,
    lines: Lines,
}

impl Forwarder for Mqtt {
    fn rules(&self) -> &Rules {
        &self.rules
    }

    fn prepare(&self, origin: &Origin, readings: &[Outgoing], newest: &mut Newest) -> Vec<Piece> {
        let mut pieces = Vec::with_capacity(readings.len());
        for (place, outgoing) in readings.iter().enumerate() {
            let newest = newest.see(&outgoing.reading);
            let readings = place..place + 1;
            match self.message(origin, outgoing) {
                Ok(Some((place, body))) => {
                    let newest = newest && self.retain;
                    pieces.push(Piece { place, body, readings, newest, fault: None });
                }
                Ok(None) => {}
                Err(why) => {
                    pieces.push(Piece { readings, fault: Some(why), ..Piece::default() });
                }
            }
        }
        pieces
    }

    fn link(&self, context: &Context) -> Box<dyn Link> {
        let id = self.client_id.clone().unwrap_or_else(|| format!("isobarn-{}", context.suffix));
        Box::new(link::Connection::new(link::Opening {
            broker: self.broker.clone(),
            client_id: id,
            login: self.login.clone(),
            trust: self.trust.clone(),
        }))
    }
}

impl Mqtt {
    fn message(
        &self,
        origin: &Origin,
        outgoing: &Outgoing,
    ) -> Result<Option<(String, Bytes)>, String> {
        let one = std::slice::from_ref(outgoing);
        let topic = self.templates.render(TOPIC, origin, one)?;
        if topic.is_empty() || topic.len() > 65_535 || topic.contains(['+', '#', '\0']) {
            return Err(format!("`{}` is no topic to publish to", topic.escape_debug()));
        }
        let mut body = Vec::new();
        match self.payload {
            None => body = self.templates.render(BODY, origin, one)?.into_bytes(),
            Some(Payload::Json) => {
                lines::object(self.lines.of(origin), origin, outgoing, &mut body);
            }
            Some(Payload::Senml) => {
                if !senml::pack(origin, one, &mut body) {
                    return Ok(None);
                }
            }
            Some(Payload::Value) => {
                let decimals = origin.series(outgoing.reading.series).map_or(0, |s| s.decimals);
                match outgoing.reading.value {
                    Some(steps) => body = decimal_text(steps, decimals).into_bytes(),
                    None => return Ok(None),
                }
            }
        }
        if body.len() > LONGEST {
            return Err(format!("a payload of {} bytes is longer than 256 KiB", body.len()));
        }
        Ok(Some((topic, Bytes::from(body))))
    }
}

fn build(table: &AdapterTable, property: &Arc<Property>) -> Result<Box<dyn Forwarder>, Vec<Fault>> {
    let options: Options = table.decode(EXAMPLE)?;
    let mut checks = Checks::of(table);
    let payload = match (options.payload, &options.body) {
        (Some(_), Some(_)) => {
            let help = "keep either `payload` or `body`";
            checks.fault(&["payload"], "a payload by template is no other", help);
            None
        }
        (None, Some(_)) => None,
        (payload, None) => Some(payload.unwrap_or(Payload::Json)),
    };
    let counting_only = matches!(payload, Some(Payload::Senml | Payload::Value));
    let usual = Usual { batch: 200, counting_only, may_be_live: true };
    let rules = options.told().rules(&mut checks, property, usual);
    let broker = Broker::parse(&options.broker);
    if let Err(why) = &broker {
        checks.fault(&["broker"], why, "write it like \"mqtt://192.168.1.10:1883\"");
    }
    let named = [&options.ca_file, &options.certificate_file, &options.key_file];
    let files = checks.files(named);
    let trust = broker.as_ref().ok().and_then(|b| checks.trust(&files, b.tls, "mqtts://"));
    let password = checks.secret("password_file", options.password_file.as_ref());
    if options.user.is_some() != options.password_file.is_some() {
        checks.fault(&["user"], "`user` and `password_file` belong together", "");
    }
    if options
        .client_id
        .as_ref()
        .is_some_and(|id| id.is_empty() || id.len() > 256 || id.contains('\0'))
    {
        checks.fault(&["client_id"], "a client identifier is 1 to 256 bytes long, without NUL", "");
    }
    let mut templates = Templates::new(None);
    if let Err(why) = templates.add(TOPIC, options.topic.as_deref().unwrap_or(DEFAULT_TOPIC)) {
        checks.fault(&["topic"], &why, "");
    }
    if let Some(source) = &options.body
        && let Err(why) = templates.add(BODY, source)
    {
        checks.fault(&["body"], &why, "");
    }
    match broker {
        Ok(broker) if checks.faults.is_empty() => Ok(Box::new(Mqtt {
            rules,
            broker,
            client_id: options.client_id,
            login: options.user.zip(password),
            trust,
            templates,
            payload,
            retain: options.retain.unwrap_or(false),
            lines: Lines::default(),
        })),
        _ => Err(checks.faults),
    }
}
