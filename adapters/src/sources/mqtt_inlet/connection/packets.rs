//! What the packets of a connection do: messages are decoded and handed over, all else is
//! answered.

use super::{Connection, GONE, Over};
use crate::payload::{Decoded, Refused};
use crate::sources::mqtt_inlet::frame::{self, Broken, Frame, Other, Publish, Version};
use crate::sources::mqtt_inlet::version_5::{self, reason};
use crate::sources::telling::tell;
use crate::sources::topic::Holds;
use bytes::{Buf, BytesMut};
use observation::Refusal;
use observation::sample::Redelivery;
use rumqttc::mqttbytes::v4::{PingResp, PubAck, SubAck, SubscribeReasonCode, UnsubAck};
use std::sync::Arc;
use tokio::time::Instant;

impl Connection<'_> {
    /// Takes every whole packet out of the input.
    pub(super) fn take_all(&mut self, input: &mut BytesMut) -> Result<(), Over> {
        let now = Instant::now();
        let mut at = 0;
        let result = loop {
            let rest = input.get(at..).unwrap_or_default();
            match frame::next(rest, self.shared.packet_limit, self.known.version) {
                Ok(None) => break Ok(()),
                Ok(Some((Frame::Publish(publish), length))) => {
                    at += length;
                    if let Err(over) = self.message(&publish, now) {
                        break Err(over);
                    }
                }
                Ok(Some((Frame::Other(packet), length))) => {
                    at += length;
                    if let Err(over) = self.other(&packet) {
                        break Err(over);
                    }
                }
                Err(broken) => break Err(self.broken(&broken)),
            }
        };
        input.advance(at);
        result
    }

    fn message(&mut self, publish: &Publish<'_>, now: Instant) -> Result<(), Over> {
        let context = &self.shared.context;
        context.watch.arrived(context.source, publish.topic, publish.payload);
        let mut told = reason::SUCCESS;
        if !publish.payload.is_empty() {
            match self.topics.read(publish.topic, publish.payload) {
                Ok((topic, Holds::One(decoded))) => self.add(&topic, decoded, publish, now),
                Ok((topic, Holds::Several(all))) => {
                    for decoded in all {
                        self.add(&topic, decoded, publish, now);
                    }
                }
                Err(refused) => {
                    tell(context, publish.topic, &refused);
                    if refused.reason == Refusal::Credentials {
                        return Err(Over(Some(reason::NOT_AUTHORIZED)));
                    }
                    told = reason::PAYLOAD;
                }
            }
        }
        if let Some(packet) = publish.packet {
            self.handover.owe((packet, told));
        }
        Ok(())
    }

    fn add(&mut self, topic: &Arc<str>, decoded: Decoded, publish: &Publish<'_>, now: Instant) {
        self.pace.count(decoded.station, decoded.samples.len(), now);
        let early = self.early.is(decoded.station, now);
        let redelivery = publish.packet.map(|packet| Redelivery {
            client: Arc::clone(&self.client),
            connection: self.handover.sender,
            topic: Arc::clone(topic),
            packet,
            again: publish.again,
        });
        self.handover.add(decoded.into_message(self.shared.context.source, early, redelivery));
    }

    fn other(&mut self, packet: &Other) -> Result<(), Over> {
        let five = self.known.version == Version::Five;
        let out = &mut self.output;
        match *packet {
            Other::Ping => PingResp.write(out).map(drop).map_err(|_| GONE),
            Other::Subscribe { packet, filters } if five => {
                version_5::subscriptions(out, 0x90, packet, filters, reason::NOT_AUTHORIZED);
                Ok(())
            }
            Other::Unsubscribe { packet, filters } if five => {
                version_5::subscriptions(out, 0xB0, packet, filters, reason::NO_SUBSCRIPTION);
                Ok(())
            }
            Other::Subscribe { packet, filters } => {
                let refused = vec![SubscribeReasonCode::Failure; filters];
                SubAck::new(packet, refused).write(out).map(drop).map_err(|_| GONE)
            }
            Other::Unsubscribe { packet, .. } => {
                UnsubAck::new(packet).write(out).map(drop).map_err(|_| GONE)
            }
            // Nothing was ever sent that could be acknowledged.
            Other::Answer => Ok(()),
            Other::Goodbye { ends_session } => {
                if let Some(ends) = ends_session {
                    self.known.keeps_session = !ends;
                }
                Err(GONE)
            }
            Other::Connect(_) | Other::Unexpected => {
                let why = "a packet that a client does not send".to_owned();
                Err(self.broken(&Broken::Malformed(why)))
            }
        }
    }

    fn broken(&self, broken: &Broken) -> Over {
        let (code, reason, detail) = match broken {
            Broken::TooLong(bytes) => (
                reason::TOO_LARGE,
                Refusal::TooLong,
                format!(
                    "a packet of {bytes} bytes; `packet_limit` is {}",
                    self.shared.packet_limit
                ),
            ),
            Broken::TwiceAsked => {
                (reason::QOS, Refusal::Malformed, "QoS 2 is not spoken here; use QoS 1".to_owned())
            }
            Broken::Alias => (
                reason::TOPIC_ALIAS,
                Refusal::Malformed,
                "a topic alias, which was not offered".to_owned(),
            ),
            Broken::Malformed(why) => (reason::MALFORMED, Refusal::Malformed, why.clone()),
        };
        let refused = Refused { station: self.known.grant.sole(), reason, detail };
        tell(&self.shared.context, &self.known.login.0, &refused);
        Over(Some(code))
    }

    pub(super) fn acknowledge(&mut self) {
        while let Some((packet, told)) = self.handover.due() {
            match self.known.version {
                // Writing to memory does not fail.
                Version::Three => drop(PubAck::new(packet).write(&mut self.output).ok()),
                Version::Five => version_5::acknowledge(&mut self.output, packet, told),
            }
        }
    }
}
