//! Old records brought in: at their own times, once, with and without a service. The
//! expected depths are the tips of the record times the depth of one; the expected
//! temperatures are the fields of the CSV file.

use crate::settings::{token, write};
use isobarn_tests::program::{Program, command, command_with_input, export};
use isobarn_tests::push::Client;
use observation::{Span, Time};
use serde_json::Value;
use std::collections::BTreeMap;
use std::path::Path;

const RAIN: &str = "lwe_thickness_of_precipitation_amount";

fn import(settings: &Path, input: &Path, more: &[&str]) -> String {
    let mut arguments = vec!["import", "--config", settings.to_str().unwrap()];
    arguments.extend(["--input", input.to_str().unwrap()]);
    arguments.extend(more);
    let output = command(&arguments);
    let said = String::from_utf8(output.stdout).unwrap();
    assert!(output.status.success(), "{said}{}", String::from_utf8_lossy(&output.stderr));
    println!("{}", said.trim());
    said
}

fn values(settings: &Path, station: &str, quantity: &str) -> BTreeMap<Time, f64> {
    let range = ["--from", "2021-01-01T00:00:00Z", "--to", "2022-01-01T00:00:00Z"];
    export(settings, &[&range[..], &["--station", station, "--quantity", quantity]].concat())
        .lines()
        .map(|line| serde_json::from_str::<Value>(line).unwrap())
        .filter(|row| row["value"].is_number())
        .filter(|row| quantity != RAIN || row["period"] == "PT1M")
        .map(|row| {
            (Time::parse(row["time"].as_str().unwrap()).unwrap(), row["value"].as_f64().unwrap())
        })
        .collect()
}

#[test]
fn an_old_record_is_brought_in_once_without_a_service_and_replays_to_the_same() {
    let folder = tempfile::tempdir().unwrap();
    let settings = write(folder.path(), "");
    let start = Time::parse("2021-06-03T19:00:00Z").unwrap();
    let (mut text, mut tips) = (String::new(), BTreeMap::new());
    let (mut random, mut total) = (fastrand::Rng::with_seed(3), 65_480_u64);
    for n in 0..120 {
        let time = start + Span::minutes(5 * n);
        let more = random.u64(0..3);
        // The counter has 16 bits and rolls over on the way.
        total = (total + more) % 65_536;
        tips.insert(time, more);
        text.push_str(&format!(
            "{{\"time\":\"{time}\",\"station\":\"orchard\",\"channel\":\"tips\",\"value\":{total}}}\n\
             {{\"time\":\"{time}\",\"station\":\"orchard\",\"channel\":\"t\",\"value\":12.25}}\n"
        ));
    }
    text.push_str(
        "{\"time\":\"2021-06-06T00:00:00Z\",\"station\":\"attic\",\"channel\":\"t\",\"value\":1}\n",
    );
    let input = folder.path().join("record.jsonl");
    std::fs::write(&input, text).unwrap();

    let said = import(&settings, &input, &[]);
    assert!(said.starts_with("240 samples brought in, 0 held already"), "{said}");
    assert!(said.contains("1 lines refused"), "{said}");
    let rain = values(&settings, "orchard", RAIN);
    for (time, count) in tips.iter().skip(1) {
        assert!((rain[time] - *count as f64 * 0.25).abs() < 1e-9, "{count} tips at {time}");
    }
    assert_eq!(values(&settings, "orchard", "air_temperature").len(), 120);

    let everything = ["--from", "2020-01-01T00:00:00Z"];
    let before = export(&settings, &everything);
    let said = import(&settings, &input, &[]);
    assert!(said.starts_with("0 samples brought in, 240 held already"), "{said}");
    assert!(said.contains("; 0 readings made"), "{said}");
    assert_eq!(export(&settings, &everything), before);

    // A start judges nothing of it again, and its samples replay to the same readings.
    let program = Program::run(&settings);
    assert_eq!(program.terminate().0, Some(0));
    assert_eq!(export(&settings, &everything), before);
    let mut samples = export(&settings, &["--samples"]);
    assert!(samples.contains("\"source\":\"import\""));
    // Replay takes them as late ones: it sees to them at the next minute's boundary.
    let last: Value = serde_json::from_str(samples.lines().last().unwrap()).unwrap();
    let walked = Time::parse(last["received"].as_str().unwrap()).unwrap() + Span::minutes(2);
    samples.push_str(&format!("{{\"received\":\"{walked}\"}}\n"));
    let path = settings.to_str().unwrap();
    let arguments = ["replay", "--config", path, "--input", "-", "--final"];
    let output = command_with_input(&arguments, samples.as_bytes());
    let replayed = String::from_utf8(output.stdout).unwrap();
    let value = |line: &str| {
        let mut row: Value = serde_json::from_str(line).unwrap();
        row.as_object_mut().unwrap().remove("revision");
        row.to_string()
    };
    let (ours, theirs): (Vec<String>, Vec<String>) =
        (before.lines().map(value).collect(), replayed.lines().map(value).collect());
    for (ours, theirs) in ours.iter().zip(&theirs) {
        assert_eq!(ours, theirs);
    }
    // Replay walks on to the present and tells the gap behind the record; what is brought
    // in says nothing of what may stand behind it.
    let gap = theirs.get(ours.len()..).unwrap();
    assert!(gap.iter().all(|row| row.contains("\"flag\":\"missing\"")), "{gap:?}");
}

