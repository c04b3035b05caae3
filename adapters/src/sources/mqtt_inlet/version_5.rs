//! What MQTT 5 adds or says otherwise (MQTT Version 5.0, OASIS Standard, 2019): fields and
//! properties read from a packet, and answers with reason codes.

use super::frame::{Broken, Greeting, Other};
use bytes::{BufMut, BytesMut};

/// Reason codes, section 2.4.
pub(super) mod reason {
    pub(in super::super) const SUCCESS: u8 = 0x00;
    pub(in super::super) const NO_SUBSCRIPTION: u8 = 0x11;
    pub(in super::super) const UNSPECIFIED: u8 = 0x80;
    pub(in super::super) const MALFORMED: u8 = 0x81;
    pub(in super::super) const VERSION: u8 = 0x84;
    pub(in super::super) const CLIENT_IDENTIFIER: u8 = 0x85;
    pub(in super::super) const LOGIN: u8 = 0x86;
    pub(in super::super) const NOT_AUTHORIZED: u8 = 0x87;
    pub(in super::super) const SHUTTING_DOWN: u8 = 0x8B;
    pub(in super::super) const AUTHENTICATION_METHOD: u8 = 0x8C;
    pub(in super::super) const KEEP_ALIVE: u8 = 0x8D;
    pub(in super::super) const TAKEN_OVER: u8 = 0x8E;
    pub(in super::super) const TOPIC_ALIAS: u8 = 0x94;
    pub(in super::super) const TOO_LARGE: u8 = 0x95;
    pub(in super::super) const PAYLOAD: u8 = 0x99;
    pub(in super::super) const QOS: u8 = 0x9B;
}

/// Properties that matter here, section 2.2.2.2.
mod property {
    pub(super) const SESSION_EXPIRY: u8 = 0x11;
    pub(super) const ASSIGNED_IDENTIFIER: u8 = 0x12;
    pub(super) const AUTHENTICATION_METHOD: u8 = 0x15;
    pub(super) const RECEIVE_MAXIMUM: u8 = 0x21;
    pub(super) const TOPIC_ALIAS: u8 = 0x23;
    pub(super) const MAXIMUM_QOS: u8 = 0x24;
    pub(super) const USER: u8 = 0x26;
    pub(super) const MAXIMUM_PACKET: u8 = 0x27;
    pub(super) const WILDCARDS: u8 = 0x28;
    pub(super) const SUBSCRIPTION_IDENTIFIERS: u8 = 0x29;
    pub(super) const SHARED_SUBSCRIPTIONS: u8 = 0x2A;
}

fn malformed(why: &str) -> Broken {
    Broken::Malformed(why.to_owned())
}

/// Fields of a packet, taken from its front.
pub(super) struct Fields<'a>(pub(super) &'a [u8]);

