//! Which instrument is wrong, since when and by how much, as `replay` tells it. Weather
//! and stations are invented.

use isobarn_tests::program::{self, command_with_input};
use serde_json::Value;
use std::path::{Path, PathBuf};

const START: i64 = 1_767_225_600; // 2026-01-01T00:00:00Z
/// Hour at which the instrument goes wrong: 50 days of learning before.
const WRONG: i64 = 50 * 24;
const HOURS: i64 = 62 * 24;

fn settings(folder: &Path, stations: &[&str]) -> PathBuf {
    let mut text = String::from(
        "[property]\nname = \"Alder Croft\"\nlatitude = 54.07\nlongitude = -2.28\nelevation = \"212 m\"\ntime_zone = \"Europe/London\"\n\n[history]\ndirectory = \"history\"\n\n[source.http.push]\nlisten = \"127.0.0.1:0\"\n",
    );
    for station in stations {
        text.push_str(&format!("\n[[station]]\nid = \"{station}\"\nname = \"{station}\"\ninterval = \"1 h\"\ntime_window = \"-31 d..2 h\"\n"));
        for (id, channel, quantity, unit) in [
            ("screen", "t", "air_temperature", "Cel"),
            ("hair", "h", "relative_humidity", "%"),
            ("cup", "u", "wind_speed", "m/s"),
            ("vane", "d", "wind_from_direction", "deg"),
        ] {
            text.push_str(&format!("\n[[station.instrument]]\nid = \"{id}\"\nchannel = \"{channel}\"\nquantity = \"{quantity}\"\nunit = \"{unit}\"\n"));
        }
        text.push_str("\n[[station.instrument]]\nid = \"gauge\"\nchannel = \"tips\"\nquantity = \"rainfall_depth\"\nsignal = { change_total = { bits = 16 } }\ncalibration = [{ from = \"2026-01-01\", depth = \"0.2 mm\" }]\n");
    }
    program::settings(folder, &text, &[])
}

fn stamp(hour: i64) -> String {
    let days = (START / 86_400) + hour.div_euclid(24);
    // Days since 1970 to a date within 2026: months by their lengths.
    let mut day = days - 20_454;
    let mut month = 1;
    for length in [31, 28, 31, 30, 31] {
        if day < length {
            break;
        }
        day -= length;
        month += 1;
    }
    format!("2026-{month:02}-{:02}T{:02}:00:00Z", day + 1, hour.rem_euclid(24))
}

/// What station `place` says in `hour`: temperature, humidity, speed, direction, tips of
/// its gauge.
fn weather(random: &mut fastrand::Rng, hour: i64, place: usize) -> [f64; 5] {
    let mut noise = |spread: f64| spread * (random.f64() + random.f64() + random.f64() - 1.5);
    let phase = std::f64::consts::TAU * hour as f64 / 24.0;
    let slow = 0.6 * (hour as f64 / 11.0).sin() + 0.6 * (hour as f64 / 29.0).sin();
    [
        8.0 - 3.0 * phase.cos() + 3.0 * slow + 0.2 * place as f64 + noise(0.4),
        75.0 + 8.0 * phase.cos() + noise(2.0),
        5.0 + 2.0 * slow + noise(0.5),
        (220.0 + 70.0 * (hour as f64 / 40.0).sin() + noise(8.0)).rem_euclid(360.0),
        if hour.rem_euclid(40) < 6 { 6.0 } else { 0.0 },
    ]
}

