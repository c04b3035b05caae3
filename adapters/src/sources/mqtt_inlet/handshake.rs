//! Who is it: the first packet of a connection and its answer.
//!
//! The rule kept here: nothing is read beyond the first packet before its sender is
//! known, and whoever is refused learns no more than that.

use super::frame::{self, Broken, Frame, Greeting, Other, Version};
use super::version_5::{self, Offer, reason};
use crate::credentials::Grant;
use crate::payload::Refused;
use crate::port::Context;
use bytes::{Buf, BytesMut};
use observation::Refusal;
use rumqttc::mqttbytes::v4::{ConnAck, ConnectReturnCode};
use std::sync::Arc;
use std::time::Duration;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;

/// Largest first packet: identifier, will, user name and password.
const LARGEST: usize = 16 << 10;
/// Longest client identifier that is taken, in bytes.
const LONGEST_IDENTIFIER: usize = 256;
/// Most messages at `QoS` 1 on their way that a client of MQTT 5 is allowed.
const ON_THEIR_WAY: u16 = 16_384;

/// A sender that said who it is. No debug output: it holds the token, because a token
/// that is revoked must end the connection that came with it.
pub(super) struct Known {
    /// The stations it may speak for.
    pub(super) grant: Grant,
    /// User name and password, to be asked again when the tokens change.
    pub(super) login: (String, String),
    /// Owner and client identifier; none if it has no session to come back to.
    pub(super) client: Option<Arc<str>>,
    /// Whether its session outlives the connection.
    pub(super) keeps_session: bool,
    /// What it speaks.
    pub(super) version: Version,
    /// Its keep-alive; zero means none.
    pub(super) keep_alive: Duration,
}

/// Why a first packet leads nowhere, in the words of each version.
#[derive(Clone, Copy)]
enum No {
    Version,
    Identifier,
    /// User name and password do not belong together.
    Login,
    /// There are none.
    Stranger,
    Method,
}

/// Reads the first packet and answers it. What is read beyond it stays in `input`.
///
/// # Errors
/// Why the connection ends; none if there is nothing to count.
pub(super) async fn greet(
    context: &Context,
    packet_limit: usize,
    stream: &mut TcpStream,
    input: &mut BytesMut,
) -> Result<Known, Option<Refused>> {
    let (greeting, version) = loop {
        let level = level(input);
        let version = if level == Some(5) { Version::Five } else { Version::Three };
        match frame::next(input, LARGEST, version) {
            Ok(None) => {
                if stream.read_buf(input).await.unwrap_or(0) == 0 {
                    return Err(None);
                }
            }
            Ok(Some((Frame::Other(Other::Connect(greeting)), length))) => {
                input.advance(length);
                break (greeting, version);
            }
            Err(Broken::TooLong(bytes)) => {
                let detail =
                    format!("a first packet of {bytes} bytes; at most {LARGEST} are taken");
                return Err(Some(Refused { station: None, reason: Refusal::TooLong, detail }));
            }
            _ if level.is_some_and(|level| !matches!(level, 4 | 5)) => {
                refuse(stream, version, No::Version).await;
                return Err(Some(malformed("another version than MQTT 3.1.1 or 5")));
            }
            Err(Broken::Malformed(why)) => return Err(Some(malformed(&why))),
            _ => return Err(Some(malformed("the first packet is not CONNECT"))),
        }
    };
    admit(context, packet_limit, stream, *greeting, version).await
}

async fn admit(
    context: &Context,
    packet_limit: usize,
    stream: &mut TcpStream,
    greeting: Greeting,
    version: Version,
) -> Result<Known, Option<Refused>> {
    if greeting.other_method {
        refuse(stream, version, No::Method).await;
        return Err(Some(credentials("another way to prove oneself than user name and password")));
    }
    let Some(login) = greeting.login else {
        refuse(stream, version, No::Stranger).await;
        return Err(Some(credentials("a connection without user name and password")));
    };
    let Some(grant) = context.credentials.verify_as(&login.0, login.1.as_bytes()) else {
        refuse(stream, version, No::Login).await;
        return Err(Some(credentials("a user name and password that do not belong together")));
    };
    let mut identifier = greeting.identifier;
    // MQTT 5.0, section 3.1.3.1: a client without an identifier is given one.
    let assigned = identifier.is_empty() && version == Version::Five;
    if assigned {
        identifier = format!("{:016x}", fastrand::u64(..));
    }
    if identifier.len() > LONGEST_IDENTIFIER || (identifier.is_empty() && !greeting.clean) {
        refuse(stream, version, No::Identifier).await;
        return Err(Some(malformed("a kept session needs a client identifier of 1 to 256 bytes")));
    }
    // The identifier alone is not unique: stations with the same firmware may share it.
    let client: Option<Arc<str>> =
        (!identifier.is_empty()).then(|| Arc::from(format!("{}/{}", login.0, identifier)));
    let present = client.as_ref().is_some_and(|client| {
        if greeting.clean {
            context.clients.forget(client);
        }
        // What does not outlive this connection is forgotten at its end.
        (greeting.keeps_session || !greeting.clean) && context.clients.remember(client)
    });
    let mut out = BytesMut::new();
    let written = match version {
        Version::Three => ConnAck::new(ConnectReturnCode::Success, present).write(&mut out).is_ok(),
        Version::Five => {
            let offer = Offer {
                present,
                assigned: assigned.then_some(identifier.as_str()),
                on_their_way: ON_THEIR_WAY,
                packet_limit: u32::try_from(packet_limit).unwrap_or(u32::MAX),
            };
            version_5::accept(&mut out, &offer);
            true
        }
    };
    if !written || stream.write_all(&out).await.is_err() {
        return Err(None);
    }
    Ok(Known {
        grant,
        login,
        client,
        keeps_session: greeting.keeps_session,
        version,
        keep_alive: Duration::from_secs(u64::from(greeting.keep_alive)),
    })
}

async fn refuse(stream: &mut TcpStream, version: Version, no: No) {
    let mut out = BytesMut::new();
    match version {
        Version::Five => {
            let code = match no {
                No::Version => reason::VERSION,
                No::Identifier => reason::CLIENT_IDENTIFIER,
                No::Login => reason::LOGIN,
                No::Stranger => reason::NOT_AUTHORIZED,
                No::Method => reason::AUTHENTICATION_METHOD,
            };
            version_5::refuse(&mut out, code);
        }
        Version::Three => {
            let code = match no {
                No::Version => ConnectReturnCode::RefusedProtocolVersion,
                No::Identifier => ConnectReturnCode::BadClientId,
                No::Login => ConnectReturnCode::BadUserNamePassword,
                No::Stranger | No::Method => ConnectReturnCode::NotAuthorized,
            };
            if ConnAck::new(code, false).write(&mut out).is_err() {
                return;
            }
        }
    }
    // Whoever does not read the answer learns it from the end of the connection.
    stream.write_all(&out).await.ok();
}

/// The protocol level in the CONNECT at the front of `input`, as soon as it is there.
fn level(input: &[u8]) -> Option<u8> {
    if input.first()? >> 4 != 1 {
        return None;
    }
    let length = input.iter().skip(1).take(4).take_while(|b| **b & 0x80 != 0).count() + 2;
    let name = input.get(length..length + 6)?;
    (name == b"\x00\x04MQTT").then(|| input.get(length + 6).copied()).flatten()
}

fn malformed(why: &str) -> Refused {
    Refused { station: None, reason: Refusal::Malformed, detail: why.to_owned() }
}

fn credentials(why: &str) -> Refused {
    Refused { station: None, reason: Refusal::Credentials, detail: why.to_owned() }
}