impl<'a> Fields<'a> {
    fn bytes(&mut self, count: usize) -> Result<&'a [u8], Broken> {
        let (taken, rest) = self
            .0
            .split_at_checked(count)
            .ok_or_else(|| malformed("a packet that ends inside a field"))?;
        self.0 = rest;
        Ok(taken)
    }

    fn number(&mut self, bytes: usize) -> Result<u32, Broken> {
        Ok(self.bytes(bytes)?.iter().fold(0, |number, byte| number << 8 | u32::from(*byte)))
    }

    fn short(&mut self) -> Result<u16, Broken> {
        self.number(2).map(|number| u16::try_from(number).unwrap_or(u16::MAX))
    }

    fn byte(&mut self) -> Result<u8, Broken> {
        self.number(1).map(|number| u8::try_from(number).unwrap_or(u8::MAX))
    }

    /// Section 1.5.5: seven bits a byte, at most four bytes.
    fn variable(&mut self) -> Result<usize, Broken> {
        let mut number = 0;
        for place in 0..4 {
            let byte = self.byte()?;
            number |= usize::from(byte & 0x7F) << (7 * place);
            if byte & 0x80 == 0 {
                return Ok(number);
            }
        }
        Err(malformed("a length of more than four bytes"))
    }

    fn binary(&mut self) -> Result<&'a [u8], Broken> {
        let length = self.short()?;
        self.bytes(usize::from(length))
    }

    fn text(&mut self) -> Result<&'a str, Broken> {
        std::str::from_utf8(self.binary()?).map_err(|_| malformed("a text that is not UTF-8"))
    }

    /// Section 2.2.2: all properties of a packet, each but the user's own at most once.
    /// Gives those that are numbers to `each`, and of the others the identifier.
    pub(super) fn properties(&mut self, mut each: impl FnMut(u8, u32)) -> Result<(), Broken> {
        let length = self.variable()?;
        let mut fields = Fields(self.bytes(length)?);
        let mut seen = 0_u64;
        while !fields.0.is_empty() {
            let identifier = fields.byte()?;
            let number = match identifier {
                0x01 | 0x17 | 0x19 | 0x24 | 0x25 | 0x28..=0x2A => fields.number(1)?,
                0x13 | 0x21..=0x23 => fields.number(2)?,
                0x02 | 0x11 | 0x18 | 0x27 => fields.number(4)?,
                0x0B => u32::try_from(fields.variable()?).unwrap_or(u32::MAX),
                0x03 | 0x08 | 0x12 | 0x15 | 0x1A | 0x1C | 0x1F => {
                    fields.text()?;
                    0
                }
                0x09 | 0x16 => {
                    fields.binary()?;
                    0
                }
                property::USER => {
                    fields.text()?;
                    fields.text()?;
                    0
                }
                _ => return Err(malformed("a property that MQTT 5 does not have")),
            };
            let bit = 1_u64 << identifier;
            if seen & bit != 0 && identifier != property::USER {
                return Err(malformed("a property that stands twice"));
            }
            seen |= bit;
            each(identifier, number);
        }
        Ok(())
    }

    /// Section 3.3.2.3: passes over what stands before the payload. A topic alias was
    /// not offered, so that a topic always stands in its message.
    pub(super) fn before_payload(&mut self) -> Result<(), Broken> {
        let mut alias = false;
        self.properties(|identifier, _| alias |= identifier == property::TOPIC_ALIAS)?;
        if alias { Err(Broken::Alias) } else { Ok(()) }
    }
}

/// Reads a packet other than PUBLISH: its first byte, and what stands behind its length.
pub(super) fn other(first: u8, body: &[u8]) -> Result<Other, Broken> {
    let mut fields = Fields(body);
    Ok(match first >> 4 {
        1 => Other::Connect(Box::new(connect(&mut fields)?)),
        4 | 5 | 7 => Other::Answer,
        8 | 10 if first & 0x0F == 2 => {
            let packet = fields.short()?;
            fields.properties(|_, _| {})?;
            let mut filters = 0;
            while !fields.0.is_empty() {
                fields.text()?;
                if first >> 4 == 8 {
                    fields.byte()?;
                }
                filters += 1;
            }
            if packet == 0 || filters == 0 {
                return Err(malformed("a subscription to nothing"));
            }
            if first >> 4 == 8 {
                Other::Subscribe { packet, filters }
            } else {
                Other::Unsubscribe { packet, filters }
            }
        }
        12 => Other::Ping,
        14 => {
            // Section 3.14.2: both reason and properties may be absent.
            let mut ends = None;
            if !fields.0.is_empty() {
                fields.byte()?;
            }
            if !fields.0.is_empty() {
                fields.properties(|identifier, seconds| {
                    if identifier == property::SESSION_EXPIRY {
                        ends = Some(seconds == 0);
                    }
                })?;
            }
            Other::Goodbye { ends_session: ends }
        }
        _ => Other::Unexpected,
    })
}

