//! `GET /display/{name}.png` and `.json`: one station for a small display in the hall.
//! The name is the station's identifier; `width`, `height` in pixels and `depth` in bits
//! are asked for.

mod canvas;
mod layout;
mod shown;

use super::Page;
use super::problem::Problem;
use super::sheet::ENGLISH;
use axum::extract::rejection::QueryRejection;
use axum::extract::{Path, State};
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use observation::StationIndex;
use sha2::{Digest, Sha256};
use std::fmt::Write as _;
use std::sync::Arc;

/// Smallest and largest edge, pixels.
const EDGES: std::ops::RangeInclusive<u32> = 32..=2_000;

/// What a display can show.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Size {
    width: u32,
    height: u32,
    depth: u8,
}

impl Size {
    fn parse(pairs: &[(String, String)]) -> Result<Self, Problem> {
        let mut size = Self { width: 400, height: 300, depth: 1 };
        for (name, value) in pairs {
            let number = value.parse::<u32>().ok();
            let edge = number.filter(|n| EDGES.contains(n)).ok_or_else(|| {
                Problem::bad_request(format!(
                    "edges are {} to {} pixels",
                    EDGES.start(),
                    EDGES.end()
                ))
            });
            match name.as_str() {
                "width" => size.width = edge?,
                "height" => size.height = edge?,
                "depth" => {
                    size.depth = number
                        .and_then(|n| u8::try_from(n).ok())
                        .filter(|n| matches!(n, 1 | 2 | 4 | 8))
                        .ok_or_else(|| Problem::bad_request("`depth` is 1, 2, 4 or 8 bits"))?;
                }
                _ => {
                    return Err(Problem::bad_request(
                        "only `width`, `height` and `depth` are asked for here",
                    ));
                }
            }
        }
        Ok(size)
    }
}

/// The answer.
pub(super) async fn display(
    State(page): State<Arc<Page>>,
    Path(file): Path<String>,
    pairs: Result<axum::extract::Query<Vec<(String, String)>>, QueryRejection>,
    headers: HeaderMap,
) -> Result<Response, Problem> {
    let size = Size::parse(&pairs.map_err(|e| Problem::bad_request(e.body_text()))?.0)?;
    let unknown = || {
        Problem::not_found("there is no such display; its name is a station's, with .png or .json")
    };
    let (name, kind) = file.rsplit_once('.').ok_or_else(unknown)?;
    let picture = match kind {
        "png" => true,
        "json" => false,
        _ => return Err(unknown()),
    };
    let snapshot = page.view.snapshot();
    let index = snapshot.property.station(name).ok_or_else(unknown)?;
    let seat = page.archive.seat().await?;
    let (body, again) = tokio::task::spawn_blocking(move || {
        let _seat = seat;
        drawn(&page, index, size, picture)
    })
    .await
    .map_err(|_| Problem::unavailable("drawing failed inside"))??;
    let tag = Sha256::digest(&body).iter().take(12).fold(String::from("\""), |mut tag, byte| {
        // Writing to a String cannot fail.
        let _ = write!(tag, "{byte:02x}");
        tag
    }) + "\"";
    let same = headers.get(header::IF_NONE_MATCH).is_some_and(|given| {
        given
            .to_str()
            .is_ok_and(|text| text.split(',').any(|t| t.trim().trim_start_matches("W/") == tag))
    });
    let mut answer = if same {
        StatusCode::NOT_MODIFIED.into_response()
    } else {
        let kind = if picture { "image/png" } else { "application/json" };
        ([(header::CONTENT_TYPE, kind)], body).into_response()
    };
    // The hint when to come back: until then nothing new is to be seen.
    for (name, text) in [
        (header::ETAG, tag),
        (header::CACHE_CONTROL, format!("max-age={again}")),
        (header::RETRY_AFTER, again.to_string()),
    ] {
        if let Ok(value) = HeaderValue::from_str(&text) {
            answer.headers_mut().insert(name, value);
        }
    }
    Ok(answer)
}

fn drawn(
    page: &Page,
    index: StationIndex,
    size: Size,
    picture: bool,
) -> Result<(Vec<u8>, i64), Problem> {
    let snapshot = page.view.snapshot();
    let station = snapshot
        .property
        .stations
        .get(usize::from(index.0))
        .ok_or_else(|| Problem::not_found("there is no such station"))?;
    let told = shown::of(page, &snapshot, index, station, &ENGLISH);
    let again = told.again;
    let body = if picture {
        layout::drawn(&told, size.width, size.height, size.depth, &ENGLISH)
            .png(size.depth)
            .map_err(Problem::unavailable)?
    } else {
        serde_json::to_vec(&told).map_err(|e| Problem::unavailable(e.to_string()))?
    };
    Ok((body, again))
}
