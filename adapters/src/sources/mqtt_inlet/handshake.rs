//! Who is it: the first packet of a connection and its answer.
//!
//! The rule kept here: nothing is read beyond the first packet before its sender is
//! known, and whoever is refused learns no more than that.

use super::frame::{self, Broken, Frame};
use crate::credentials::Grant;
use crate::payload::Refused;
use crate::port::Context;
use bytes::{Buf, BytesMut};
use observation::Refusal;
use rumqttc::mqttbytes::Protocol;
use rumqttc::mqttbytes::v4::{ConnAck, Connect, ConnectReturnCode, Packet};
use std::sync::Arc;
use std::time::Duration;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;

/// Largest first packet: identifier, will, user name and password.
const LARGEST: usize = 16 << 10;
/// Longest client identifier that is taken, in bytes.
const LONGEST_IDENTIFIER: usize = 256;
/// The refusal of MQTT 5 in its own form (MQTT 5.0, section 3.2): unsupported protocol version.
const REFUSED_VERSION_5: [u8; 5] = [0x20, 3, 0, 0x84, 0];

/// A sender that said who it is. No debug output: it holds the token, because a token
/// that is revoked must end the connection that came with it.
pub(super) struct Known {
    /// The stations it may speak for.
    pub(super) grant: Grant,
    /// User name and password, to be asked again when the tokens change.
    pub(super) login: (String, String),
    /// Owner and client identifier; none if it has no session to come back to.
    pub(super) client: Option<Arc<str>>,
    /// Its keep-alive; zero means none.
    pub(super) keep_alive: Duration,
}

/// Reads the first packet and answers it. What is read beyond it stays in `input`.
///
/// # Errors
/// Why the connection ends; none if there is nothing to count.
pub(super) async fn greet(
    context: &Context,
    stream: &mut TcpStream,
    input: &mut BytesMut,
) -> Result<Known, Option<Refused>> {
    let connect = loop {
        if version(input) == Some(5) {
            stream.write_all(&REFUSED_VERSION_5).await.ok();
            return Err(Some(malformed("MQTT 5 is not spoken here; use 3.1.1")));
        }
        match frame::next(input, LARGEST) {
            Ok(None) => {
                if stream.read_buf(input).await.unwrap_or(0) == 0 {
                    return Err(None);
                }
            }
            Ok(Some((Frame::Other(Packet::Connect(connect)), length))) => {
                input.advance(length);
                break connect;
            }
            Ok(Some(_)) => return Err(Some(malformed("the first packet is not CONNECT"))),
            Err(Broken::TooLong(bytes)) => {
                let detail =
                    format!("a first packet of {bytes} bytes; at most {LARGEST} are taken");
                return Err(Some(Refused { station: None, reason: Refusal::TooLong, detail }));
            }
            Err(_) if version(input).is_some_and(|v| v != 4) => {
                answer(stream, ConnectReturnCode::RefusedProtocolVersion, false).await;
                return Err(Some(malformed("another version than MQTT 3.1.1")));
            }
            Err(Broken::Malformed(why)) => return Err(Some(malformed(&why))),
            Err(Broken::TwiceAsked) => {
                return Err(Some(malformed("the first packet is not CONNECT")));
            }
        }
    };
    admit(context, stream, connect).await
}

async fn admit(
    context: &Context,
    stream: &mut TcpStream,
    connect: Connect,
) -> Result<Known, Option<Refused>> {
    if connect.protocol != Protocol::V4 {
        answer(stream, ConnectReturnCode::RefusedProtocolVersion, false).await;
        return Err(Some(malformed("another version than MQTT 3.1.1")));
    }
    let Some(login) = connect.login else {
        answer(stream, ConnectReturnCode::NotAuthorized, false).await;
        return Err(Some(credentials("a connection without user name and password")));
    };
    let granted = context.credentials.verify_as(&login.username, login.password.as_bytes());
    let Some(grant) = granted else {
        answer(stream, ConnectReturnCode::BadUserNamePassword, false).await;
        return Err(Some(credentials("a user name and password that do not belong together")));
    };
    let identifier = &connect.client_id;
    if identifier.len() > LONGEST_IDENTIFIER || (identifier.is_empty() && !connect.clean_session) {
        answer(stream, ConnectReturnCode::BadClientId, false).await;
        return Err(Some(malformed("a kept session needs a client identifier of 1 to 256 bytes")));
    }
    // The identifier alone is not unique: stations with the same firmware may share it.
    let client: Option<Arc<str>> =
        (!identifier.is_empty()).then(|| Arc::from(format!("{}/{}", login.username, identifier)));
    let present = match &client {
        Some(client) if connect.clean_session => {
            context.clients.forget(client);
            false
        }
        Some(client) => context.clients.remember(client),
        None => false,
    };
    if !answer(stream, ConnectReturnCode::Success, present).await {
        return Err(None);
    }
    Ok(Known {
        grant,
        login: (login.username, login.password),
        client,
        keep_alive: Duration::from_secs(u64::from(connect.keep_alive)),
    })
}

async fn answer(stream: &mut TcpStream, code: ConnectReturnCode, present: bool) -> bool {
    let mut out = BytesMut::new();
    ConnAck::new(code, present).write(&mut out).is_ok() && stream.write_all(&out).await.is_ok()
}

/// The protocol level in the CONNECT at the front of `input`, as soon as it is there.
fn version(input: &[u8]) -> Option<u8> {
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
