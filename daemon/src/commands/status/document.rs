//! `status --json`: one object, its names part of the contract.

use crate::delivery::tally::Letter;
use crate::lines::diagnosis::Row;
use crate::snapshot::{Snapshot, View};
use adapters::port::State;
use observation::property::InstrumentIndex;
use observation::reading::decimal_text;
use observation::{Property, Refusal, StationIndex, Time};
use serde_json::{Map, Value, json};

/// How everything stands in a running service.
pub fn document(view: &View) -> Value {
    let snapshot = view.snapshot();
    let now = view.clock.now();
    let sources: Vec<Value> = view
        .counts
        .sources()
        .iter()
        .map(|source| {
            let current = source.now();
            let (state, reason) = words(current.state);
            json!({
                "name": source.name,
                "kind": source.kind,
                "state": state,
                "reason": reason,
                "since": current.since.to_string(),
                "address": current.address.map(|a| a.to_string()),
                "sessions": source.sessions(),
            })
        })
        .collect();
    let refusals = |station| {
        let list: Vec<Value> = view
            .counts
            .last_refusals(station)
            .iter()
            .map(|r| {
                json!({
                    "time": r.time.to_string(),
                    "stage": r.stage.word(),
                    "reason": r.reason.word(),
                    "detail": r.detail,
                })
            })
            .collect();
        Value::from(list)
    };
    let forwarders: Vec<Value> = view
        .counts
        .forwarders()
        .iter()
        .map(|forwarder| {
            let current = forwarder.now();
            let (state, reason) = words(current.state);
            let mut row = json!({
                "name": forwarder.name,
                "kind": forwarder.kind,
                "state": state,
                "reason": reason,
                "since": current.since.to_string(),
                "backlog": forwarder.backlog(&snapshot.history),
                "delivered": forwarder.delivered(),
            });
            kept(&mut row, forwarder.given_up(), forwarder.dead(), &forwarder.letters());
            row
        })
        .collect();
    let mut document = assemble(&snapshot, now, &sources, &forwarders);
    if let Some(stations) = document.get_mut("stations").and_then(Value::as_array_mut) {
        for (index, station) in (0_u16..).zip(stations) {
            if let Some(station) = station.as_object_mut() {
                station.insert("refusals".to_owned(), refusals(Some(StationIndex(index))));
            }
        }
    }
    if let Some(object) = document.as_object_mut() {
        object.insert("unknown_refusals".to_owned(), refusals(None));
    }
    document
}

fn words(state: State) -> (&'static str, String) {
    match state {
        State::Up => ("up", String::new()),
        State::Down(reason) => ("down", reason),
        State::Fault(reason) => ("fault", reason),
    }
}

/// Adds what the store keeps of a forwarder to its row.
pub(super) fn kept(row: &mut Value, given_up: u64, dead: u64, letters: &[Letter]) {
    let letters: Vec<Value> = letters
        .iter()
        .map(|Letter { letter, about }| {
            json!({
                "log": letter.number,
                "place": letter.place,
                "reading": about,
                "time": letter.time.to_string(),
                "status": letter.status,
                "answer": letter.answer,
            })
        })
        .collect();
    if let Some(row) = row.as_object_mut() {
        row.insert("given_up".to_owned(), json!(given_up));
        row.insert("dead_letter_count".to_owned(), json!(dead));
        row.insert("dead_letters".to_owned(), Value::from(letters));
    }
}

/// The object from a snapshot and the rows of sources and forwarders.
pub(super) fn assemble(
    snapshot: &Snapshot,
    now: Time,
    sources: &[Value],
    forwarders: &[Value],
) -> Value {
    let property = &snapshot.property;
    let stations: Vec<Value> = (0_u16..)
        .zip(&property.stations)
        .map(|(index, station)| {
            let heartbeat = snapshot.stations.get(usize::from(index)).and_then(|s| s.heartbeat);
            json!({
                "id": station.id,
                "name": station.name,
                "up": snapshot.station_up(StationIndex(index), now),
                "heartbeat": heartbeat.map(|t| t.to_string()),
                "age": heartbeat.map(|t| (now - t).as_seconds().max(0.0)),
                "instruments": instruments(snapshot, property, StationIndex(index), now),
            })
        })
        .collect();
    let history = &snapshot.history;
    let set_aside: Vec<Value> = history
        .set_aside
        .iter()
        .map(|(station, reason, count)| {
            json!({ "station": station, "reason": reason.word(), "count": count })
        })
        .collect();
    let next = next(snapshot, now, sources, forwarders);
    json!({
        "stations": stations,
        "sources": sources,
        "forwarders": forwarders,
        "diagnoses": snapshot.diagnoses.iter().map(Row::from).collect::<Vec<Row<'_>>>(),
        "history": {
            "bytes": history.bytes,
            "written_bytes": history.written_bytes,
            "last_commit": history.last_commit.map(|t| t.to_string()),
            "set_aside": set_aside,
            "fault": history.fault,
            "repairs": history.repairs,
        },
        "next": next,
    })
}

