//! Where in a sender's own JSON its channels stand: JSON Pointer (RFC 6901) and
//! `JSONPath` (RFC 9535), compiled when the settings are read.

use super::decoded::Decoded;
use super::gather::{Gather, Target};
use super::reader::Reader;
use super::refused::{Refused, shown};
use super::scalar::Scalar;
use observation::{Property, Refusal, StationIndex, Unit};
use serde::de::value::MapAccessDeserializer;
use serde::de::{MapAccess, Visitor};
use serde::{Deserialize, Deserializer};
use serde_json::Value;
use serde_json_path::JsonPath;
use std::fmt;

/// The compiled places of one station's channels and reserved names.
#[derive(Clone, Debug)]
pub struct Map {
    station: StationIndex,
    entries: Vec<Entry>,
}

#[derive(Clone, Debug)]
struct Entry {
    name: String,
    target: Target,
    path: Path,
    unit: Option<Unit>,
}

#[derive(Clone, Debug)]
enum Path {
    /// The unescaped steps of a JSON Pointer.
    Pointer(Vec<String>),
    /// A `JSONPath`.
    Query(JsonPath),
}

/// One entry of a map, as the settings write it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Place<'a> {
    /// A channel, or `time`, `boot`, `sequence`.
    pub name: &'a str,
    /// A JSON Pointer (`/a/0`, or empty for the whole document) or a `JSONPath` (`$.a[0]`).
    pub path: &'a str,
    /// The unit of what stands there, if it is not the channel's.
    pub unit: Option<&'a str>,
}

/// What stands behind a name in a table `map` of the settings: a path, or a path with
/// the unit of what stands there.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Mapped {
    /// As [`Place::path`].
    pub path: String,
    /// As [`Place::unit`].
    pub unit: Option<String>,
}

impl Mapped {
    /// The entry of a name.
    pub fn place<'a>(&'a self, name: &'a str) -> Place<'a> {
        Place { name, path: &self.path, unit: self.unit.as_deref() }
    }
}

impl<'de> Deserialize<'de> for Mapped {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        #[derive(Deserialize)]
        #[serde(deny_unknown_fields)]
        struct Table {
            path: String,
            unit: Option<String>,
        }
        struct PathOrTable;
        impl<'de> Visitor<'de> for PathOrTable {
            type Value = Mapped;
            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a path, or a table with `path` and `unit`")
            }
            fn visit_str<E>(self, path: &str) -> Result<Mapped, E> {
                Ok(Mapped { path: path.to_owned(), unit: None })
            }
            fn visit_map<A: MapAccess<'de>>(self, map: A) -> Result<Mapped, A::Error> {
                Table::deserialize(MapAccessDeserializer::new(map))
                    .map(|table| Mapped { path: table.path, unit: table.unit })
            }
        }
        deserializer.deserialize_any(PathOrTable)
    }
}

impl Map {
    /// Compiles the places of one station.
    ///
    /// # Errors
    /// Every entry that is wrong, by its place in `places`, with what is wrong.
    pub fn compile(
        property: &Property,
        station: StationIndex,
        places: &[Place<'_>],
    ) -> Result<Self, Vec<(usize, String)>> {
        let mut entries = Vec::with_capacity(places.len());
        let mut faults = Vec::new();
        for (i, place) in places.iter().enumerate() {
            match Entry::compile(property, station, place) {
                Ok(entry) => entries.push(entry),
                Err(fault) => faults.push((i, fault)),
            }
        }
        if faults.is_empty() { Ok(Self { station, entries }) } else { Err(faults) }
    }

    /// The station it is for.
    pub const fn station(&self) -> StationIndex {
        self.station
    }

    /// Takes what the document holds at the places; `untyped` where its strings come
    /// from a format without types.
    pub(super) fn read(
        &self,
        reader: &Reader,
        document: &Value,
        untyped: bool,
    ) -> Result<Decoded, Refused> {
        let mut gather = Gather::new(reader, self.station);
        for entry in &self.entries {
            if let Some(value) = entry.find(document)? {
                gather.take(entry.target, entry.unit.as_ref(), &Scalar::of_json(value, untyped))?;
            }
        }
        // What the map does not place keeps its place at the top, if nothing else
        // stands there.
        for (key, value) in document.as_object().into_iter().flatten() {
            let placed = self.entries.iter().any(|e| e.name == *key || e.begins_with(key));
            match reader.target(self.station, key) {
                Some(target) if !placed => {
                    gather.take(target, None, &Scalar::of_json(value, untyped))?;
                }
                _ => {}
            }
        }
        Ok(gather.finish())
    }
}

impl Entry {
    fn compile(
        property: &Property,
        station: StationIndex,
        place: &Place<'_>,
    ) -> Result<Self, String> {
        let target = match place.name {
            "time" => Target::Time,
            "boot" => Target::Boot,
            "sequence" => Target::Sequence,
            name => property.channel(station, name).map(Target::Channel).ok_or_else(|| {
                let id =
                    property.stations.get(usize::from(station.0)).map_or("", |s| s.id.as_str());
                format!("station {id} has no channel `{}`", shown(name))
            })?,
        };
        let path = if place.path.starts_with('$') {
            let query = JsonPath::parse(place.path).map_err(|e| {
                format!("`{}` is not a JSONPath (RFC 9535): {e}", shown(place.path))
            })?;
            Path::Query(query)
        } else {
            Path::Pointer(pointer(place.path)?)
        };
        let unit = match (place.unit, target) {
            (None, _) => None,
            (Some(code), Target::Channel(index)) => {
                let unit = Unit::parse(code).map_err(|e| e.0)?;
                let declared = property.channels.get(index.0 as usize).map(|c| &c.unit);
                if let Some(declared) = declared.filter(|declared| !unit.fits(declared)) {
                    return Err(format!(
                        "`{unit}` does not measure what the channel is declared in (`{declared}`)"
                    ));
                }
                Some(unit)
            }
            (Some(_), _) => return Err(format!("`{}` has no unit", place.name)),
        };
        Ok(Self { name: place.name.to_owned(), target, path, unit })
    }

