//! Packets in what was read, of either version. A message is looked at where it lies;
//! everything else is rare, and of MQTT 3.1.1 read by the library.

use super::version_5::{self, Fields};
use rumqttc::mqttbytes::v4::{Connect, Packet};
use rumqttc::mqttbytes::{Error, PacketType, Protocol, check};

/// Which protocol a connection speaks.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Version {
    /// MQTT 3.1.1.
    Three,
    /// MQTT 5.
    Five,
}

/// A message, as it lies in the input.
#[derive(Debug, PartialEq, Eq)]
pub(super) struct Publish<'a> {
    pub(super) topic: &'a str,
    pub(super) payload: &'a [u8],
    /// The packet identifier of a message at `QoS` 1; none at `QoS` 0.
    pub(super) packet: Option<u16>,
    pub(super) again: bool,
}

/// One whole packet.
#[derive(Debug)]
pub(super) enum Frame<'a> {
    Publish(Publish<'a>),
    Other(Other),
}

/// A packet other than PUBLISH, as far as it matters here.
#[derive(Debug, PartialEq, Eq)]
pub(super) enum Other {
    Connect(Box<Greeting>),
    Subscribe {
        packet: u16,
        filters: usize,
    },
    Unsubscribe {
        packet: u16,
        filters: usize,
    },
    Ping,
    /// The client leaves; in MQTT 5 it may say whether its session ends with that.
    Goodbye {
        ends_session: Option<bool>,
    },
    /// An acknowledgement of something that was never sent.
    Answer,
    /// What a client does not send.
    Unexpected,
}

/// CONNECT. No debug output of the login: it holds a token.
#[derive(PartialEq, Eq)]
pub(super) struct Greeting {
    pub(super) identifier: String,
    /// Whether an older session is given up.
    pub(super) clean: bool,
    /// Whether the session outlives the connection.
    pub(super) keeps_session: bool,
    /// In seconds; 0 for none.
    pub(super) keep_alive: u16,
    /// User name and password.
    pub(super) login: Option<(String, String)>,
    /// Whether the client wants to prove itself in another way.
    pub(super) other_method: bool,
}

impl std::fmt::Debug for Greeting {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Greeting").field("identifier", &self.identifier).finish_non_exhaustive()
    }
}

/// What is wrong with the input. The connection cannot go on.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Broken {
    /// Longer than the limit, in bytes.
    TooLong(usize),
    /// At `QoS` 2.
    TwiceAsked,
    /// A number in place of a topic (MQTT 5), which was not offered.
    Alias,
    /// Not the protocol.
    Malformed(String),
}

/// The packet at the front of `input` and its length; none if more bytes are needed.
pub(super) fn next(
    input: &[u8],
    limit: usize,
    version: Version,
) -> Result<Option<(Frame<'_>, usize)>, Broken> {
    let header = match check(input.iter(), limit) {
        Ok(header) => header,
        Err(Error::InsufficientBytes(_)) => return Ok(None),
        Err(error) => return Err(of_library(&error)),
    };
    let length = header.frame_length();
    let Some(bytes) = input.get(..length) else { return Ok(None) };
    // `check` wants the same of both versions: a first byte and a length.
    let first = bytes.first().copied().unwrap_or_default();
    if first >> 4 == PUBLISH {
        return publish(bytes, version).map(|publish| Some((Frame::Publish(publish), length)));
    }
    let other = match version {
        Version::Five => version_5::other(first, behind_length(bytes).unwrap_or_default())?,
        Version::Three => {
            header.packet_type().map_err(|e| of_library(&e))?;
            let mut copy = bytes::BytesMut::from(bytes);
            of_version_3(Packet::read(&mut copy, limit).map_err(|e| of_library(&e))?)
        }
    };
    Ok(Some((Frame::Other(other), length)))
}

/// What stands behind the first byte and the length. The length was checked: it ends at
/// the first byte without the highest bit.
fn behind_length(bytes: &[u8]) -> Option<&[u8]> {
    bytes.get(bytes.iter().skip(1).take_while(|b| **b & 0x80 != 0).count() + 2..)
}

/// The packet type of PUBLISH.
const PUBLISH: u8 = PacketType::Publish as u8;

fn of_version_3(packet: Packet) -> Other {
    match packet {
        Packet::Connect(connect) if connect.protocol == Protocol::V4 => {
            Other::Connect(Box::new(greeting(connect)))
        }
        Packet::Subscribe(asked) => {
            Other::Subscribe { packet: asked.pkid, filters: asked.filters.len() }
        }
        Packet::Unsubscribe(asked) => {
            Other::Unsubscribe { packet: asked.pkid, filters: asked.topics.len() }
        }
        Packet::PingReq => Other::Ping,
        Packet::Disconnect => Other::Goodbye { ends_session: None },
        Packet::PubAck(_) | Packet::PubRec(_) | Packet::PubComp(_) => Other::Answer,
        _ => Other::Unexpected,
    }
}

fn greeting(connect: Connect) -> Greeting {
    Greeting {
        identifier: connect.client_id,
        clean: connect.clean_session,
        keeps_session: !connect.clean_session,
        keep_alive: connect.keep_alive,
        login: connect.login.map(|login| (login.username, login.password)),
        other_method: false,
    }
}