/// Replays invented weather, altered by `fault`; the diagnoses said.
fn said(stations: &[&str], fault: impl Fn(i64, usize, &mut [f64; 5])) -> Vec<Value> {
    let folder = tempfile::tempdir().unwrap();
    let settings = settings(folder.path(), stations);
    let mut random = fastrand::Rng::with_seed(7);
    let mut input = String::new();
    let mut totals = vec![0.0; stations.len()];
    for hour in 0..HOURS {
        let time = stamp(hour);
        for (place, station) in stations.iter().enumerate() {
            let mut values = weather(&mut random, hour, place);
            fault(hour, place, &mut values);
            totals[place] += values[4];
            values[4] = totals[place];
            let channels = ["t", "h", "u", "d", "tips"].iter().zip(values);
            // What is no number is not sent.
            for (channel, value) in channels.filter(|(_, value)| value.is_finite()) {
                input.push_str(&format!(
                    "{{\"time\":\"{time}\",\"station\":\"{station}\",\"channel\":\"{channel}\",\"value\":{value:.1}}}\n"
                ));
            }
        }
    }
    let output = command_with_input(
        &["replay", "--config", settings.to_str().unwrap(), "--input", "-", "--final"],
        input.as_bytes(),
    );
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout)
        .unwrap()
        .lines()
        .filter(|line| line.contains("\"diagnosis\":"))
        .map(|line| serde_json::from_str(line).unwrap())
        .collect()
}

fn opened(said: &[Value]) -> Vec<&Value> {
    said.iter().filter(|d| d["state"] == "opened").collect()
}

#[test]
fn a_turned_vane_is_named_with_its_angle_and_its_date() {
    let said = said(&["orchard", "hedge", "ridge"], |hour, place, values| {
        if place == 2 && hour >= WRONG {
            values[3] = (values[3] + 30.0).rem_euclid(360.0);
        }
    });
    let opened = opened(&said);
    assert_eq!(opened.len(), 1, "{said:?}");
    assert_eq!(opened[0]["station"], "ridge");
    assert_eq!(opened[0]["instrument"], "vane");
    assert_eq!(opened[0]["diagnosis"], "vane_turned");
    let last = said.last().unwrap();
    let size = last["size"].as_f64().unwrap();
    assert!((size - 30.0).abs() < 5.0, "turned by {size}");
    assert!(last["confidence"].as_f64().unwrap() >= 0.9, "{last}");
    // 50 days after the first of January: the 20th of February.
    let since = last["since"].as_str().unwrap();
    assert!(since.starts_with("2026-02-19") || since.starts_with("2026-02-20"), "{since}");
    assert!(last["evidence"]["words"].as_str().unwrap().contains("turned by"), "{last}");
}

#[test]
fn two_stations_disagree_without_a_culprit_unless_one_doubts_itself() {
    let warm = |hour: i64, place: usize, values: &mut [f64; 5]| {
        if place == 1 && hour >= WRONG {
            values[0] += 3.0;
        }
    };
    let neither = said(&["orchard", "hedge"], warm);
    let first = opened(&neither);
    assert!(!first.is_empty(), "nothing was said");
    for diagnosis in &first {
        assert_eq!(diagnosis["station"], Value::Null, "{diagnosis}");
        assert_eq!(diagnosis["diagnosis"], "disagreement");
    }
    // The same, and the hedge also jumps to and fro once in a while, by its own checks.
    let one = said(&["orchard", "hedge"], |hour, place, values| {
        warm(hour, place, values);
        if place == 1 && hour >= WRONG && hour % 5 == 0 {
            values[0] += 14.0;
        }
    });
    let blamed: Vec<&Value> =
        opened(&one).into_iter().filter(|d| d["diagnosis"] == "thermometer_offset").collect();
    assert!(!blamed.is_empty(), "{one:?}");
    for diagnosis in blamed {
        assert_eq!(diagnosis["station"], "hedge");
        assert!(diagnosis["evidence"]["words"].as_str().unwrap().contains("its own checks"));
    }
}

#[test]
fn a_sunlit_screen_is_told_from_a_warm_thermometer() {
    // The form of a radiation error: with the height of the sun, less in wind.
    let said = said(&["orchard", "hedge", "ridge"], |hour, place, values| {
        let of_day = hour.rem_euclid(24);
        if place == 0 && hour >= WRONG && (8..=16).contains(&of_day) {
            let height = (std::f64::consts::PI * (of_day - 8) as f64 / 8.0).sin();
            values[0] += 6.0 * height / (1.0 + 0.15 * values[2]);
        }
    });
    let told: Vec<&str> = said
        .iter()
        .filter(|d| d["station"] == "orchard" && d["state"] != "closed")
        .filter_map(|d| d["diagnosis"].as_str())
        .collect();
    assert_eq!(told.last(), Some(&"sunlit_screen"), "{said:?}");
    assert!(said.iter().all(|d| d["station"] == "orchard"), "{said:?}");
}

