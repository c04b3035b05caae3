//! What went wrong with a request, as a problem document (RFC 9457).

use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};

/// A refused or failed request.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Problem {
    status: StatusCode,
    detail: String,
}

impl Problem {
    /// 400: the request makes no sense; `detail` says which part and what to write.
    pub fn bad_request(detail: impl Into<String>) -> Self {
        Self { status: StatusCode::BAD_REQUEST, detail: detail.into() }
    }

    /// 404: nothing is served here.
    pub fn not_found(detail: impl Into<String>) -> Self {
        Self { status: StatusCode::NOT_FOUND, detail: detail.into() }
    }

    /// 405: served, but not by this method.
    pub fn method() -> Self {
        Self {
            status: StatusCode::METHOD_NOT_ALLOWED,
            detail: "only GET is served here".to_owned(),
        }
    }

    /// 503: not now.
    pub fn unavailable(detail: impl Into<String>) -> Self {
        Self { status: StatusCode::SERVICE_UNAVAILABLE, detail: detail.into() }
    }
}

impl IntoResponse for Problem {
    fn into_response(self) -> Response {
        let title = self.status.canonical_reason().unwrap_or("Problem");
        let body = serde_json::json!({
            "type": "about:blank",
            "title": title,
            "status": self.status.as_u16(),
            "detail": self.detail,
        });
        let mut response = (self.status, body.to_string()).into_response();
        response
            .headers_mut()
            .insert(header::CONTENT_TYPE, HeaderValue::from_static("application/problem+json"));
        response
    }
}
