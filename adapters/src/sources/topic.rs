//! From a topic to whom it speaks for and how its payload is read.
//!
//! The rule kept here: a topic is matched against the filters once; after that it is one
//! look-up in a bounded map. A topic that leads to no station or channel is remembered
//! too, so that a talkative stranger costs no more than a station.

use super::filter::{Filter, Format, LONGEST_TOPIC};
use crate::credentials::Grant;
use crate::payload::senml::Notation;
use crate::payload::{Checksum, Decoded, LONGEST, Map, Reader, Refused, shown};
use observation::{ChannelIndex, Refusal, StationIndex};
use std::collections::HashMap;
use std::sync::Arc;

/// Most topics that are remembered in one session.
const MOST_TOPICS: usize = 4_096;

/// Where a topic leads.
#[derive(Clone, Debug)]
enum Route {
    Number(ChannelIndex),
    Json(StationIndex, Option<Arc<Map>>),
    Senml(Grant),
    Pairs(StationIndex, Checksum),
    Nowhere { station: Option<StationIndex>, reason: Refusal, detail: Box<str> },
}

/// The topics of one session.
#[derive(Debug)]
pub(super) struct Topics {
    reader: Arc<Reader>,
    filters: Arc<[Filter]>,
    grant: Grant,
    known: HashMap<Arc<str>, usize>,
    routes: Vec<Known>,
    /// The place of the topic read last.
    last: usize,
}

/// Where one topic leads.
#[derive(Debug)]
struct Known {
    topic: Arc<str>,
    route: Route,
    /// The topic that came after it the last time: stations go through their channels
    /// in one order.
    next: usize,
}

/// What one payload holds: mostly one station's message.
#[derive(Debug)]
pub(super) enum Holds {
    /// One station's.
    One(Decoded),
    /// Each station's in turn.
    Several(Vec<Decoded>),
}

impl Topics {
    /// The topics of a session that may speak for `grant`.
    pub(super) fn new(reader: &Arc<Reader>, filters: &Arc<[Filter]>, grant: Grant) -> Self {
        Self {
            reader: Arc::clone(reader),
            filters: Arc::clone(filters),
            grant,
            known: HashMap::new(),
            routes: Vec::new(),
            last: 0,
        }
    }

    /// Reads one payload. Gives the topic as a text to keep, and what the payload holds.
    ///
    /// # Errors
    /// Whatever makes the payload void; the whole of it is refused. A station outside
    /// the grant is `credentials`.
    pub(super) fn read(
        &mut self,
        topic: &str,
        payload: &[u8],
    ) -> Result<(Arc<str>, Holds), Refused> {
        let place = self.place(topic)?;
        let Some(Known { topic, route, .. }) = self.routes.get(place) else {
            return Err(Refused::new(Refusal::UnknownStation, "the topic was forgotten"));
        };
        if payload.len() > LONGEST {
            let detail = format!("{} bytes; at most {LONGEST} are taken", payload.len());
            return Err(Refused {
                station: self.grant.sole(),
                ..Refused::new(Refusal::TooLong, detail)
            });
        }
        let reader = &*self.reader;
        let holds = match route {
            Route::Number(channel) => reader.number(*channel, payload).map(Holds::One),
            Route::Json(station, map) => {
                reader.json(*station, map.as_deref(), payload).map(Holds::One)
            }
            Route::Senml(grant) => {
                reader.senml(grant, Notation::of(payload), payload).map(Holds::Several)
            }
            Route::Pairs(station, checksum) => {
                reader.key_value(*station, *checksum, payload).map(Holds::One)
            }
            Route::Nowhere { station, reason, detail } => {
                Err(Refused { station: *station, reason: *reason, detail: detail.to_string() })
            }
        }?;
        Ok((Arc::clone(topic), holds))
    }

    /// The place of a topic among those known, learned if it is new.
    fn place(&mut self, topic: &str) -> Result<usize, Refused> {
        let expected = self.routes.get(self.last).map_or(0, |last| last.next);
        let place = if self.routes.get(expected).is_some_and(|e| *e.topic == *topic) {
            expected
        } else if let Some(&place) = self.known.get(topic) {
            place
        } else {
            self.learn(topic)?
        };
        if let Some(last) = self.routes.get_mut(self.last) {
            last.next = place;
        }
        self.last = place;
        Ok(place)
    }

    /// Remembers where a topic leads, and gives the place of that.
    fn learn(&mut self, topic: &str) -> Result<usize, Refused> {
        if topic.len() > LONGEST_TOPIC {
            let detail =
                format!("a topic of {} bytes; at most {LONGEST_TOPIC} are taken", topic.len());
            return Err(Refused::new(Refusal::TooLong, detail));
        }
        if self.routes.len() >= MOST_TOPICS {
            // Learning the few that are in use again is cheap.
            self.known.clear();
            self.routes.clear();
        }
        let route = self.route(topic);
        let topic: Arc<str> = Arc::from(topic);
        let place = self.routes.len();
        self.known.insert(Arc::clone(&topic), place);
        self.routes.push(Known { topic, route, next: place });
        Ok(place)
    }