/// MQTT 3.1.1 and 5.0, section 3.3: flags, remaining length, topic, packet identifier, in
/// MQTT 5 properties, payload.
fn publish(bytes: &[u8], version: Version) -> Result<Publish<'_>, Broken> {
    let short = || Broken::Malformed("a PUBLISH that is too short".to_owned());
    let flags = *bytes.first().ok_or_else(short)?;
    let rest = behind_length(bytes).ok_or_else(short)?;
    let (size, rest) = rest.split_first_chunk::<2>().ok_or_else(short)?;
    let (topic, rest) =
        rest.split_at_checked(usize::from(u16::from_be_bytes(*size))).ok_or_else(short)?;
    let topic = std::str::from_utf8(topic)
        .map_err(|_| Broken::Malformed("a topic that is not UTF-8".to_owned()))?;
    // In MQTT 5 an alias would stand for an empty topic.
    let may_be_empty = version == Version::Five;
    if (topic.is_empty() && !may_be_empty) || topic.contains(['+', '#', '\0']) {
        return Err(Broken::Malformed("a topic that is empty or holds a wildcard".to_owned()));
    }
    let (packet, payload) = match flags >> 1 & 0b11 {
        0 => (None, rest),
        1 => {
            let (packet, payload) = rest.split_first_chunk::<2>().ok_or_else(short)?;
            let packet = u16::from_be_bytes(*packet);
            if packet == 0 {
                return Err(Broken::Malformed("packet identifier 0".to_owned()));
            }
            (Some(packet), payload)
        }
        2 => return Err(Broken::TwiceAsked),
        _ => return Err(Broken::Malformed("QoS 3 does not exist".to_owned())),
    };
    let payload = match (version, payload) {
        (Version::Three, payload) | (Version::Five, [0, payload @ ..]) => payload,
        (Version::Five, payload) => {
            let mut fields = Fields(payload);
            fields.before_payload()?;
            fields.0
        }
    };
    if topic.is_empty() {
        return Err(Broken::Malformed("a topic that is empty or holds a wildcard".to_owned()));
    }
    Ok(Publish { topic, payload, packet, again: flags & 0b1000 != 0 })
}

fn of_library(error: &Error) -> Broken {
    match error {
        Error::PayloadSizeLimitExceeded(bytes) => Broken::TooLong(*bytes),
        error => Broken::Malformed(error.to_string()),
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use bytes::BytesMut;
    use rumqttc::mqttbytes::QoS;

    fn written(dup: bool, qos: QoS, payload: &[u8]) -> BytesMut {
        let mut publish = rumqttc::mqttbytes::v4::Publish::new("orchard/t", qos, payload);
        publish.dup = dup;
        publish.pkid = 513;
        let mut out = BytesMut::new();
        publish.write(&mut out).unwrap();
        out
    }

    #[test]
    fn messages_are_read_as_the_library_writes_them() {
        let long = [b'7'; 300];
        for (dup, qos, payload) in [
            (false, QoS::AtMostOnce, &b"1.5"[..]),
            (true, QoS::AtLeastOnce, b"1.5"),
            (false, QoS::AtLeastOnce, b""),
            (false, QoS::AtLeastOnce, &long),
        ] {
            let mut bytes = written(dup, qos, payload);
            let whole = bytes.len();
            bytes.extend_from_slice(b"\xc0\x00");
            for end in 0..whole {
                assert!(
                    next(&bytes[..end], 1_024, Version::Three).unwrap().is_none(),
                    "{end} bytes"
                );
            }
            let (frame, length) = next(&bytes, 1_024, Version::Three).unwrap().unwrap();
            assert_eq!(length, whole);
            let Frame::Publish(publish) = frame else { panic!("{frame:?}") };
            let packet = (qos == QoS::AtLeastOnce).then_some(513);
            assert_eq!(publish, Publish { topic: "orchard/t", payload, packet, again: dup });
            let (frame, 2) = next(&bytes[whole..], 1_024, Version::Three).unwrap().unwrap() else {
                panic!()
            };
            assert!(matches!(frame, Frame::Other(Other::Ping)));
        }
    }

    #[test]
    fn what_breaks_the_protocol_is_told_apart() {
        assert_eq!(
            next(&written(false, QoS::ExactlyOnce, b"1"), 1_024, Version::Three).unwrap_err(),
            Broken::TwiceAsked
        );
        assert_eq!(
            next(&written(false, QoS::AtMostOnce, &[0; 2_000]), 1_024, Version::Three).unwrap_err(),
            Broken::TooLong(2_011)
        );
        let malformed: [&[u8]; 8] = [
            b"\x30\x01\x00",
            b"\x30\x03\x00\x05a",
            b"\x30\x04\x00\x02\xff\xfe",
            b"\x30\x03\x00\x01+",
            b"\x32\x05\x00\x01a\x00\x00",
            b"\x32\x03\x00\x01a",
            b"\xf0\x00",
            b"\x30\xff\xff\xff\xff\x01",
        ];
        for bytes in malformed {
            assert!(
                matches!(next(bytes, 1_024, Version::Three), Err(Broken::Malformed(_))),
                "{bytes:x?}"
            );
        }
    }
}
