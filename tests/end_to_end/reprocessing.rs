//! A depth per tip is corrected afterwards: rain changes from its date on and nowhere
//! before, on sealed days and on a day not yet sealed; whoever asked for corrections gets
//! them, whoever did not does not. The expected depths are the tips that were sent, times
//! the depth of one: plain arithmetic beside the program.

use crate::settings::{token, write};
use isobarn_tests::backlog::now;
use isobarn_tests::program::{Program, command, command_with_input, export};
use isobarn_tests::push::Client;
use isobarn_tests::sink::Sink;
use isobarn_tests::wait::until;
use observation::{Span, Time};
use serde_json::Value;
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;
use std::time::{Duration, Instant};

const RAIN: &str = "lwe_thickness_of_precipitation_amount";

/// A sample every five minutes of the 54 hours before `end`, none to two tips each;
/// the tips of each instant.
fn sent(program: &Program, end: Time) -> BTreeMap<Time, u64> {
    let client = Client::new();
    let mut random = fastrand::Rng::with_seed(7);
    let (mut total, mut tips, mut records) = (100_u64, BTreeMap::new(), Vec::new());
    let mut time = end - Span::hours(54);
    while time < end {
        let more = random.u64(0..3);
        total += more;
        let seconds = time.0 / 1_000;
        let celsius = f64::from(random.u32(800..1_500)) / 100.0;
        records.push(format!("{{\"n\":\"orchard/tips\",\"t\":{seconds},\"v\":{total}}}"));
        records.push(format!("{{\"n\":\"orchard/t\",\"t\":{seconds},\"v\":{celsius}}}"));
        tips.insert(time, more);
        time = time + Span::minutes(5);
    }
    for records in records.chunks(240) {
        let body = format!("[{}]", records.join(","));
        let answer = client.senml(program.address("push"), token("orchard"), &body);
        assert_eq!(answer.status, 204, "{}", answer.body);
    }
    tips
}

/// Rows of the history, by everything but value, flag and revision.
fn rows(settings: &Path) -> BTreeMap<String, Value> {
    export(settings, &["--from", "2020-01-01T00:00:00Z"])
        .lines()
        .map(|line| serde_json::from_str::<Value>(line).unwrap())
        .filter(|row| row.get("diagnosis").is_none())
        .map(|row| (key(&row), row))
        .collect()
}

fn key(row: &Value) -> String {
    ["time", "station", "instrument", "quantity", "statistic", "over", "period"]
        .map(|k| row[k].to_string())
        .join(" ")
}

fn time(row: &Value) -> Time {
    Time::parse(row["time"].as_str().unwrap()).unwrap()
}

/// What is told of sealed days and of the rest is what a replay of the samples gives.
fn sealed_equals_replayed(settings: &Path) {
    let told = export(settings, &["--from", "2020-01-01T00:00:00Z"]);
    let samples = export(settings, &["--samples", "--from", "2020-01-01T00:00:00Z"]);
    let path = settings.to_str().unwrap();
    let arguments = ["replay", "--config", path, "--input", "-", "--final"];
    let replayed = command_with_input(&arguments, samples.as_bytes());
    let replayed = String::from_utf8(replayed.stdout).unwrap();
    for (number, (ours, theirs)) in told.lines().zip(replayed.lines()).enumerate() {
        assert_eq!(ours, theirs, "line {} differs", number + 1);
    }
    assert_eq!(told.len(), replayed.len());
    println!("{} lines of the export equal those of the replay", told.lines().count());
}

fn drained(settings: &Path) {
    until("empty backlogs", || {
        let output = command(&["status", "--json", "--config", settings.to_str().unwrap()]);
        let document: Value = serde_json::from_slice(&output.stdout).unwrap();
        let forwarders = document["forwarders"].as_array().unwrap();
        forwarders.iter().all(|f| f["backlog"] == 0).then_some(())
    });
}

