//! MQTT 5 by rumqttc.
//!
//! Known of the library's version 0.25.1: a goodbye of the broker that gives a reason but
//! no length of its properties is not read; the closed connection that follows is.

use super::link::{Event, Link, Lost, Opening, Publish, Requests};
use crate::trust::told;
use futures_util::stream;
use rumqttc::v5::mqttbytes::v5::{
    ConnectProperties, ConnectReturnCode, DisconnectReasonCode, Filter, SubscribeReasonCode,
};
use rumqttc::v5::mqttbytes::{Error, QoS};
use rumqttc::v5::{AsyncClient, ConnectionError, EventLoop, Incoming, MqttOptions, StateError};
use rumqttc::{NetworkOptions, Outgoing, TlsConfiguration, Transport};
use std::collections::VecDeque;

/// Most messages that the broker sends before an acknowledgement.
const RECEIVE_MAXIMUM: u16 = 4_096;
/// How long the broker keeps the session while this program is away: a week.
const SESSION_EXPIRY_SECONDS: u32 = 7 * 86_400;

/// Opens a link. The connection is made when the first event is waited for.
pub(super) fn open(opening: Opening) -> Link {
    let mut options = MqttOptions::new(opening.client_id, opening.host, opening.port);
    let mut properties = ConnectProperties::new();
    properties.session_expiry_interval = Some(SESSION_EXPIRY_SECONDS);
    properties.receive_maximum = Some(RECEIVE_MAXIMUM);
    properties.max_packet_size = Some(opening.packet_limit);
    options
        .set_keep_alive(opening.keep_alive)
        .set_clean_start(opening.clean)
        .set_manual_acks(true)
        .set_outgoing_inflight_upper_limit(16)
        .set_connection_timeout(opening.patience.as_secs().max(1))
        .set_connect_properties(properties);
    if let Some((user, password)) = opening.login {
        options.set_credentials(user, password);
    }
    if let Some(tls) = opening.tls {
        options.set_transport(Transport::tls_with_config(TlsConfiguration::Rustls(tls)));
    }
    let mut network = NetworkOptions::new();
    network.set_tcp_nodelay(true);
    options.set_network_options(network);
    let (client, events) = AsyncClient::new(options, usize::from(RECEIVE_MAXIMUM) + 16);
    Link {
        events: Box::pin(stream::unfold(Some(events), step)),
        requests: Box::new(Writer { client }),
    }
}

/// One step of the stream; the library's future lives inside it, so that giving up a
/// wait loses nothing.
async fn step(events: Option<EventLoop>) -> Option<(Result<Event, Lost>, Option<EventLoop>)> {
    let mut events = events?;
    match next(&mut events).await {
        Ok(event) => Some((Ok(event), Some(events))),
        Err(lost) => Some((Err(lost), None)),
    }
}

async fn next(events: &mut EventLoop) -> Result<Event, Lost> {
    let incoming = match events.poll().await.map_err(lost)? {
        rumqttc::v5::Event::Incoming(incoming) => incoming,
        rumqttc::v5::Event::Outgoing(Outgoing::PingReq | _) => return Ok(Event::Sent),
    };
    Ok(match incoming {
        Incoming::ConnAck(_) => Event::Accepted,
        Incoming::SubAck(answer) => Event::Subscribed(
            answer
                .return_codes
                .iter()
                .map(|code| matches!(code, SubscribeReasonCode::Success(_)))
                .collect(),
        ),
        Incoming::Publish(publish) => Event::Publish(Publish {
            topic: publish.topic,
            payload: publish.payload,
            packet: match publish.qos {
                QoS::AtMostOnce => None,
                QoS::AtLeastOnce => Some(publish.pkid),
                QoS::ExactlyOnce => {
                    return Err(Lost::Failed(
                        "the broker sent at QoS 2, which was not asked for".to_owned(),
                    ));
                }
            },
            again: publish.dup,
            retained: publish.retain,
        }),
        _ => Event::Life,
    })
}

struct Writer {
    client: AsyncClient,
}

impl Requests for Writer {
    fn subscribe(&mut self, filters: &[String]) -> bool {
        let filters = filters.iter().map(|f| Filter::new(f.clone(), QoS::AtLeastOnce));
        self.client.try_subscribe_many(filters).is_ok()
    }

    fn acknowledge(&mut self, packets: &mut VecDeque<u16>) {
        let mut publish = rumqttc::v5::mqttbytes::v5::Publish::new(
            "",
            QoS::AtLeastOnce,
            bytes::Bytes::new(),
            None,
        );
        while let Some(&packet) = packets.front() {
            publish.pkid = packet;
            if self.client.try_ack(&publish).is_err() {
                return;
            }
            packets.pop_front();
        }
    }

    fn disconnect(&mut self) {
        // A full channel means that the connection is about to end anyway.
        self.client.try_disconnect().ok();
    }
}

fn lost(error: ConnectionError) -> Lost {
    match error {
        ConnectionError::MqttState(error) => of_state(error),
        ConnectionError::Timeout(_) => {
            Lost::Failed("no answer to the attempt to connect".to_owned())
        }
        ConnectionError::ConnectionRefused(code) => refused(code),
        ConnectionError::Io(error) => Lost::Failed(told(&error)),
        ConnectionError::Tls(error) => Lost::Failed(format!("TLS: {}", told(&error))),
        error => Lost::Failed(error.to_string()),
    }
}

fn refused(code: ConnectReturnCode) -> Lost {
    match code {
        ConnectReturnCode::BadUserNamePassword
        | ConnectReturnCode::NotAuthorized
        | ConnectReturnCode::Banned
        | ConnectReturnCode::BadAuthenticationMethod => {
            Lost::Refused("the broker refuses `user` and password".to_owned())
        }
        ConnectReturnCode::BadClientId | ConnectReturnCode::ClientIdentifierNotValid => {
            Lost::Refused("the broker refuses the client identifier".to_owned())
        }
        ConnectReturnCode::RefusedProtocolVersion
        | ConnectReturnCode::UnsupportedProtocolVersion => {
            Lost::Refused("the broker does not speak MQTT 5; try `protocol = \"3.1.1\"`".to_owned())
        }
        code => Lost::Failed(format!("the broker refuses the connection now: {code:?}")),
    }
}

fn of_state(error: StateError) -> Lost {
    match error {
        StateError::Deserialization(Error::PayloadSizeLimitExceeded { pkt_size, .. })
        | StateError::IncomingPacketTooLarge { pkt_size, .. } => Lost::TooLarge(pkt_size),
        StateError::Deserialization(Error::Io(error)) | StateError::Io(error) => {
            Lost::Closed(told(&error))
        }
        StateError::ConnectionAborted => {
            Lost::Closed("the broker closed the connection".to_owned())
        }
        StateError::AwaitPingResp => Lost::Closed("the broker does not answer pings".to_owned()),
        StateError::ConnFail { reason } => refused(reason),
        StateError::ServerDisconnect {
            reason_code: DisconnectReasonCode::SessionTakenOver,
            ..
        } => Lost::TakenOver,
        StateError::ServerDisconnect { reason_code, reason_string } => Lost::Closed(format!(
            "the broker said goodbye: {reason_code:?} {}",
            crate::payload::shown(&reason_string.unwrap_or_default())
        )),
        error => Lost::Failed(format!("the broker breaks the protocol: {error}")),
    }
}
