//! Packets in what was read. A message is looked at where it lies; everything else is
//! rare and read by the library.

use rumqttc::mqttbytes::v4::Packet;
use rumqttc::mqttbytes::{Error, PacketType, check};

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
    Other(Packet),
}

/// What is wrong with the input. The connection cannot go on.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Broken {
    /// Longer than the limit, in bytes.
    TooLong(usize),
    /// At `QoS` 2.
    TwiceAsked,
    /// Not the protocol.
    Malformed(String),
}

/// The packet at the front of `input` and its length; none if more bytes are needed.
pub(super) fn next(input: &[u8], limit: usize) -> Result<Option<(Frame<'_>, usize)>, Broken> {
    let header = match check(input.iter(), limit) {
        Ok(header) => header,
        Err(Error::InsufficientBytes(_)) => return Ok(None),
        Err(error) => return Err(of_library(&error)),
    };
    let length = header.frame_length();
    let Some(bytes) = input.get(..length) else { return Ok(None) };
    let kind = header.packet_type().map_err(|e| of_library(&e))?;
    if kind == PacketType::Publish {
        return publish(bytes).map(|publish| Some((Frame::Publish(publish), length)));
    }
    let mut copy = bytes::BytesMut::from(bytes);
    let packet = Packet::read(&mut copy, limit).map_err(|e| of_library(&e))?;
    Ok(Some((Frame::Other(packet), length)))
}

/// MQTT 3.1.1, section 3.3: flags, remaining length, topic, packet identifier, payload.
fn publish(bytes: &[u8]) -> Result<Publish<'_>, Broken> {
    let short = || Broken::Malformed("a PUBLISH that is too short".to_owned());
    let flags = *bytes.first().ok_or_else(short)?;
    // The length was checked: it ends at the first byte without the highest bit.
    let length = bytes.iter().skip(1).take_while(|b| **b & 0x80 != 0).count() + 2;
    let rest = bytes.get(length..).ok_or_else(short)?;
    let (size, rest) = rest.split_first_chunk::<2>().ok_or_else(short)?;
    let (topic, rest) =
        rest.split_at_checked(usize::from(u16::from_be_bytes(*size))).ok_or_else(short)?;
    let topic = std::str::from_utf8(topic)
        .map_err(|_| Broken::Malformed("a topic that is not UTF-8".to_owned()))?;
    if topic.is_empty() || topic.contains(['+', '#', '\0']) {
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
                assert!(next(&bytes[..end], 1_024).unwrap().is_none(), "{end} bytes");
            }
            let (frame, length) = next(&bytes, 1_024).unwrap().unwrap();
            assert_eq!(length, whole);
            let Frame::Publish(publish) = frame else { panic!("{frame:?}") };
            let packet = (qos == QoS::AtLeastOnce).then_some(513);
            assert_eq!(publish, Publish { topic: "orchard/t", payload, packet, again: dup });
            let (frame, 2) = next(&bytes[whole..], 1_024).unwrap().unwrap() else { panic!() };
            assert!(matches!(frame, Frame::Other(Packet::PingReq)));
        }
    }

    #[test]
    fn what_breaks_the_protocol_is_told_apart() {
        assert_eq!(
            next(&written(false, QoS::ExactlyOnce, b"1"), 1_024).unwrap_err(),
            Broken::TwiceAsked
        );
        assert_eq!(
            next(&written(false, QoS::AtMostOnce, &[0; 2_000]), 1_024).unwrap_err(),
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
            assert!(matches!(next(bytes, 1_024), Err(Broken::Malformed(_))), "{bytes:x?}");
        }
    }
}