#[test]
fn a_corrected_depth_per_tip_changes_rain_from_its_date_on_and_is_passed_on_when_asked() {
    let folder = tempfile::tempdir().unwrap();
    let (asking, other) = (Sink::willing(), Sink::willing());
    let table = format!(
        "\n[forward.http.asking]\nurl = \"http://{}/in\"\ncorrections = true\n\
         [forward.http.other]\nurl = \"http://{}/in\"\n",
        asking.address, other.address
    );
    let settings = write(folder.path(), &table);
    // On a whole minute, so that each sample's minute is its own.
    let end = (now() - Span::minutes(2)).minute_start();
    let program = Program::run(&settings);
    let tips = sent(&program, end);
    // What came late is seen to at the next minute's boundary.
    let store = folder.path().join("history/history.sqlite3");
    let began = Instant::now();
    while !export(&settings, &["--quantity", RAIN, "--from", "2020-01-01T00:00:00Z"]).contains(RAIN)
    {
        assert!(began.elapsed() < Duration::from_secs(300), "no rain");
        std::thread::sleep(Duration::from_millis(500));
    }
    assert_eq!(program.terminate().0, Some(0));

    // A start seals the days that are over.
    let program = Program::run(&settings);
    let sealed = until("sealed days", || {
        let store = rusqlite::Connection::open(&store).unwrap();
        let count: i64 = store
            .query_row("SELECT count(*) FROM sealed WHERE through > 0", [], |r| r.get(0))
            .unwrap();
        (count >= 2).then_some(count)
    });
    drained(&settings);
    let before = rows(&settings);
    let first = before.values().map(time).min().unwrap();
    let last = before.values().map(time).max().unwrap();
    println!("{} readings from {first} to {last}, {sealed} days sealed", before.len());
    assert_eq!(program.terminate().0, Some(0));
    sealed_equals_replayed(&settings);

    // From the middle of the time on each tip was 0.2 mm.
    let from = (end - Span::hours(30)).minute_start();
    let text = std::fs::read_to_string(&settings).unwrap();
    let corrected = format!("depth = \"0.25 mm\" }}, {{ from = \"{from}\", depth = \"0.2 mm\" }}]");
    std::fs::write(&settings, text.replace("depth = \"0.25 mm\" }]", &corrected)).unwrap();
    let path = settings.to_str().unwrap();
    let from_text = from.to_string();
    let asked = ["reprocess", "--config", path, "--from", &from_text];

    let program = Program::run(&settings);
    drained(&settings);
    let (delivered, others) = (asking.lines().len(), other.lines().len());
    let output = command(&asked);
    let said = String::from_utf8_lossy(&output.stdout).into_owned();
    assert!(output.status.success(), "{said}{}", String::from_utf8_lossy(&output.stderr));
    println!("{}", said.trim());

    let after = rows(&settings);
    assert_eq!(after.keys().collect::<Vec<_>>(), before.keys().collect::<Vec<_>>());
    let (mut changed, mut sums) = (BTreeSet::new(), 0);
    for (key, row) in &after {
        let old = &before[key];
        let rain = row["quantity"].as_str().unwrap();
        if row == old {
            // Sums of several minutes may reach back before the date, or be zero.
            let minute = rain == RAIN && row["period"] == "PT1M";
            let none = row["value"] == 0.0 || row["value"].is_null();
            assert!(!minute || none || time(row) <= from, "{row}");
        } else {
            assert!(time(row) >= from, "{old} became {row}");
            assert!(rain == RAIN || rain == "rainfall_rate", "{row}");
            assert!(row["revision"].as_u64() > old["revision"].as_u64(), "{row}");
            changed.insert(key.clone());
        }
        if rain == RAIN && row["period"] == "PT1M" && row["value"].as_f64().unwrap_or(0.0) > 0.0 {
            // The minute (m - 1, m] of a sample at m; the first sample counts nothing.
            let count = tips[&time(row)];
            let depth = if time(row) < from { 0.25 } else { 0.2 };
            let value = row["value"].as_f64().unwrap();
            assert!((value - count as f64 * depth).abs() < 1e-9, "{count} tips: {row}");
            sums += 1;
        }
    }
    println!("{} readings changed, {sums} sums checked", changed.len());
    assert_eq!(sums, tips.values().skip(1).filter(|t| **t > 0).count());
    assert!(changed.len() > 200, "{}", changed.len());

    // Each changed reading came once to whoever asked, with the place of its record.
    let corrections = until("the corrections", || {
        let lines: Vec<Value> = asking.lines()[delivered..]
            .iter()
            .map(|line| serde_json::from_str(line).unwrap())
            .collect();
        (lines.len() >= changed.len()).then_some(lines)
    });
    let arrived: BTreeSet<String> = corrections.iter().map(key).collect();
    assert_eq!(arrived, changed);
    assert_eq!(corrections.len(), changed.len());
    for row in &corrections {
        assert_eq!(row["value"], after[&key(row)]["value"]);
        assert_eq!(row["revision"], after[&key(row)]["revision"]);
    }
    assert_eq!(other.lines().len(), others, "nobody asked for these");

    // A second time there is nothing to do; a service with other settings is told apart.
    let again = command(&asked);
    assert!(String::from_utf8_lossy(&again.stdout).starts_with("0 readings"));
    let foreign = command(&[&asked[..], &["--set", "processor.grace=\"9 s\""]].concat());
    assert_eq!(foreign.status.code(), Some(1));
    assert!(String::from_utf8_lossy(&foreign.stderr).contains("restart it"));
    assert_eq!(program.terminate().0, Some(0));

    // Without a service: the date withdrawn, all is as it was but for the revisions.
    std::fs::write(&settings, text).unwrap();
    let output = command(&asked);
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let back = rows(&settings);
    for (key, row) in &back {
        assert_eq!(row["value"], before[key]["value"], "{key}");
        assert_eq!(row["flag"], before[key]["flag"], "{key}");
    }
    let check = rusqlite::Connection::open(&store).unwrap();
    let sound: String = check.query_row("PRAGMA integrity_check", [], |r| r.get(0)).unwrap();
    assert_eq!(sound, "ok");
}
