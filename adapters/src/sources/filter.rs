//! Topic filters: the wildcards of the protocol, and levels that name a station or a
//! channel.

use crate::payload::{Checksum, Map, shown};
use observation::StationIndex;
use serde::Deserialize;
use std::collections::HashMap;
use std::sync::Arc;

/// Longest filter or topic that is looked at, in bytes.
pub(super) const LONGEST_TOPIC: usize = 1_024;

/// How a payload is read.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub(super) enum Format {
    Number,
    Json,
    Senml,
    KeyValue,
}

/// A checked filter.
#[derive(Clone, Debug)]
pub(super) struct Filter {
    pub(super) levels: Vec<Level>,
    pub(super) station: Option<StationIndex>,
    pub(super) channel: Option<String>,
    pub(super) format: Format,
    pub(super) checksum: Checksum,
    pub(super) maps: HashMap<StationIndex, Arc<Map>>,
}

/// One level of a filter.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Level {
    Exactly(String),
    Any,
    Station,
    Channel,
    Rest,
}

impl Filter {
    /// The filter as the protocol writes it.
    pub(super) fn text(&self) -> String {
        let levels: Vec<&str> = self
            .levels
            .iter()
            .map(|level| match level {
                Level::Exactly(text) => text.as_str(),
                Level::Any | Level::Station | Level::Channel => "+",
                Level::Rest => "#",
            })
            .collect();
        levels.join("/")
    }

    /// Whether some topic matches both: a broker may then send it twice.
    pub(super) fn overlaps(&self, other: &Self) -> bool {
        let (mut ours, mut theirs) = (self.levels.iter(), other.levels.iter());
        loop {
            match (ours.next(), theirs.next()) {
                // `#` also stands for no level at all.
                (Some(Level::Rest), _) | (_, Some(Level::Rest)) | (None, None) => return true,
                (Some(Level::Exactly(a)), Some(Level::Exactly(b))) if a != b => return false,
                (Some(_), Some(_)) => {}
                (None, Some(_)) | (Some(_), None) => return false,
            }
        }
    }

    /// What a matching topic holds at the named levels.
    pub(super) fn captures<'t>(&self, topic: &'t str) -> Option<Captured<'t>> {
        let mut captured = Captured::default();
        let mut parts = topic.split('/');
        for (i, level) in self.levels.iter().enumerate() {
            if *level == Level::Rest {
                return Some(captured);
            }
            let part = parts.next()?;
            // Topics of the broker itself are not for wildcards (MQTT 3.1.1, 4.7.2).
            if i == 0 && part.starts_with('$') && !matches!(level, Level::Exactly(_)) {
                return None;
            }
            match level {
                Level::Exactly(text) if text != part => return None,
                Level::Station => captured.station = Some(part),
                Level::Channel => captured.channel = Some(part),
                Level::Exactly(_) | Level::Any | Level::Rest => {}
            }
        }
        parts.next().is_none().then_some(captured)
    }
}

/// What a topic holds at the levels that name something.
#[derive(Default)]
pub(super) struct Captured<'t> {
    pub(super) station: Option<&'t str>,
    pub(super) channel: Option<&'t str>,
}

/// Reads a filter.
///
/// # Errors
/// What is wrong with it.
pub(super) fn levels(filter: &str) -> Result<Vec<Level>, String> {
    if filter.is_empty() || filter.len() > LONGEST_TOPIC || filter.contains('\0') {
        return Err(format!("a filter is 1 to {LONGEST_TOPIC} bytes long, without NUL"));
    }
    let parts: Vec<&str> = filter.split('/').collect();
    let last = parts.len() - 1;
    let mut levels = Vec::with_capacity(parts.len());
    for (i, part) in parts.into_iter().enumerate() {
        let level = match part {
            "+" => Level::Any,
            "+station" => Level::Station,
            "+channel" => Level::Channel,
            "#" if i == last => Level::Rest,
            "#" => return Err("`#` stands for all further levels and must be the last".to_owned()),
            part if part.contains(['+', '#']) => {
                return Err(format!(
                    "`{}`: a wildcard is a level of its own: `+`, `+station`, `+channel` or `#`",
                    shown(part)
                ));
            }
            part => Level::Exactly(part.to_owned()),
        };
        if matches!(level, Level::Station | Level::Channel) && levels.contains(&level) {
            return Err(format!("`{part}` stands twice"));
        }
        levels.push(level);
    }
    Ok(levels)
}