    fn find<'v>(&self, document: &'v Value) -> Result<Option<&'v Value>, Refused> {
        match &self.path {
            Path::Pointer(steps) => Ok(follow(document, steps)),
            Path::Query(query) => query.query(document).at_most_one().map_err(|_| {
                Refused::new(
                    Refusal::Malformed,
                    format!("the path of {} names more than one place in the document", self.name),
                )
            }),
        }
    }

    fn begins_with(&self, key: &str) -> bool {
        matches!(&self.path, Path::Pointer(steps) if steps.first().is_some_and(|s| s == key))
    }
}

/// RFC 6901, section 4: `~1` is `/`, then `~0` is `~`.
fn pointer(text: &str) -> Result<Vec<String>, String> {
    if text.is_empty() {
        return Ok(Vec::new());
    }
    let fault = |why: &str| {
        format!(
            "`{}` is neither a JSON Pointer (RFC 6901), which begins with `/`, nor a JSONPath (RFC 9535), which begins with `$`{why}",
            shown(text)
        )
    };
    let steps = text.strip_prefix('/').ok_or_else(|| fault(""))?;
    steps
        .split('/')
        .map(|step| {
            let escapes = step.split('~').skip(1);
            if escapes.clone().any(|after| !after.starts_with(['0', '1'])) {
                return Err(fault(": `~` must be followed by 0 or 1"));
            }
            Ok(step.replace("~1", "/").replace("~0", "~"))
        })
        .collect()
}

fn follow<'v>(document: &'v Value, steps: &[String]) -> Option<&'v Value> {
    steps.iter().try_fold(document, |value, step| match value {
        Value::Object(object) => object.get(step),
        Value::Array(items) => {
            // No sign and no leading zeros (RFC 6901, section 4).
            let index =
                step.bytes().all(|b| b.is_ascii_digit()) && (step == "0" || !step.starts_with('0'));
            if index { items.get(step.parse::<usize>().ok()?) } else { None }
        }
        _ => None,
    })
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::{follow, pointer};
    use serde_json::{Value, json};

    // RFC 6901 (2013), section 5.
    #[test]
    fn pointers_find_what_the_standard_prints() {
        let document: Value = serde_json::from_str(
            r#"{"foo":["bar","baz"],"":0,"a/b":1,"c%d":2,"e^f":3,"g|h":4,"i\\j":5,"k\"l":6," ":7,"m~n":8}"#,
        )
        .unwrap();
        for (path, expected) in [
            ("", document.clone()),
            ("/foo", json!(["bar", "baz"])),
            ("/foo/0", json!("bar")),
            ("/", json!(0)),
            ("/a~1b", json!(1)),
            ("/c%d", json!(2)),
            ("/e^f", json!(3)),
            ("/g|h", json!(4)),
            ("/i\\j", json!(5)),
            ("/k\"l", json!(6)),
            ("/ ", json!(7)),
            ("/m~0n", json!(8)),
        ] {
            assert_eq!(follow(&document, &pointer(path).unwrap()), Some(&expected), "{path}");
        }
        for absent in [
            "/foo/2", "/foo/-", "/foo/00", "/foo/01", "/foo/+1", "/foo/bar", "/nothing", "/foo/0/x",
        ] {
            assert_eq!(follow(&document, &pointer(absent).unwrap()), None, "{absent}");
        }
        for wrong in ["foo", "a/b", "/a~2", "/~"] {
            assert!(pointer(wrong).is_err(), "{wrong}");
        }
    }
}
