//! From a topic to whom it speaks for and how its payload is read.
//!
//! The rule kept here: a topic is matched against the filters once; after that it is one
//! look-up in a bounded map. A topic that leads to no station or channel is remembered
//! too, so that a talkative stranger costs no more than a station.

use crate::credentials::Grant;
use crate::payload::Checksum;
use crate::payload::map::{Mapped, Place};
use crate::payload::{Decoded, LONGEST, Map, Reader, Refused, shown};
use config::{AdapterTable, Fault, nearest};
use observation::{ChannelIndex, Property, Refusal, StationIndex};
use serde::Deserialize;
use std::collections::{BTreeMap, HashMap};
use std::sync::Arc;

/// Most topics that are remembered in one session.
const MOST_TOPICS: usize = 4_096;
/// Longest topic that is looked at, in bytes.
pub(super) const LONGEST_TOPIC: usize = 1_024;

/// One entry of `subscribe` or `accept`, as the settings write it.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Subscription {
    /// A topic filter; `+station` and `+channel` name what their level holds.
    filter: String,
    /// How the payload is read.
    payload: Format,
    /// The station, where no level names it.
    station: Option<String>,
    /// The channel, where no level names it.
    channel: Option<String>,
    /// Where in the sender's own JSON its channels stand.
    map: Option<BTreeMap<String, Mapped>>,
    /// How a payload of pairs proves that it is whole.
    checksum: Option<Checksum>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
enum Format {
    Number,
    Json,
    Senml,
    KeyValue,
}

/// A checked filter.
#[derive(Clone, Debug)]
pub(super) struct Filter {
    levels: Vec<Level>,
    station: Option<StationIndex>,
    channel: Option<String>,
    format: Format,
    checksum: Checksum,
    maps: HashMap<StationIndex, Arc<Map>>,
}

#[derive(Clone, Debug, PartialEq, Eq)]
enum Level {
    Exactly(String),
    Any,
    Station,
    Channel,
    Rest,
}

impl Filter {
    /// Checks one entry at `path` (its key and place in the list).
    pub(super) fn check(
        entry: &Subscription,
        table: &AdapterTable,
        path: [&str; 2],
        property: &Property,
    ) -> Result<Self, Vec<Fault>> {
        let mut faults = Vec::new();
        let mut fault = |key: &[&str], message: String, help: Option<&str>| {
            let keys: Vec<&str> = path.iter().chain(key).copied().collect();
            faults.push(table.fault_at(&keys, &message, help));
        };
        let levels = match levels(&entry.filter) {
            Ok(levels) => levels,
            Err(why) => {
                fault(&["filter"], format!("`{}`: {why}", shown(&entry.filter)), None);
                Vec::new()
            }
        };
        let names_station = levels.contains(&Level::Station);
        let names_channel = levels.contains(&Level::Channel);
        let whole = entry.format_is(Format::Number);
        let station = entry.station.as_deref().and_then(|id| {
            let found = property.station(id);
            if found.is_none() {
                let ids = property.stations.iter().map(|s| s.id.as_str());
                let help = nearest(id, ids).map(|near| format!("did you mean `{near}`?"));
                fault(&["station"], format!("there is no station `{}`", shown(id)), help.as_deref());
            }
            found
        });
        if !levels.is_empty() {
            if names_station && entry.station.is_some() {
                fault(&["station"], "the station is named by a level of the filter too".to_owned(), None);
            }
            if !names_station && entry.station.is_none() && !entry.format_is(Format::Senml) {
                fault(
                    &["filter"],
                    "nothing says which station speaks here".to_owned(),
                    Some("write `+station` for the level that holds it, or add `station = \"...\"`"),
                );
            }
            if whole && !names_channel && entry.channel.is_none() {
                fault(
                    &["filter"],
                    "nothing says which channel the number is for".to_owned(),
                    Some("write `+channel` for the level that holds it, or add `channel = \"...\"`"),
                );
            }
            if names_channel && entry.channel.is_some() {
                fault(&["channel"], "the channel is named by a level of the filter too".to_owned(), None);
            }
            if !whole && (names_channel || entry.channel.is_some()) {
                let key = if names_channel { "filter" } else { "channel" };
                fault(&[key], "only a payload that is a number belongs to one channel".to_owned(), None);
            }
        }
        if let (Some(station), Some(channel)) = (station, &entry.channel)
            && property.channel(station, channel).is_none()
        {
            fault(&["channel"], format!("the station has no channel `{}`", shown(channel)), None);
        }
        if entry.checksum.is_some() && !entry.format_is(Format::KeyValue) {
            fault(&["checksum"], "only a payload of pairs carries a checksum".to_owned(), None);
        }
        let mut maps = HashMap::new();
        match &entry.map {
            Some(_) if !entry.format_is(Format::Json) => {
                fault(&["map"], "only a JSON payload is mapped".to_owned(), None);
            }
            Some(map) => {
                maps = compile(map, station, property, |name, why| fault(&["map", name], why, None));
            }
            None => {}
        }
        if faults.is_empty() {
            Ok(Self {
                levels,
                station,
                channel: entry.channel.clone(),
                format: entry.payload,
                checksum: entry.checksum.unwrap_or_default(),
                maps,
            })
        } else {
            Err(faults)
        }
    }

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
    fn captures<'t>(&self, topic: &'t str) -> Option<Captured<'t>> {
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