fn instruments(
    snapshot: &Snapshot,
    property: &Property,
    station: StationIndex,
    now: Time,
) -> Vec<Value> {
    (0_u32..)
        .zip(&property.instruments)
        .filter(|(_, i)| i.station == station)
        .map(|(index, instrument)| {
            let index = InstrumentIndex(index);
            let mut row = Map::new();
            row.insert("id".to_owned(), json!(instrument.id));
            row.insert("quantity".to_owned(), json!(instrument.quantity.name()));
            row.insert("fresh".to_owned(), json!(snapshot.fresh(index, now)));
            if let Some(live) = snapshot.live(index) {
                let decimals = instrument.quantity.decimals();
                let number = |steps| decimal_text(steps, decimals).parse::<f64>().ok();
                row.insert("time".to_owned(), json!(live.time.to_string()));
                row.insert("value".to_owned(), json!(live.value.and_then(number)));
                row.insert("unit".to_owned(), json!(instrument.quantity.unit()));
                row.insert("flag".to_owned(), json!(live.flag.word()));
                let reasons: Vec<&str> =
                    live.reasons.iter().map(observation::Reason::word).collect();
                row.insert("reasons".to_owned(), json!(reasons));
            }
            Value::Object(row)
        })
        .collect()
}

/// What a person should do next, most pressing first.
fn next(snapshot: &Snapshot, now: Time, sources: &[Value], forwarders: &[Value]) -> Vec<String> {
    let mut next = Vec::new();
    if let Some(fault) = &snapshot.history.fault {
        next.push(format!("make room or mend the device of the history: {fault}"));
    }
    for source in sources {
        let word = |key: &str| source.get(key).and_then(Value::as_str).unwrap_or_default();
        match word("state") {
            "fault" => next.push(format!("mend source {}: {}", word("name"), word("reason"))),
            "down" => next.push(format!("look at source {}: {}", word("name"), word("reason"))),
            _ => {}
        }
    }
    for forwarder in forwarders {
        let word = |key: &str| forwarder.get(key).and_then(Value::as_str).unwrap_or_default();
        let count = |key: &str| forwarder.get(key).and_then(Value::as_u64).unwrap_or(0);
        let name = word("name");
        match word("state") {
            "fault" => next.push(format!("mend forwarder {name}: {}", word("reason"))),
            "down" => next.push(format!("look at the receiver of {name}: {}", word("reason"))),
            _ => {}
        }
        let dead = count("dead_letter_count");
        if dead > 0 {
            let noun = if dead == 1 { "reading" } else { "readings" };
            next.push(format!("see why the receiver of {name} refused {dead} {noun} for good"));
        }
    }
    for (index, station) in (0_u16..).zip(&snapshot.property.stations) {
        if snapshot.station_up(StationIndex(index), now) {
            continue;
        }
        let heartbeat = snapshot.stations.get(usize::from(index)).and_then(|s| s.heartbeat);
        next.push(match heartbeat {
            Some(last) => format!("look at station {}: nothing since {last}", station.id),
            None => format!("let station {} send: it was never heard", station.id),
        });
    }
    for said in snapshot.diagnoses.iter() {
        let Some(cause) = quality::diagnosis::Cause::parse(&said.cause) else { continue };
        let place: Vec<&str> =
            [said.station.as_deref(), said.instrument.as_deref()].into_iter().flatten().collect();
        let place = if place.is_empty() { "two stations".to_owned() } else { place.join(" ") };
        let cautions = match cause.cautions() {
            "" => String::new(),
            cautions => format!("{cautions} Then: "),
        };
        next.push(format!(
            "{place}: {} since {}. {cautions}{}",
            said.cause.replace('_', " "),
            said.since,
            cause.remedy()
        ));
    }
    for (station, reason, count) in &snapshot.history.set_aside {
        let noun = if *count == 1 { "message is" } else { "messages are" };
        let again = if matches!(reason, Refusal::TooOld | Refusal::Future) {
            format!(
                "; `isobarn import --set-aside {station}` brings them in, `--shift` at other times"
            )
        } else {
            String::new()
        };
        next.push(format!(
            "check the clock of station {station}: {count} {noun} set aside as `{reason}`{again}"
        ));
    }
    next
}