#[test]
fn trees_in_one_sector_are_named_with_their_sector() {
    let said = said(&["orchard", "ridge", "hedge"], |hour, place, values| {
        if place == 2 && hour >= WRONG && (155.0..205.0).contains(&values[3]) {
            values[2] *= 0.5;
        }
    });
    let last = said.iter().rfind(|d| d["state"] != "closed").expect("something was said");
    assert_eq!((&last["station"], &last["instrument"]), (&"hedge".into(), &"cup".into()));
    assert_eq!(last["diagnosis"], "mast_sheltered", "{said:?}");
    assert!(last["evidence"]["words"].as_str().unwrap().contains("times from S"), "{last}");
}

#[test]
fn a_gauge_that_counts_each_tip_twice_is_told_by_its_cumulative_sum() {
    let said = said(&["orchard", "ridge", "hedge"], |hour, place, values| {
        if place == 1 && hour >= WRONG {
            values[4] *= 2.0;
        }
    });
    let opened = opened(&said);
    assert_eq!(opened.len(), 1, "{said:?}");
    assert_eq!(opened[0]["diagnosis"], "gauge_counts_too_much");
    assert_eq!(
        (&opened[0]["station"], &opened[0]["instrument"]),
        (&"ridge".into(), &"gauge".into())
    );
    let size = opened[0]["size"].as_f64().unwrap();
    assert!((size - 1.93).abs() < 0.1, "a tenth of a millimetre is added to both: {size}");
    assert!(opened[0]["evidence"]["words"].as_str().unwrap().contains("cumulative sum"));
}

#[test]
fn a_dead_switch_of_a_vane_is_told_by_the_gap_in_its_rose() {
    // Four switches over 135 degrees each; that in the south never closes from the day on.
    let said = said(&["orchard", "ridge", "hedge"], |hour, place, values| {
        // A wind from all around.
        values[3] = (values[3] + 4.0 * hour as f64).rem_euclid(360.0);
        if place == 0 && hour >= WRONG {
            values[3] = match values[3] {
                d if (112.5..157.5).contains(&d) => 90.0,
                d if (157.5..202.5).contains(&d) => f64::NAN,
                d if (202.5..247.5).contains(&d) => 270.0,
                d => d,
            };
        }
    });
    let last = said.iter().rfind(|d| d["state"] != "closed").expect("something was said");
    assert_eq!((&last["station"], &last["instrument"]), (&"orchard".into(), &"vane".into()));
    assert_eq!(last["diagnosis"], "vane_switch_dead", "{said:?}");
    let words = last["evidence"]["words"].as_str().unwrap();
    assert!(words.contains(" S") && words.contains("shows other points"), "{words}");
    let open = said.iter().filter(|d| d["state"] == "opened").count();
    let closed = said.iter().filter(|d| d["state"] == "closed").count();
    assert_eq!(open, closed + 1, "what it seemed before is closed: {said:?}");
}

#[test]
fn a_sprinkler_at_one_gauge_is_told_with_its_hour() {
    let said = said(&["orchard", "ridge", "hedge"], |hour, place, values| {
        if place == 2 && hour >= WRONG && hour.rem_euclid(24) == 19 && values[4] == 0.0 {
            values[4] += 15.0;
        }
    });
    let opened = opened(&said);
    assert_eq!(opened.len(), 1, "{said:?}");
    assert_eq!(opened[0]["diagnosis"], "gauge_rain_alone");
    assert_eq!(
        (&opened[0]["station"], &opened[0]["instrument"]),
        (&"hedge".into(), &"gauge".into())
    );
    let words = opened[0]["evidence"]["words"].as_str().unwrap();
    assert!(words.contains("no neighbour had rain") && words.contains("UTC"), "{words}");
}
