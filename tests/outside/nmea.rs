//! Wind sentences of NMEA 0183, read by our decoder and by an independent parser
//! (pynmea2; the table is made by `nmea.py`).

use adapters::payload::Reader;
use adapters::payload::nmea::Wind;
use config::load_without_secrets;
use observation::{Refusal, StationIndex};
use std::sync::Arc;

const TABLE: &str = include_str!("nmea.tsv");

fn reader() -> (Reader, Wind) {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("isobarn.toml");
    std::fs::write(
        &path,
        r#"
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
[[station.instrument]]
id = "vane"
channel = "wind_angle"
quantity = "wind_from_direction"
unit = "deg"
[[station.instrument]]
id = "cup"
channel = "wind_speed"
quantity = "wind_speed"
unit = "m/s"
"#,
    )
    .expect("a file");
    let settings =
        load_without_secrets(&path, &[]).unwrap_or_else(|f| panic!("{}", f.render(false)));
    let property = Arc::new(settings.property);
    let wind = Wind::new(&property, StationIndex(0), None, None).expect("both channels");
    (Reader::new(&property), wind)
}

#[test]
fn sentences_mean_what_an_independent_parser_reads_in_them() {
    let (reader, wind) = reader();
    let mut compared = 0;
    for line in TABLE.lines().filter(|l| !l.starts_with('#')) {
        let [sentence, angle, speed] = line.split('\t').collect::<Vec<_>>()[..] else {
            panic!("three columns: {line}");
        };
        let decoded =
            reader.nmea(&wind, sentence.as_bytes()).unwrap_or_else(|r| panic!("{sentence}: {r:?}"));
        let read = |channel: u32| {
            decoded.samples.iter().find(|s| s.channel.0 == channel).and_then(|s| s.value.number())
        };
        for (ours, theirs) in [(read(0), angle), (read(1), speed)] {
            let theirs = theirs.parse::<f64>().ok();
            match (ours, theirs) {
                (Some(a), Some(b)) => assert!((a - b).abs() < 1e-9, "{sentence}: {a} against {b}"),
                (a, b) => assert_eq!(a, b, "{sentence}"),
            }
            compared += 1;
        }
    }
    assert_eq!(compared, 2 * 66, "sentences are missing from the table");
}

#[test]
fn a_changed_letter_is_a_wrong_checksum() {
    let (reader, wind) = reader();
    for line in TABLE.lines().filter(|l| !l.starts_with('#')) {
        let sentence = line.split('\t').next().unwrap_or_default();
        let broken = sentence.replacen(",A*", ",V*", 1);
        if broken != sentence {
            let refused = reader.nmea(&wind, broken.as_bytes()).expect_err("a wrong checksum");
            assert_eq!(refused.reason, Refusal::Checksum, "{broken}");
        }
    }
}