/// Section 3.1.
fn connect(fields: &mut Fields<'_>) -> Result<Greeting, Broken> {
    const WILL: u8 = 0b100;
    const PASSWORD: u8 = 0b0100_0000;
    const USER: u8 = 0b1000_0000;
    if fields.text()? != "MQTT" || fields.byte()? != 5 {
        return Err(malformed("the first packet is not CONNECT"));
    }
    let flags = fields.byte()?;
    if flags & 1 != 0 {
        return Err(malformed("CONNECT with a flag that does not exist"));
    }
    let keep_alive = fields.short()?;
    let (mut expiry, mut other_method) = (0, false);
    fields.properties(|identifier, number| match identifier {
        property::SESSION_EXPIRY => expiry = number,
        property::AUTHENTICATION_METHOD => other_method = true,
        _ => {}
    })?;
    let identifier = fields.text()?.to_owned();
    if flags & WILL != 0 {
        fields.properties(|_, _| {})?;
        fields.text()?;
        fields.binary()?;
    }
    let user = if flags & USER == 0 { None } else { Some(fields.text()?.to_owned()) };
    // A token is text; what is none is a wrong password.
    let password = if flags & PASSWORD == 0 {
        None
    } else {
        Some(String::from_utf8_lossy(fields.binary()?).into_owned())
    };
    if !fields.0.is_empty() {
        return Err(malformed("CONNECT with more behind its end"));
    }
    Ok(Greeting {
        identifier,
        clean: flags & 0b10 != 0,
        keeps_session: expiry > 0,
        keep_alive,
        login: user.zip(password),
        other_method,
    })
}

/// What the answer to CONNECT tells of this end.
pub(super) struct Offer<'a> {
    pub(super) present: bool,
    /// The identifier given to a client that had none.
    pub(super) assigned: Option<&'a str>,
    /// Most messages at `QoS` 1 on their way.
    pub(super) on_their_way: u16,
    /// Largest packet that is read, in bytes.
    pub(super) packet_limit: u32,
}

/// CONNACK, section 3.2: accepted, with what is not spoken here.
pub(super) fn accept(out: &mut BytesMut, offer: &Offer<'_>) {
    let mut properties = BytesMut::new();
    properties.put_u8(property::RECEIVE_MAXIMUM);
    properties.put_u16(offer.on_their_way);
    properties.put_slice(&[property::MAXIMUM_QOS, 1]);
    properties.put_u8(property::MAXIMUM_PACKET);
    properties.put_u32(offer.packet_limit);
    if let Some(identifier) = offer.assigned {
        properties.put_u8(property::ASSIGNED_IDENTIFIER);
        properties.put_u16(u16::try_from(identifier.len()).unwrap_or_default());
        properties.put_slice(identifier.as_bytes());
    }
    for missing in
        [property::WILDCARDS, property::SUBSCRIPTION_IDENTIFIERS, property::SHARED_SUBSCRIPTIONS]
    {
        properties.put_slice(&[missing, 0]);
    }
    // Well below 128 bytes: each length is one byte.
    let length = u8::try_from(properties.len()).unwrap_or_default();
    out.put_slice(&[0x20, length + 3, u8::from(offer.present), reason::SUCCESS, length]);
    out.put_slice(&properties);
}

/// CONNACK that refuses.
pub(super) fn refuse(out: &mut BytesMut, reason: u8) {
    out.put_slice(&[0x20, 3, 0, reason, 0]);
}

/// PUBACK, section 3.4; without a reason where it is success.
pub(super) fn acknowledge(out: &mut BytesMut, packet: u16, reason: u8) {
    let [high, low] = packet.to_be_bytes();
    if reason == reason::SUCCESS {
        out.put_slice(&[0x40, 2, high, low]);
    } else {
        out.put_slice(&[0x40, 3, high, low, reason]);
    }
}

/// SUBACK or UNSUBACK, sections 3.9 and 3.11: the same reason for every filter.
pub(super) fn subscriptions(
    out: &mut BytesMut,
    first: u8,
    packet: u16,
    filters: usize,
    reason: u8,
) {
    out.put_u8(first);
    let mut length = filters + 3;
    while length >= 0x80 {
        out.put_u8(u8::try_from(length & 0x7F).unwrap_or_default() | 0x80);
        length >>= 7;
    }
    out.put_u8(u8::try_from(length).unwrap_or_default());
    out.put_u16(packet);
    out.put_u8(0);
    out.put_bytes(reason, filters);
}

/// DISCONNECT, section 3.14.
pub(super) fn goodbye(out: &mut BytesMut, reason: u8) {
    out.put_slice(&[0xE0, 2, reason, 0]);
}
