//! What sources tell of what they refuse.

use crate::payload::{Refused, shown};
use crate::port::{self, Context};

/// Tells whoever watches what was refused and where it came from: a topic, a line.
pub(super) fn tell(context: &Context, place: &str, refused: &Refused) {
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

/// The example of a table with entries that it does not show itself: for whoever leaves out
/// a key of theirs.
pub(super) fn with_entries(example: &str) -> String {
    format!(
        "{example}\nmap = {{ t = {{ path = \"$.temperature\", unit = \"Cel\" }} }}\n\
         transducers = {{ T0 = {{ channel = \"t\", unit = \"Cel\" }} }}\n"
    )
}