#[test]
fn a_csv_file_is_brought_in_by_the_running_service_while_stations_go_on() {
    let folder = tempfile::tempdir().unwrap();
    let settings = write(folder.path(), "");
    let program = Program::run(&settings);
    let client = Client::new();
    let push = |value: f64| {
        let body = format!("[{{\"n\":\"hedge/t\",\"v\":{value}}}]");
        assert_eq!(client.senml(program.address("push"), token("hedge"), &body).status, 204);
    };
    push(4.5);
    // Local time of London: an hour ahead of UTC in July.
    let mut text = String::from("when;Outside;note\r\n");
    let mut expected = BTreeMap::new();
    let start = Time::parse("2021-07-01T00:00:00Z").unwrap();
    for n in 0..500_i64 {
        let celsius = ((n * 37) % 400 - 80) as f64 / 10.0;
        let local = start + Span::minutes(60 + 10 * n);
        let local = local.to_string().replace('T', " ").replace('Z', "");
        if n % 50 == 7 {
            text.push_str(&format!("{local};;\"a gap; quoted\"\r\n"));
        } else {
            text.push_str(&format!("{local};{celsius};\r\n"));
            expected.insert(start + Span::minutes(10 * n), celsius);
        }
    }
    let input = folder.path().join("record.csv");
    std::fs::write(&input, text).unwrap();
    let how = ["--station", "hedge", "--map", "Outside=t", "--time", "when", "--separator", ";"];
    let said = import(&settings, &input, &how);
    assert!(said.starts_with("490 samples brought in, 0 held already"), "{said}");
    push(4.75);
    assert!(values(&settings, "hedge", "air_temperature") == expected);
    let said = import(&settings, &input, &how);
    assert!(said.starts_with("0 samples brought in, 490 held already"), "{said}");

    // Live values are those of the station, not of the record.
    let latest = client.get(program.address("http"), "/v1/latest").body;
    assert!(latest.contains("4.75"), "{latest}");
    assert_eq!(program.terminate().0, Some(0));
    let program = Program::run(&settings);
    assert!(values(&settings, "hedge", "air_temperature") == expected);
    assert_eq!(program.terminate().0, Some(0));
}

#[test]
fn what_was_set_aside_is_brought_in_once_by_the_running_service() {
    set_aside(false);
}

#[test]
fn what_was_set_aside_is_brought_in_once_without_a_service() {
    set_aside(true);
}

