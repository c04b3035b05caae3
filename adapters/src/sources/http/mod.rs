//! Stations push over HTTP/1.1: `POST /v1/samples` with SenML, `GET|POST
//! /v1/push/{station}` in the sender's own shape.
//!
//! The rules kept here: the answer 204 is given after the commit and never before; a
//! body is taken whole or refused whole, and a refusal is a problem document (RFC 9457)
//! that says which key; the token stands in the Authorization header only, and whoever
//! may not speak for a station does not learn whether it exists; no sender, however
//! slow, silent or many, keeps another from being heard.

mod answer;
mod body;
mod connection;
mod listener;
mod pace;
mod problem;
mod seats;

use crate::payload::map::Mapped;
use crate::payload::{Map, Reader};
use crate::port::{Claim, Context, End, Kind, Source};
use crate::sources::telling::with_entries;
use config::{AdapterTable, Fault, Lapse};
use connection::Limits;
use futures_util::future::BoxFuture;
use observation::{Property, StationIndex};
use pace::Pace;
use serde::Deserialize;
use std::collections::{BTreeMap, HashMap};
use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;

/// The kind `http`.
pub const KIND: Kind = Kind { name: "http", build, example: EXAMPLE };

const EXAMPLE: &str = "listen = \"127.0.0.1:8674\"\n";

/// `[source.http.NAME]`.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Options {
    /// Address and port; port 0 takes a free one.
    listen: SocketAddr,
    /// Most connections at a time, 1 to 10,000; default 64.
    connections: Option<u32>,
    /// Most connections of one address at a time, 1 to 10,000; default 48.
    connections_per_address: Option<u32>,
    /// From the accept, or the first byte of a later request, to the end of its headers,
    /// 1 s to 10 min; default 10 s.
    headers_within: Option<Lapse>,
    /// From there to the end of the body, 1 s to 10 min; default 20 s.
    body_within: Option<Lapse>,
    /// How long a connection is kept between two requests, 1 s to 10 min; default 75 s.
    idle: Option<Lapse>,
    /// For a station, where in its own shape its channels stand.
    #[serde(default)]
    map: BTreeMap<String, BTreeMap<String, Mapped>>,
}

/// A listener for pushes.
struct Push {
    listen: SocketAddr,
    connections: usize,
    connections_per_address: usize,
    limits: Limits,
    maps: HashMap<StationIndex, Map>,
    reader: Reader,
    pace: Pace,
}

impl Source for Arc<Push> {
    fn claims(&self) -> Vec<Claim> {
        vec![Claim::Address(self.listen)]
    }

    fn session<'a>(&'a self, context: &'a Context) -> BoxFuture<'a, End> {
        Box::pin(listener::run(self, context))
    }
}

fn build(table: &AdapterTable, property: &Arc<Property>) -> Result<Box<dyn Source>, Vec<Fault>> {
    let options: Options = table.decode(&with_entries(EXAMPLE))?;
    let mut faults = Vec::new();
    let mut fault = |key: &str, message: &str| {
        faults.push(table.fault_at(&[key], message, None));
    };
    let mut limit = |key: &str, given: Option<u32>, usual: usize| {
        let given = given.map_or(Ok(usual), usize::try_from).unwrap_or(usize::MAX);
        if !(1..=10_000).contains(&given) {
            fault(key, "1 to 10000 connections at a time are possible");
        }
        given
    };
    let connections = limit("connections", options.connections, 64);
    let per_address = limit("connections_per_address", options.connections_per_address, 48);
    let mut within = |key: &str, given: Option<Lapse>, usual: u64| {
        let given = given.map_or(Duration::from_secs(usual), Lapse::duration);
        if given < Duration::from_secs(1) || given > Duration::from_secs(600) {
            fault(key, "1 s to 10 min are possible");
        }
        given
    };
    let limits = Limits {
        headers: within("headers_within", options.headers_within, 10),
        body: within("body_within", options.body_within, 20),
        idle: within("idle", options.idle, 75),
    };
    let maps = maps(&options.map, table, property, &mut faults);
    if !faults.is_empty() {
        return Err(faults);
    }
    Ok(Box::new(Arc::new(Push {
        listen: options.listen,
        connections,
        connections_per_address: per_address,
        limits,
        maps,
        reader: Reader::new(property),
        pace: Pace::new(property),
    })))
}

fn maps(
    settings: &BTreeMap<String, BTreeMap<String, Mapped>>,
    table: &AdapterTable,
    property: &Property,
    faults: &mut Vec<Fault>,
) -> HashMap<StationIndex, Map> {
    let mut maps = HashMap::new();
    for (id, entries) in settings {
        let Some(station) = property.station(id) else {
            let known = property.stations.iter().map(|s| s.id.as_str());
            let help = config::nearest(id, known).map(|meant| format!("did you mean `{meant}`?"));
            let message = format!("there is no station `{id}`");
            faults.push(table.fault_at(&["map", id], &message, help.as_deref()));
            continue;
        };
        let places: Vec<_> = entries.iter().map(|(name, mapped)| mapped.place(name)).collect();
        match Map::compile(property, station, &places) {
            Ok(map) => {
                maps.insert(station, map);
            }
            Err(wrong) => faults.extend(wrong.into_iter().map(|(i, why)| {
                let name = places.get(i).map_or("", |place| place.name);
                table.fault_at(&["map", id, name], &why, None)
            })),
        }
    }
    maps
}
