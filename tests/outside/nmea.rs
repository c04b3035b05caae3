//! Sentences of NMEA 0183, read by our decoder and by an independent parser (pynmea2; the
//! table is made by `nmea.py`).

use adapters::payload::Reader;
use adapters::payload::nmea::{Chosen, Sentences, Transducer};
use config::load_without_secrets;
use observation::{Property, Refusal, StationIndex};
use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::sync::Arc;

const TABLE: &str = include_str!("nmea.tsv");

/// Channels of the station, with quantity and unit.
const CHANNELS: [(&str, &str, &str); 8] = [
    ("wind_angle", "wind_from_direction", "deg"),
    ("wind_speed", "wind_speed", "m/s"),
    ("wind_direction", "wind_from_direction", "deg"),
    ("pressure", "surface_air_pressure", "hPa"),
    ("temperature", "air_temperature", "Cel"),
    ("water_temperature", "soil_temperature", "Cel"),
    ("humidity", "relative_humidity", "%"),
    ("dew_point", "dew_point_temperature", "Cel"),
];

/// Transducers as in `nmea.py`.
const TRANSDUCERS: [(&str, &str); 14] = [
    ("TempAir", "temperature"),
    ("Barometer", "pressure"),
    ("ENV_OUTSIDE_T", "temperature"),
    ("ENV_ATMOS_P", "pressure"),
    ("ENV_OUTSIDE_H", "humidity"),
    ("ENV_OUTAIR_T", "temperature"),
    ("ENV_WATER_T", "water_temperature"),
    ("RH", "humidity"),
    ("TEMP", "temperature"),
    ("PRESS", "pressure"),
    ("DP", "dew_point"),
    ("C/0", "temperature"),
    ("H/0", "humidity"),
    ("P/0", "pressure"),
];

fn reader() -> (Arc<Property>, Reader, Sentences) {
    let mut text = r#"
[property]
name = "Alder Croft"
latitude = 54.07
longitude = -2.28
elevation = "212 m"
time_zone = "UTC"
[history]
directory = "history"
[[station]]
id = "ridge"
"#
    .to_owned();
    for (name, quantity, unit) in CHANNELS {
        write!(
            text,
            "[[station.instrument]]\nid = \"{name}\"\nchannel = \"{name}\"\n\
             quantity = \"{quantity}\"\nunit = \"{unit}\"\n"
        )
        .unwrap();
    }
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("isobarn.toml");
    std::fs::write(&path, text).expect("a file");
    let settings =
        load_without_secrets(&path, &[]).unwrap_or_else(|f| panic!("{}", f.render(false)));
    let property = Arc::new(settings.property);
    let to = |channel: &str| Transducer { channel: channel.to_owned(), unit: None };
    let transducers: BTreeMap<_, _> =
        TRANSDUCERS.iter().map(|(id, channel)| ((*id).to_owned(), to(channel))).collect();
    let chosen = Chosen { transducers, ..Chosen::default() };
    let sentences = Sentences::new(&property, StationIndex(0), &chosen).expect("channels");
    let reader = Reader::new(&property);
    (property, reader, sentences)
}

#[test]
fn sentences_mean_what_an_independent_parser_reads_in_them() {
    let (property, reader, sentences) = reader();
    let mut lines = 0;
    let mut compared = BTreeMap::new();
    for line in TABLE.lines().filter(|l| !l.starts_with('#')) {
        let (sentence, values) = line.split_once('\t').unwrap_or((line, ""));
        let mut theirs: Vec<(&str, f64)> = values
            .split('\t')
            .filter(|v| !v.is_empty())
            .map(|value| value.split_once('=').expect("a name and a value"))
            .map(|(name, value)| (name, value.parse().expect("a number")))
            .collect();
        let decoded = reader
            .nmea(&sentences, sentence.as_bytes())
            .unwrap_or_else(|r| panic!("{sentence}: {r:?}"));
        let mut ours: Vec<(&str, f64)> = decoded
            .samples
            .iter()
            .map(|s| {
                let name = property.channels[s.channel.0 as usize].name.as_str();
                (name, s.value.number().expect("a number"))
            })
            .collect();
        theirs.sort_by(|a, b| a.0.cmp(b.0).then(a.1.total_cmp(&b.1)));
        ours.sort_by(|a, b| a.0.cmp(b.0).then(a.1.total_cmp(&b.1)));
        assert_eq!(ours.len(), theirs.len(), "{sentence}: {ours:?} against {theirs:?}");
        for ((name, a), (wanted, b)) in ours.iter().zip(&theirs) {
            // UCUM's column of mercury is 133.322 Pa for a millimetre, pint's 133.3224.
            let close = if *name == "pressure" { 5e-6 * b } else { 1e-9 };
            assert!(name == wanted && (a - b).abs() <= close, "{sentence}: {ours:?} {theirs:?}");
            *compared.entry(sentence[3..6].to_owned()).or_insert(0) += 1;
        }
        lines += 1;
    }
    assert_eq!(lines, 66 + 12, "sentences are missing from the table");
    let counts: Vec<(&str, i32)> = compared.iter().map(|(k, n)| (k.as_str(), *n)).collect();
    assert_eq!(counts, [("MDA", 24), ("MWV", 113), ("XDR", 15)]);
}

#[test]
fn a_changed_letter_is_a_wrong_checksum() {
    let (_, reader, sentences) = reader();
    let mut tried = 0;
    for line in TABLE.lines().filter(|l| !l.starts_with('#')) {
        let sentence = line.split('\t').next().unwrap_or_default();
        let broken = sentence.replacen(",A*", ",V*", 1).replacen(",C,", ",D,", 1);
        if broken != sentence {
            let refused = reader.nmea(&sentences, broken.as_bytes()).expect_err("a wrong checksum");
            assert_eq!(refused.reason, Refusal::Checksum, "{broken}");
            tried += 1;
        }
    }
    assert!(tried > 70, "{tried}");
}
