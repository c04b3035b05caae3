//! What becomes of one message of a session.

use super::Session;
use crate::payload::{Decoded, Refused};
use crate::sources::mqtt::link::Publish;
use crate::sources::telling::tell;
use crate::sources::topic::Holds;
use observation::Refusal;
use observation::sample::Redelivery;
use std::sync::Arc;
use tokio::time::Instant;

impl Session<'_> {
    /// Reads one message. Whatever becomes of it, what was sent at `QoS` 1 is owed an
    /// acknowledgement: a refused message must not fill the broker's window.
    pub(super) fn message(&mut self, publish: &Publish, now: Instant) {
        let Ok(topic) = std::str::from_utf8(&publish.topic) else {
            let refused = Refused {
                station: None,
                reason: Refusal::Malformed,
                detail: "a topic that is not UTF-8".to_owned(),
            };
            tell(self.context, "", &refused);
            return self.owe(publish);
        };
        self.context.watch.arrived(self.context.source, topic, &publish.payload);
        // An empty payload only clears what the broker retained.
        if !publish.payload.is_empty() {
            match self.topics.read(topic, &publish.payload) {
                Ok((kept, Holds::One(decoded))) => {
                    self.add(topic, &kept, decoded, publish, now);
                }
                Ok((kept, Holds::Several(all))) => {
                    for decoded in all {
                        self.add(topic, &kept, decoded, publish, now);
                    }
                }
                Err(refused) => tell(self.context, topic, &refused),
            }
        }
        self.owe(publish);
    }

    fn add(
        &mut self,
        topic: &str,
        kept: &Arc<str>,
        decoded: Decoded,
        publish: &Publish,
        now: Instant,
    ) {
        if publish.retained && !decoded.has_own_time() {
            let refused = Refused {
                station: Some(decoded.station),
                reason: Refusal::Retained,
                detail: "a retained message without a time of its own proves nothing".to_owned(),
            };
            return tell(self.context, topic, &refused);
        }
        let early = self.early.is(decoded.station, now);
        let redelivery = publish.packet.map(|packet| Redelivery {
            client: Arc::clone(&self.client),
            connection: self.handover.sender,
            topic: Arc::clone(kept),
            packet,
            again: publish.again,
        });
        self.handover.add(decoded.into_message(self.context.source, early, redelivery));
    }

    fn owe(&mut self, publish: &Publish) {
        if let Some(packet) = publish.packet {
            self.handover.owe(packet);
        }
    }
}
