//! MQTT 3.1.1 by rumqttc.
//!
//! The library hands each acknowledgement through a channel and flushes it by itself.
//! Here the first of a batch takes that way and wakes the library; the rest are written
//! behind it and flushed once, in the same order.

use super::link::{Event, Link, Lost, Opening, Publish, Requests};
use crate::trust::told;
use bytes::Bytes;
use futures_util::stream;
use rumqttc::mqttbytes::{Error, QoS};
use rumqttc::{
    AsyncClient, ConnectReturnCode, ConnectionError, EventLoop, Incoming, MqttOptions,
    NetworkOptions, Outgoing, Packet, PubAck, StateError, SubscribeFilter, SubscribeReasonCode,
    TlsConfiguration, Transport,
};
use std::collections::VecDeque;
use std::sync::{Arc, Mutex, PoisonError};

/// Opens a link. The connection is made when the first event is waited for.
pub(super) fn open(opening: Opening) -> Link {
    let limit = usize::try_from(opening.packet_limit).unwrap_or(usize::MAX);
    let mut options = MqttOptions::new(opening.client_id, opening.host, opening.port);
    options
        .set_keep_alive(opening.keep_alive)
        .set_clean_session(opening.clean)
        .set_manual_acks(true)
        .set_max_packet_size(limit, limit);
    if let Some((user, password)) = opening.login {
        options.set_credentials(user, password);
    }
    if let Some(tls) = opening.tls {
        options.set_transport(Transport::tls_with_config(TlsConfiguration::Rustls(tls)));
    }
    let (client, mut events) = AsyncClient::new(options, 16);
    let mut network = NetworkOptions::new();
    network.set_tcp_nodelay(true);
    network.set_connection_timeout(opening.patience.as_secs().max(1));
    events.set_network_options(network);
    let behind = Arc::new(Mutex::new(Behind::default()));
    let reader = Reader { events, behind: Arc::clone(&behind) };
    Link {
        events: Box::pin(stream::unfold(Some(reader), step)),
        requests: Box::new(Writer { client, behind }),
    }
}

/// Acknowledgements that go out behind the one in the library's channel.
#[derive(Default)]
struct Behind {
    first_is_on_its_way: bool,
    packets: Vec<u16>,
}

struct Reader {
    events: EventLoop,
    behind: Arc<Mutex<Behind>>,
}

/// One step of the stream; the library's future lives inside it, so that giving up a
/// wait loses nothing.
async fn step(reader: Option<Reader>) -> Option<(Result<Event, Lost>, Option<Reader>)> {
    let mut reader = reader?;
    match reader.next().await {
        Ok(event) => Some((Ok(event), Some(reader))),
        Err(lost) => Some((Err(lost), None)),
    }
}

impl Reader {
    async fn next(&mut self) -> Result<Event, Lost> {
        let event = match self.events.poll().await.map_err(lost)? {
            rumqttc::Event::Incoming(incoming) => incoming,
            rumqttc::Event::Outgoing(Outgoing::PubAck(_)) => {
                self.write_behind().await?;
                return Ok(Event::Sent);
            }
            rumqttc::Event::Outgoing(_) => return Ok(Event::Sent),
        };
        Ok(match event {
            Incoming::ConnAck(_) => Event::Accepted,
            Incoming::SubAck(answer) => Event::Subscribed(
                answer
                    .return_codes
                    .iter()
                    .map(|code| matches!(code, SubscribeReasonCode::Success(_)))
                    .collect(),
            ),
            Incoming::Publish(publish) => Event::Publish(Publish {
                topic: Bytes::from(publish.topic),
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

    async fn write_behind(&mut self) -> Result<(), Lost> {
        let packets = {
            let mut behind = self.behind.lock().unwrap_or_else(PoisonError::into_inner);
            behind.first_is_on_its_way = false;
            std::mem::take(&mut behind.packets)
        };
        let Some(network) = self.events.network.as_mut().filter(|_| !packets.is_empty()) else {
            return Ok(());
        };
        for packet in packets {
            network.write(Packet::PubAck(PubAck::new(packet))).await.map_err(of_state)?;
        }
        network.flush().await.map_err(of_state)
    }
}

struct Writer {
    client: AsyncClient,
    behind: Arc<Mutex<Behind>>,
}

impl Requests for Writer {
    fn subscribe(&mut self, filters: &[String]) -> bool {
        let filters = filters.iter().map(|f| SubscribeFilter::new(f.clone(), QoS::AtLeastOnce));
        self.client.try_subscribe_many(filters).is_ok()
    }

    fn acknowledge(&mut self, packets: &mut VecDeque<u16>) {
        let mut behind = self.behind.lock().unwrap_or_else(PoisonError::into_inner);
        if !behind.first_is_on_its_way {
            let Some(&packet) = packets.front() else { return };
            let mut first = rumqttc::Publish::new("", QoS::AtLeastOnce, Vec::new());
            first.pkid = packet;
            if self.client.try_ack(&first).is_err() {
                return;
            }
            packets.pop_front();
            behind.first_is_on_its_way = true;
        }
        behind.packets.extend(packets.drain(..));
    }

    fn disconnect(&mut self) {
        // A full channel means that the connection is about to end anyway.
        self.client.try_disconnect().ok();
    }
}

fn lost(error: ConnectionError) -> Lost {
    match error {
        ConnectionError::MqttState(error) => of_state(error),
        ConnectionError::NetworkTimeout => {
            Lost::Failed("no answer to the attempt to connect".to_owned())
        }
        ConnectionError::ConnectionRefused(code) => match code {
            ConnectReturnCode::BadUserNamePassword | ConnectReturnCode::NotAuthorized => {
                Lost::Refused("the broker refuses `user` and password".to_owned())
            }
            ConnectReturnCode::BadClientId => {
                Lost::Refused("the broker refuses the client identifier".to_owned())
            }
            ConnectReturnCode::RefusedProtocolVersion => {
                Lost::Refused("the broker does not speak MQTT 3.1.1".to_owned())
            }
            code => Lost::Failed(format!("the broker refuses the connection now: {code:?}")),
        },
        ConnectionError::Io(error) => Lost::Failed(told(&error)),
        ConnectionError::Tls(error) => Lost::Failed(format!("TLS: {}", told(&error))),
        error => Lost::Failed(error.to_string()),
    }
}

fn of_state(error: StateError) -> Lost {
    match error {
        StateError::Deserialization(Error::PayloadSizeLimitExceeded(bytes)) => {
            Lost::TooLarge(bytes)
        }
        StateError::Deserialization(Error::Io(error)) | StateError::Io(error) => {
            Lost::Closed(told(&error))
        }
        StateError::ConnectionAborted => {
            Lost::Closed("the broker closed the connection".to_owned())
        }
        StateError::AwaitPingResp => Lost::Closed("the broker does not answer pings".to_owned()),
        error => Lost::Failed(format!("the broker breaks the protocol: {error}")),
    }
}