fn set_aside(alone: bool) {
    let folder = tempfile::tempdir().unwrap();
    let settings = write(folder.path(), "");
    let program = Program::run(&settings);
    let client = Client::new();
    let now = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH).unwrap();
    let now = Time(i64::try_from(now.as_millis()).unwrap() / 60_000 * 60_000);
    let push = |at: Time, value: f64| {
        let body = format!("{{\"t\":{value},\"h\":80,\"time\":\"{at}\"}}");
        let path = "/v1/push/orchard";
        let answer =
            client.post(program.address("push"), path, "application/json", token("orchard"), &body);
        assert_eq!(answer.status, 204, "set aside is receipted: {answer:?}");
    };
    // A clock that is two hours fast, and a card that was found after forty days.
    let ahead: Vec<Time> = (0..5).map(|n| now + Span::minutes(120 - 10 * (5 - n))).collect();
    let found: Vec<Time> = (0..5).map(|n| now - Span::days(40) + Span::minutes(10 * n)).collect();
    for (n, at) in ahead.iter().chain(&found).enumerate() {
        push(*at, 10.0 + n as f64 / 4.0);
    }
    let counts = || {
        let output = command(&["status", "--json", "--config", settings.to_str().unwrap()]);
        let document: Value = serde_json::from_slice(&output.stdout).unwrap();
        let rows = document["history"]["set_aside"].as_array().unwrap().clone();
        rows.iter()
            .map(|r| (r["reason"].as_str().unwrap().to_owned(), r["count"].as_u64().unwrap()))
            .collect::<BTreeMap<_, _>>()
    };
    let both = BTreeMap::from([("future".to_owned(), 5), ("too_old".to_owned(), 5)]);
    assert_eq!(counts(), both);
    let bring = |more: &[&str]| {
        let mut arguments =
            vec!["import", "--config", settings.to_str().unwrap(), "--set-aside", "orchard"];
        arguments.extend(more);
        let output = command(&arguments);
        let said = String::from_utf8(output.stdout).unwrap();
        assert!(output.status.success(), "{said}{}", String::from_utf8_lossy(&output.stderr));
        (said, String::from_utf8(output.stderr).unwrap())
    };
    let temperatures = || {
        export(&settings, &["--from", "2020-01-01T00:00:00Z", "--quantity", "air_temperature"])
            .lines()
            .map(|line| serde_json::from_str::<Value>(line).unwrap())
            .filter(|row| row["value"].is_number() && row["station"] == "orchard")
            .map(|row| {
                let time = Time::parse(row["time"].as_str().unwrap()).unwrap();
                (time, row["value"].as_f64().unwrap())
            })
            .collect::<BTreeMap<_, _>>()
    };
    assert!(temperatures().is_empty());

    // As they are: the old ones have their place, the others are still in the future.
    let (said, told) = bring(&[]);
    assert!(said.starts_with("10 samples brought in, 0 held already"), "{said}");
    assert!(said.contains(" 5 messages stay set aside"), "{said}");
    assert_eq!(told.matches("stays set aside").count(), 5, "{told}");
    let mut expected: BTreeMap<Time, f64> =
        found.iter().zip(5..).map(|(at, n)| (*at, 10.0 + f64::from(n) / 4.0)).collect();
    assert_eq!(temperatures(), expected);
    assert_eq!(counts(), BTreeMap::from([("future".to_owned(), 5)]));

    // With the clock's error; by the running service or without one.
    let program = if alone {
        assert_eq!(program.terminate().0, Some(0));
        None
    } else {
        Some(program)
    };
    let (said, told) = bring(&["--shift", "-2h"]);
    assert!(said.starts_with("10 samples brought in, 0 held already"), "{said}{told}");
    assert!(said.contains(" 0 messages stay set aside"), "{said}");
    expected.extend(
        ahead.iter().zip(0..).map(|(at, n)| (*at - Span::minutes(120), 10.0 + f64::from(n) / 4.0)),
    );
    assert_eq!(temperatures(), expected);
    let (said, _) = bring(&["--shift", "-2h"]);
    assert!(said.starts_with("0 samples brought in, 0 held already"), "{said}");
    let _program = program.unwrap_or_else(|| Program::run(&settings));
    assert_eq!(counts(), BTreeMap::new());
    assert_eq!(temperatures(), expected);

    for wrong in
        [&["--set-aside", "attic"][..], &["--set-aside", "orchard", "--shift", "much"], &[]]
    {
        let arguments = [&["import", "--config", settings.to_str().unwrap()], wrong].concat();
        assert_eq!(command(&arguments).status.code(), Some(2), "{wrong:?}");
    }
}
