//! The style sheet and the script: files of their own, which browsers may keep for five
//! minutes.

use axum::http::header;
use axum::response::{IntoResponse, Response};

const STYLE: &str = include_str!("../assets/style.css");
const SCRIPT: &str = include_str!("../assets/live.js");

/// Where the style sheet is.
pub const STYLE_PATH: &str = concat!("/page/style.css?", env!("CARGO_PKG_VERSION"));
/// Where the script is.
pub const SCRIPT_PATH: &str = concat!("/page/live.js?", env!("CARGO_PKG_VERSION"));

fn kept(kind: &'static str, text: &'static str) -> Response {
    (
        [
            (header::CONTENT_TYPE, kind),
            (header::CACHE_CONTROL, "public, max-age=300"),
            (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
        ],
        text,
    )
        .into_response()
}

/// `GET /page/style.css`.
pub async fn style() -> Response {
    kept("text/css; charset=utf-8", STYLE)
}

/// `GET /page/live.js`.
pub async fn script() -> Response {
    kept("text/javascript; charset=utf-8", SCRIPT)
}
