//! What stations speak through.
//!
//! A new kind is one folder, one `mod` line and one entry in [`KINDS`].

mod early;
mod filter;
mod handover;
pub mod http;
pub mod mqtt;
pub mod mqtt_inlet;
pub mod serial;
mod subscription;
mod topic;

#[cfg(test)]
#[path = "../../tests/fixtures/property.rs"]
mod fixtures;

use crate::payload::{Refused, shown};
use crate::port::{self, Context, Kind};

/// All kinds of sources.
pub const KINDS: &[Kind] = &[http::KIND, mqtt::KIND, mqtt_inlet::KIND, serial::KIND];

/// Tells whoever watches what was refused and where it came from: a topic, a line.
fn tell(context: &Context, place: &str, refused: &Refused) {
    let mut detail = if place.is_empty() {
        refused.detail.clone()
    } else {
        format!("{}: {}", shown(place), refused.detail)
    };
    if detail.len() > 200 {
        let mut end = 200;
        while !detail.is_char_boundary(end) {
            end -= 1;
        }
        detail.truncate(end);
    }
    context.watch.refused(context.source, port::Refused { detail: &detail, ..refused.told() });
}