#[derive(Default)]
struct Captured<'t> {
    station: Option<&'t str>,
    channel: Option<&'t str>,
}

impl Subscription {
    fn format_is(&self, format: Format) -> bool {
        self.payload == format
    }
}

fn levels(filter: &str) -> Result<Vec<Level>, String> {
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

/// Compiles a map for the station of the filter, or for each station that has any of
/// its channels.
fn compile(
    map: &BTreeMap<String, Mapped>,
    station: Option<StationIndex>,
    property: &Property,
    mut fault: impl FnMut(&str, String),
) -> HashMap<StationIndex, Arc<Map>> {
    let reserved = |name: &str| crate::payload::RESERVED.contains(&name);
    let place = |name, mapped| {
        let Mapped { path, unit }: &Mapped = mapped;
        Place { name, path, unit: unit.as_deref() }
    };
    let mut maps = HashMap::new();
    if let Some(station) = station {
        let places: Vec<_> = map.iter().map(|(name, mapped)| place(name.as_str(), mapped)).collect();
        match Map::compile(property, station, &places) {
            Ok(map) => {
                maps.insert(station, Arc::new(map));
            }
            Err(wrong) => {
                for (i, why) in wrong {
                    fault(places.get(i).map_or("", |p| p.name), why);
                }
            }
        }
        return maps;
    }
    for name in map.keys() {
        let known = (0..property.stations.len())
            .filter_map(|i| u16::try_from(i).ok())
            .any(|i| property.channel(StationIndex(i), name).is_some());
        if !known && !reserved(name) {
            fault(name, format!("no station has a channel `{}`", shown(name)));
        }
    }
    for i in (0..property.stations.len()).filter_map(|i| u16::try_from(i).ok()) {
        let station = StationIndex(i);
        let has = |name: &str| property.channel(station, name).is_some();
        let places: Vec<_> = map
            .iter()
            .filter(|(name, _)| reserved(name) || has(name))
            .map(|(name, mapped)| place(name.as_str(), mapped))
            .collect();
        if !places.iter().any(|p| has(p.name)) {
            continue;
        }
        match Map::compile(property, station, &places) {
            Ok(map) => {
                maps.insert(station, Arc::new(map));
            }
            Err(wrong) => {
                for (i, why) in wrong {
                    fault(places.get(i).map_or("", |p| p.name), why);
                }
            }
        }
    }
    maps
}

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
    known: HashMap<Arc<str>, Route>,
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
        if !self.known.contains_key(topic) {
            self.learn(topic)?;
        }
        let Some((topic, route)) = self.known.get_key_value(topic) else {
            return Err(Refused::new(Refusal::UnknownStation, "a topic that was just learnt is gone"));
        };
        if payload.len() > LONGEST {
            let detail = format!("{} bytes; at most {LONGEST} are taken", payload.len());
            return Err(Refused { station: self.grant.sole(), ..Refused::new(Refusal::TooLong, detail) });
        }
        let reader = &*self.reader;
        let holds = match route {
            Route::Number(channel) => reader.number(*channel, payload).map(Holds::One),
            Route::Json(station, map) => {
                reader.json(*station, map.as_deref(), payload).map(Holds::One)
            }
            Route::Senml(grant) => reader.senml(grant, payload).map(Holds::Several),
            Route::Pairs(station, checksum) => {
                reader.key_value(*station, *checksum, payload).map(Holds::One)
            }
            Route::Nowhere { station, reason, detail } => Err(Refused {
                station: *station,
                reason: *reason,
                detail: detail.to_string(),
            }),
        }?;
        Ok((Arc::clone(topic), holds))
    }

    fn learn(&mut self, topic: &str) -> Result<(), Refused> {
        if topic.len() > LONGEST_TOPIC {
            let detail = format!("a topic of {} bytes; at most {LONGEST_TOPIC} are taken", topic.len());
            return Err(Refused::new(Refusal::TooLong, detail));
        }
        if self.known.len() >= MOST_TOPICS {
            // Learning the few that are in use again is cheap.
            self.known.clear();
        }
        let route = self.route(topic);
        self.known.insert(Arc::from(topic), route);
        Ok(())
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
                None => nowhere(None, Refusal::UnknownStation, "no filter is for this topic".to_owned()),
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

/// The filters of a table under `key`, checked; all faults in one go. `exclusive` refuses
/// filters that overlap.
pub(super) fn check_all(
    entries: &[Subscription],
    table: &AdapterTable,
    key: &str,
    property: &Property,
    exclusive: bool,
) -> Result<Arc<[Filter]>, Vec<Fault>> {
    let mut faults = Vec::new();
    let mut filters: Vec<Filter> = Vec::new();
    if entries.is_empty() {
        faults.push(table.fault_at(&[key], &format!("`{key}` is empty: nothing would ever arrive"), None));
    }
    for (i, entry) in entries.iter().enumerate() {
        let place = i.to_string();
        match Filter::check(entry, table, [key, &place], property) {
            Ok(filter) => {
                let other = filters.iter().find(|other| other.overlaps(&filter));
                if let (true, Some(other)) = (exclusive, other) {
                    let message = format!(
                        "`{}` overlaps `{}`: a broker may send what fits both twice",
                        filter.text(),
                        other.text()
                    );
                    faults.push(table.fault_at(&[key, &place, "filter"], &message, None));
                }
                filters.push(filter);
            }
            Err(mut wrong) => faults.append(&mut wrong),
        }
    }
    if faults.is_empty() { Ok(filters.into()) } else { Err(faults) }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use crate::sources::fixtures::alder_croft;

    fn filters(text: &str, property: &Property) -> Result<Arc<[Filter]>, Vec<String>> {
        #[derive(Deserialize)]
        struct Options {
            subscribe: Vec<Subscription>,
        }
        let table = AdapterTable::from_text("mqtt", "house", &format!("subscribe = [{text}]"));
        let options: Options = table.decode().map_err(told)?;
        check_all(&options.subscribe, &table, "subscribe", property, true).map_err(told)
    }

    fn told(faults: Vec<Fault>) -> Vec<String> {
        faults.iter().map(ToString::to_string).collect()
    }

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
    fn what_a_filter_lacks_or_says_twice_is_told_with_its_place() {
        let property = alder_croft();
        for (text, expected) in [
            (r#"{ filter = "a/+channel", payload = "number" }"#, "which station"),
            (r#"{ filter = "a/+station", payload = "number" }"#, "which channel"),
            (r#"{ filter = "a/+station/+station", payload = "json" }"#, "stands twice"),
            (r#"{ filter = "a/#/b", payload = "senml" }"#, "must be the last"),
            (r#"{ filter = "a/b+", payload = "senml" }"#, "a level of its own"),
            (r#"{ filter = "a", payload = "json", station = "orchrad" }"#, "did you mean `orchard`"),
            (r#"{ filter = "a", payload = "number", station = "ridge", channel = "x" }"#, "no channel `x`"),
            (r#"{ filter = "a/+channel", payload = "json", station = "ridge" }"#, "one channel"),
            (r#"{ filter = "a", payload = "senml", map = { t = "/t" } }"#, "only a JSON payload"),
            (r#"{ filter = "a", payload = "json", station = "ridge", map = { x = "/t" } }"#, "`x`"),
            (r#"{ filter = "a/+station", payload = "json", map = { x = "/t" } }"#, "no station has"),
            (r#"{ filter = "a/#", payload = "senml" }, { filter = "a/+", payload = "senml" }"#, "overlaps"),
            (r#"{ filter = "a", payload = "senml", filtre = "b" }"#, "filtre"),
        ] {
            let told = filters(text, &property).unwrap_err().join("\n");
            assert!(told.contains(expected), "{text}: {told}");
            assert!(told.contains("settings.toml:"), "no place in: {told}");
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
