//! Entries of `subscribe` and `accept`, as the settings write them, and what is wrong
//! with them.

use super::filter::{Filter, Format, Level, levels};
use crate::payload::map::{Mapped, Place};
use crate::payload::{Checksum, Map, shown};
use config::{AdapterTable, Fault, nearest};
use observation::{Property, StationIndex};
use serde::Deserialize;
use std::collections::{BTreeMap, HashMap};
use std::sync::Arc;

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
        faults.push(table.fault_at(
            &[key],
            &format!("`{key}` is empty: nothing would ever arrive"),
            None,
        ));
    }
    for (i, entry) in entries.iter().enumerate() {
        let place = i.to_string();
        let examination = Examination { entry, table, path: [key, &place], faults: Vec::new() };
        match examination.filter(property) {
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

/// One entry under examination.
struct Examination<'a> {
    entry: &'a Subscription,
    table: &'a AdapterTable,
    /// The key of the list, and the place in it.
    path: [&'a str; 2],
    faults: Vec<Fault>,
}

impl Examination<'_> {
    fn fault(&mut self, key: &[&str], message: &str, help: Option<&str>) {
        let keys: Vec<&str> = self.path.iter().chain(key).copied().collect();
        self.faults.push(self.table.fault_at(&keys, message, help));
    }

    fn filter(mut self, property: &Property) -> Result<Filter, Vec<Fault>> {
        let entry = self.entry;
        let levels = levels(&entry.filter).unwrap_or_else(|why| {
            self.fault(&["filter"], &format!("`{}`: {why}", shown(&entry.filter)), None);
            Vec::new()
        });
        let station = entry.station.as_deref().and_then(|id| self.station(id, property));
        if !levels.is_empty() {
            self.names(&levels);
        }
        if let (Some(station), Some(channel)) = (station, &entry.channel)
            && property.channel(station, channel).is_none()
        {
            let message = format!("the station has no channel `{}`", shown(channel));
            self.fault(&["channel"], &message, None);
        }
        if entry.checksum.is_some() && entry.payload != Format::KeyValue {
            self.fault(&["checksum"], "only a payload of pairs carries a checksum", None);
        }
        let mut maps = HashMap::new();
        match &entry.map {
            Some(_) if entry.payload != Format::Json => {
                self.fault(&["map"], "only a JSON payload is mapped", None);
            }
            Some(map) => {
                maps = compile(map, station, property, |name, why| {
                    self.fault(&["map", name], &why, None);
                });
            }
            None => {}
        }
        if !self.faults.is_empty() {
            return Err(self.faults);
        }
        Ok(Filter {
            levels,
            station,
            channel: entry.channel.clone(),
            format: entry.payload,
            checksum: entry.checksum.unwrap_or_default(),
            maps,
        })
    }

    fn station(&mut self, id: &str, property: &Property) -> Option<StationIndex> {
        let found = property.station(id);
        if found.is_none() {
            let ids = property.stations.iter().map(|s| s.id.as_str());
            let help = nearest(id, ids).map(|near| format!("did you mean `{near}`?"));
            let message = format!("there is no station `{}`", shown(id));
            self.fault(&["station"], &message, help.as_deref());
        }
        found
    }

    /// Who speaks here must be said once, and what for where a payload does not say it.
    fn names(&mut self, levels: &[Level]) {
        let entry = self.entry;
        let by_level = (levels.contains(&Level::Station), levels.contains(&Level::Channel));
        let by_key = (entry.station.is_some(), entry.channel.is_some());
        let is_number = entry.payload == Format::Number;
        if by_level.0 && by_key.0 {
            self.fault(&["station"], "the station is named by a level of the filter too", None);
        }
        if !by_level.0 && !by_key.0 && entry.payload != Format::Senml {
            self.fault(
                &["filter"],
                "nothing says which station speaks here",
                Some("write `+station` for the level that holds it, or add `station = \"...\"`"),
            );
        }
        if is_number && !by_level.1 && !by_key.1 {
            self.fault(
                &["filter"],
                "nothing says which channel the number is for",
                Some("write `+channel` for the level that holds it, or add `channel = \"...\"`"),
            );
        }
        if by_level.1 && by_key.1 {
            self.fault(&["channel"], "the channel is named by a level of the filter too", None);
        }
        if !is_number && (by_level.1 || by_key.1) {
            let key = if by_level.1 { "filter" } else { "channel" };
            self.fault(&[key], "only a payload that is a number belongs to one channel", None);
        }
    }
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
        let places: Vec<_> =
            map.iter().map(|(name, mapped)| place(name.as_str(), mapped)).collect();
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

#[cfg(test)]
pub(super) mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use crate::sources::fixtures::alder_croft;

    /// The checked filters of a list, or what is wrong with it.
    pub(in crate::sources) fn filters(
        text: &str,
        property: &Property,
    ) -> Result<Arc<[Filter]>, Vec<String>> {
        #[derive(Deserialize)]
        struct Options {
            subscribe: Vec<Subscription>,
        }
        let table = AdapterTable::from_text("mqtt", "house", &format!("subscribe = [{text}]"));
        let options: Options = table.decode("").map_err(|faults| told(&faults))?;
        check_all(&options.subscribe, &table, "subscribe", property, true)
            .map_err(|faults| told(&faults))
    }

    fn told(faults: &[Fault]) -> Vec<String> {
        faults.iter().map(ToString::to_string).collect()
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
            (
                r#"{ filter = "a", payload = "json", station = "orchrad" }"#,
                "did you mean `orchard`",
            ),
            (
                r#"{ filter = "a", payload = "number", station = "ridge", channel = "x" }"#,
                "no channel `x`",
            ),
            (r#"{ filter = "a/+channel", payload = "json", station = "ridge" }"#, "one channel"),
            (r#"{ filter = "a", payload = "senml", map = { t = "/t" } }"#, "only a JSON payload"),
            (r#"{ filter = "a", payload = "json", station = "ridge", map = { x = "/t" } }"#, "`x`"),
            (
                r#"{ filter = "a/+station", payload = "json", map = { x = "/t" } }"#,
                "no station has",
            ),
            (
                r#"{ filter = "a/#", payload = "senml" }, { filter = "a/+", payload = "senml" }"#,
                "overlaps",
            ),
            (r#"{ filter = "a", payload = "senml", filtre = "b" }"#, "filtre"),
        ] {
            let told = filters(text, &property).unwrap_err().join("\n");
            assert!(told.contains(expected), "{text}: {told}");
            assert!(told.contains("settings.toml:"), "no place in: {told}");
        }
    }
}
