//! What goes back to a sender: nothing, or a problem document (Nottingham, Wilde and
//! Dalal, Problem Details for HTTP APIs, RFC 9457 (2023)).
//!
//! `type` is absent, which means `about:blank`: the title is that of the status. The
//! member `reason` is the word under which the refusal is counted.

use crate::payload::Refused;
use axum::body::Body;
use axum::http::{HeaderValue, Response, StatusCode, header};
use observation::Refusal;
use observation::refusal::Stage;
use serde::Serialize;
use std::time::Duration;

/// Why a request did not get its 204.
#[derive(Debug)]
pub(super) struct Problem {
    pub(super) status: StatusCode,
    /// What to count; none for what is not the sender's doing.
    pub(super) counted: Option<(Stage, Refused)>,
    detail: String,
    retry_after: Option<u64>,
    close: bool,
}

#[derive(Serialize)]
struct Document<'a> {
    title: &'a str,
    status: u16,
    #[serde(skip_serializing_if = "str::is_empty")]
    detail: &'a str,
    #[serde(skip_serializing_if = "Option::is_none")]
    reason: Option<&'a str>,
}

impl Problem {
    fn counted(status: StatusCode, stage: Stage, refused: Refused) -> Self {
        let detail = refused.detail.clone();
        Self { status, counted: Some((stage, refused)), detail, retry_after: None, close: false }
    }

    /// A request that is wrong before its body was looked at.
    pub(super) fn frame(status: StatusCode, reason: Refusal, detail: impl Into<String>) -> Self {
        Self::counted(
            status,
            Stage::Frame,
            Refused { station: None, reason, detail: detail.into() },
        )
    }

    /// A body or query that was refused.
    pub(super) fn refused(refused: Refused) -> Self {
        let status = match refused.reason {
            Refusal::Credentials => StatusCode::FORBIDDEN,
            Refusal::TooLong => StatusCode::PAYLOAD_TOO_LARGE,
            Refusal::UnknownChannel | Refusal::UnknownStation | Refusal::Unit => {
                StatusCode::UNPROCESSABLE_ENTITY
            }
            _ => StatusCode::BAD_REQUEST,
        };
        let stage = refused.told().stage;
        Self::counted(status, stage, refused)
    }

    /// No token, or one that nobody has. The sender is told no more than that.
    pub(super) fn unauthorized(detail: String) -> Self {
        let refused = Refused { station: None, reason: Refusal::Credentials, detail };
        Self {
            detail: String::new(),
            ..Self::counted(StatusCode::UNAUTHORIZED, Stage::Access, refused)
        }
    }

    /// A station outside the token, known or not.
    pub(super) fn forbidden(id: &str) -> Self {
        let detail =
            format!("this token does not speak for station `{}`", crate::payload::shown(id));
        Self::refused(Refused { station: None, reason: Refusal::Credentials, detail })
    }

    /// Too fast; `wait` in seconds.
    pub(super) fn too_fast(mut refused: Refused, wait: f64) -> Self {
        refused.reason = Refusal::Rate;
        let mut problem = Self::counted(StatusCode::TOO_MANY_REQUESTS, Stage::Access, refused);
        let wait = Duration::try_from_secs_f64(wait.clamp(0.0, 3_600.0)).unwrap_or_default();
        problem.retry_after = Some(wait.as_secs() + 1);
        problem
    }

    /// Nothing could be committed in time.
    pub(super) fn unavailable(detail: &str) -> Self {
        Self {
            status: StatusCode::SERVICE_UNAVAILABLE,
            counted: None,
            detail: detail.to_owned(),
            retry_after: Some(5),
            close: false,
        }
    }

    /// The connection ends with this answer: what else the sender has put on it is not
    /// read.
    pub(super) fn closing(mut self) -> Self {
        self.close = true;
        self
    }

    pub(super) fn response(&self, allow: Option<&'static str>) -> Response<Body> {
        let document = Document {
            title: self.status.canonical_reason().unwrap_or_default(),
            status: self.status.as_u16(),
            detail: &self.detail,
            reason: self.counted.as_ref().map(|(_, refused)| refused.reason.word()),
        };
        let body = serde_json::to_vec(&document).unwrap_or_default();
        let mut response = Response::new(Body::from(body));
        *response.status_mut() = self.status;
        let headers = response.headers_mut();
        headers.insert(header::CONTENT_TYPE, HeaderValue::from_static("application/problem+json"));
        if let Some(seconds) = self.retry_after {
            headers.insert(header::RETRY_AFTER, HeaderValue::from(seconds));
        }
        if self.status == StatusCode::UNAUTHORIZED {
            headers.insert(header::WWW_AUTHENTICATE, HeaderValue::from_static("Bearer"));
        }
        if let Some(methods) = allow {
            headers.insert(header::ALLOW, HeaderValue::from_static(methods));
        }
        if self.close {
            headers.insert(header::CONNECTION, HeaderValue::from_static("close"));
        }
        response
    }
}

/// Durable: 204.
pub(super) fn done() -> Response<Body> {
    let mut response = Response::new(Body::empty());
    *response.status_mut() = StatusCode::NO_CONTENT;
    response
}
