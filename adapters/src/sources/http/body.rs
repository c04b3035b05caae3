//! The body of a request, read to its limit, and what its headers say it is.

use super::problem::Problem;
use crate::payload::senml::Notation;
use crate::payload::{LONGEST, shown};
use axum::body::Body;
use axum::http::{HeaderMap, StatusCode, header};
use bytes::{Bytes, BytesMut};
use http_body_util::BodyExt;
use observation::Refusal;

/// What a body is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Kind {
    /// `application/senml+json` or `application/senml+cbor`.
    Senml(Notation),
    /// `application/json`.
    Json,
    /// `application/x-www-form-urlencoded`.
    Form,
    /// The header is absent.
    Unsaid,
}

/// What the headers say of the body.
///
/// # Errors
/// 415 for another type or for any content encoding: what is unpacked has no limit
/// that its sender could not hide.
pub(super) fn kind(headers: &HeaderMap) -> Result<Kind, Problem> {
    let unsupported = |what: &str, value: &str| {
        let detail = format!("{what} `{}` is not taken", shown(value));
        Problem::frame(StatusCode::UNSUPPORTED_MEDIA_TYPE, Refusal::Malformed, detail)
    };
    for encoding in headers.get_all(header::CONTENT_ENCODING) {
        let encoding = encoding.to_str().unwrap_or("?");
        if !encoding.eq_ignore_ascii_case("identity") {
            return Err(unsupported("content encoding", encoding));
        }
    }
    let Some(value) = headers.get(header::CONTENT_TYPE) else { return Ok(Kind::Unsaid) };
    let value = value.to_str().unwrap_or("?");
    let essence = value.split(';').next().unwrap_or_default().trim();
    [
        ("application/senml+json", Kind::Senml(Notation::Json)),
        ("application/senml+cbor", Kind::Senml(Notation::Cbor)),
        ("application/json", Kind::Json),
        ("application/x-www-form-urlencoded", Kind::Form),
    ]
    .into_iter()
    .find(|(name, _)| essence.eq_ignore_ascii_case(name))
    .map(|(_, kind)| kind)
    .ok_or_else(|| unsupported("content type", value))
}

/// Reads the whole body.
///
/// # Errors
/// 413 as soon as it is known to be too long; 400 if it breaks off.
pub(super) async fn whole(headers: &HeaderMap, mut body: Body) -> Result<Bytes, Problem> {
    let too_long = || {
        let detail = format!("the body is longer than {LONGEST} bytes");
        Problem::frame(StatusCode::PAYLOAD_TOO_LARGE, Refusal::TooLong, detail).closing()
    };
    let announced = headers
        .get(header::CONTENT_LENGTH)
        .and_then(|v| v.to_str().ok())
        .and_then(|v| v.parse::<u64>().ok());
    if announced.is_some_and(|length| length > LONGEST as u64) {
        return Err(too_long());
    }
    // Nearly always there is one piece, and it is not copied.
    let mut first = Bytes::new();
    let mut all = BytesMut::new();
    while let Some(frame) = body.frame().await {
        let frame = frame.map_err(|_| {
            Problem::frame(StatusCode::BAD_REQUEST, Refusal::Fragment, "the body broke off")
                .closing()
        })?;
        let Ok(piece) = frame.into_data() else { continue };
        if first.len() + all.len() + piece.len() > LONGEST {
            return Err(too_long());
        }
        if first.is_empty() && all.is_empty() {
            first = piece;
        } else {
            if all.is_empty() {
                all.extend_from_slice(&std::mem::take(&mut first));
            }
            all.extend_from_slice(&piece);
        }
    }
    Ok(if all.is_empty() { first } else { all.freeze() })
}
