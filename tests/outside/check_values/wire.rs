//! Rows of what arrives: SenML, JSON Pointer, JSONPath, NMEA 0183.

use super::{Got, Row};
use adapters::credentials::Grant;
use adapters::payload::senml::{self, Notation};
use adapters::payload::{Reader, checksum};
use observation::property::{Channel, Station};
use observation::{Property, Span, Stated, StationIndex, Unit};
use serde_json::{Value, json};
use std::sync::Arc;

/// The document that RFC 9535, figure 1, queries.
fn bookstore() -> Value {
    json!({"store": {
        "book": [
            {"category": "reference", "author": "Nigel Rees", "title": "Sayings of the Century", "price": 8.95},
            {"category": "fiction", "author": "Evelyn Waugh", "title": "Sword of Honour", "price": 12.99},
            {"category": "fiction", "author": "Herman Melville", "title": "Moby Dick",
             "isbn": "0-553-21311-3", "price": 8.99},
            {"category": "fiction", "author": "J. R. R. Tolkien", "title": "The Lord of the Rings",
             "isbn": "0-395-19395-8", "price": 22.99},
        ],
        "bicycle": {"color": "red", "price": 399},
    }})
}

fn found<'a>(document: &'a Value, path: &str) -> Vec<&'a Value> {
    serde_json_path::JsonPath::parse(path).unwrap().query(document).all()
}

/// Name, unit, time in ms and value of a resolved record.
fn line(name: &str, unit: Option<&str>, seconds: Option<f64>, value: f64) -> String {
    let milliseconds = seconds.map(|t| (t * 1000.0).round());
    format!("{name} {unit:?} {milliseconds:?} {value:?}")
}

fn resolved(row: &Row<'_>) -> Got {
    let records = serde_json::to_vec(row.input("records").unwrap()).unwrap();
    let mut got = Vec::new();
    senml::each(Notation::Json, &records, |record| {
        let value = match record.data {
            senml::Data::Number(number) => number,
            senml::Data::Whole(whole) => whole as f64,
            other => panic!("{other:?}"),
        };
        let name = format!("{}{}", record.base, record.name);
        got.push(line(&name, record.unit, record.time, value));
        Ok(())
    })
    .unwrap_or_else(|refused| panic!("{}: {refused:?}", row.id()));
    let expected = serde_json::to_value(row.expected()).unwrap();
    let expected = expected.as_array().unwrap().iter().map(|record| {
        let name = record["n"].as_str().unwrap();
        let time = record.get("t").and_then(Value::as_f64);
        line(name, record["u"].as_str(), time, record["v"].as_f64().unwrap())
    });
    Got::Same(got.join("\n"), expected.collect::<Vec<_>>().join("\n"))
}

/// A reader for one station with one channel; an invented one.
fn reader() -> Reader {
    let station = Station {
        id: "orchard".into(),
        name: "Orchard".into(),
        latitude: 54.07,
        longitude: -2.28,
        elevation: 212.0,
        interval: Span::minutes(1),
        sleeps: false,
        oldest: Span::days(-31),
        newest: Span::seconds(60),
        time_zone: None,
        time_in_milliseconds: false,
        rate: 100.0,
        derive: observation::property::Deriving::default(),
    };
    let channel = Channel {
        station: StationIndex(0),
        name: "t".into(),
        unit: Unit::parse("Cel").unwrap(),
        senml_name: None,
        accepts_text: false,
    };
    let mut property = Property::default();
    property.stations.push(station);
    property.channels.push(channel);
    Reader::new(&Arc::new(property.indexed()))
}

/// The least whole second that is taken for an instant and not for an age, by halving.
fn relative_limit() -> Got {
    let reader = reader();
    let is_instant = |seconds: i64| {
        let pack = format!(r#"[{{"n":"orchard/t","u":"Cel","t":{seconds},"v":1}}]"#);
        let decoded = reader.senml(&Grant::every(), Notation::Json, pack.as_bytes()).unwrap();
        matches!(decoded[0].samples[0].stated, Stated::At(_))
    };
    let (mut relative, mut instant) = (0_i64, 2_000_000_000_i64);
    assert!(!is_instant(relative) && is_instant(instant));
    while instant - relative > 1 {
        let middle = i64::midpoint(relative, instant);
        if is_instant(middle) { instant = middle } else { relative = middle }
    }
    Got::Numbers(vec![instant as f64])
}

pub(super) fn row(quantity: &str, row: &Row<'_>) -> Option<Got> {
    Some(match quantity {
        "senml_resolve" => resolved(row),
        "senml_relative_time_limit" => relative_limit(),
        "json_pointer" => {
            let document: Value = serde_json::from_str(row.word("document_json")).unwrap();
            let got = document.pointer(row.word("pointer")).cloned();
            let expected = serde_json::to_value(row.expected()).unwrap();
            Got::Same(format!("{got:?}"), format!("{:?}", Some(expected)))
        }
        "jsonpath_node_count" => {
            assert_eq!(row.word("document"), "RFC 9535 bookstore");
            Got::Numbers(vec![found(&bookstore(), row.word("path")).len() as f64])
        }
        "jsonpath_values" => {
            let document: Value = serde_json::from_str(row.word("document_json")).unwrap();
            let got = json!(found(&document, row.word("path")));
            let expected = serde_json::to_value(row.expected()).unwrap();
            Got::Same(got.to_string(), expected.to_string())
        }
        "nmea_checksum" => {
            let sum = checksum::exclusive_or(row.word("body").as_bytes());
            super::word(format!("{sum:02X}"))
        }
        _ => return None,
    })
}