    fn route(&self, topic: &str) -> Route {
        let nowhere = |station, reason, detail: String| Route::Nowhere {
            station,
            reason,
            detail: detail.into_boxed_str(),
        };
        let matching = self.filters.iter().find_map(|f| f.captures(topic).map(|c| (f, c)));
        let Some((filter, captured)) = matching else {
            return match self.grant.sole() {
                Some(station) => nowhere(
                    Some(station),
                    Refusal::UnknownChannel,
                    "the topic fits none of the accepted shapes".to_owned(),
                ),
                None => {
                    nowhere(None, Refusal::UnknownStation, "no filter is for this topic".to_owned())
                }
            };
        };
        let property = self.reader.property();
        let station = match captured.station {
            None => filter.station,
            Some(id) => match property.station(id) {
                Some(station) => Some(station),
                None if self.grant.is_every() => {
                    let detail = format!("there is no station `{}`", shown(id));
                    return nowhere(None, Refusal::UnknownStation, detail);
                }
                // Who may not speak for it learns nothing about it.
                None => return nowhere(None, Refusal::Credentials, OUTSIDE.to_owned()),
            },
        };
        let Some(station) = station else {
            return Route::Senml(self.grant.clone());
        };
        if !self.grant.may(station) {
            return nowhere(None, Refusal::Credentials, OUTSIDE.to_owned());
        }
        match filter.format {
            Format::Senml => Route::Senml(Grant::only(station)),
            Format::Json => Route::Json(station, filter.maps.get(&station).cloned()),
            Format::KeyValue => Route::Pairs(station, filter.checksum),
            Format::Number => {
                let name = captured.channel.or(filter.channel.as_deref()).unwrap_or_default();
                match property.channel(station, name) {
                    Some(channel) => Route::Number(channel),
                    None => nowhere(
                        Some(station),
                        Refusal::UnknownChannel,
                        format!("there is no channel `{}`", shown(name)),
                    ),
                }
            }
        }
    }
}

const OUTSIDE: &str = "the topic speaks for a station that the token does not cover";

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use crate::sources::fixtures::alder_croft;
    use crate::sources::subscription::tests::filters;

    #[test]
    fn filters_name_station_and_channel_by_level_or_by_key() {
        let property = alder_croft();
        let filters = filters(
            r#"{ filter = "garden/+station/+channel", payload = "number" },
               { filter = "attic/+/value", payload = "number", station = "ridge", channel = "t" },
               { filter = "packs/#", payload = "senml" }"#,
            &property,
        )
        .unwrap();
        let texts: Vec<_> = filters.iter().map(Filter::text).collect();
        assert_eq!(texts, ["garden/+/+", "attic/+/value", "packs/#"]);
        let topics =
            Topics::new(&Arc::new(Reader::new(&Arc::new(property))), &filters, Grant::every());
        let numbers = [("garden/orchard/t", 0), ("garden/ridge/t", 2), ("attic/any/value", 2)];
        for (topic, channel) in numbers {
            assert!(
                matches!(topics.route(topic), Route::Number(c) if c == ChannelIndex(channel)),
                "{topic}: {:?}",
                topics.route(topic)
            );
        }
        assert!(matches!(topics.route("packs"), Route::Senml(_)));
        assert!(matches!(topics.route("packs/a/b"), Route::Senml(_)));
        for (topic, expected) in [
            ("garden/frog/t", Refusal::UnknownStation),
            ("garden/orchard/frog", Refusal::UnknownChannel),
            ("garden/orchard/t/x", Refusal::UnknownStation),
            ("garden/orchard", Refusal::UnknownStation),
            ("$SYS/orchard/t", Refusal::UnknownStation),
        ] {
            assert!(
                matches!(topics.route(topic), Route::Nowhere { reason, .. } if reason == expected),
                "{topic}: {:?}",
                topics.route(topic)
            );
        }
    }

    #[test]
    fn the_memory_of_topics_is_bounded() {
        let property = alder_croft();
        let filters =
            filters(r#"{ filter = "+station/+channel", payload = "number" }"#, &property).unwrap();
        let mut topics =
            Topics::new(&Arc::new(Reader::new(&Arc::new(property))), &filters, Grant::every());
        for i in 0..3 * MOST_TOPICS {
            let refused = topics.read(&format!("stranger{i}/t"), b"1").unwrap_err();
            assert_eq!(refused.reason, Refusal::UnknownStation);
            assert!(topics.known.len() <= MOST_TOPICS);
        }
        assert!(topics.read("orchard/t", b"1").is_ok());
    }
}
