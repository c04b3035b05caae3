//! Exported CSV, read by pandas, is what the log holds.

use crate::settings::{token, write};
use isobarn_tests::backlog::{self, Backlog};
use isobarn_tests::program::{Program, command, export};
use isobarn_tests::push::Client;
use isobarn_tests::wait::until;
use observation::{Span, Time};
use serde_json::{Value, json};
use std::process::Command;

const EVER: [&str; 2] = ["--from", "2020-01-01T00:00:00Z"];

/// An instant as the script prints it.
fn instant(text: &Value) -> String {
    let time = Time::parse(text.as_str().unwrap()).unwrap();
    let seconds = Time(time.0.div_euclid(1_000) * 1_000).to_string();
    format!("{}.{:03}", seconds.trim_end_matches('Z'), time.0.rem_euclid(1_000))
}

#[test]
fn csv_read_by_pandas_equals_the_log() {
    let folder = tempfile::tempdir().unwrap();
    let settings = write(folder.path(), "");
    // Whole days that get sealed, and behind them what is measured now: gaps, values that
    // are doubtful and ones that are missing.
    backlog::write(&settings, Backlog { records: 200, readings: 12, step: Span::minutes(15) });
    let program = Program::run(&settings);
    let now = backlog::now().0 / 1_000;
    for (channel, values) in [("t", [11.5, 11.25, 71.5, 11.0]), ("h", [80.0, 81.0, 300.0, 80.5])] {
        for (n, value) in (0..).zip(values) {
            let time = now - 600 + 120 * n;
            let body = format!("[{{\"n\":\"orchard/{channel}\",\"t\":{time},\"v\":{value}}}]");
            let answer = Client::new().senml(program.address("push"), token("orchard"), &body);
            assert_eq!(answer.status, 204, "{}", answer.body);
        }
    }
    let store = folder.path().join("history/history.sqlite3");
    until("a sealed day", || {
        let store = rusqlite::Connection::open(&store).unwrap();
        let blocks: i64 = store.query_row("SELECT count(*) FROM block", [], |r| r.get(0)).unwrap();
        (blocks > 0).then_some(())
    });
    until("what came late", || export(&settings, &EVER).contains("71.5").then_some(()));
    assert_eq!(program.terminate().0, Some(0));

    // An old record with a sample in ten minutes: the minutes beside them are missing.
    let record = folder.path().join("record.jsonl");
    let start = Time::parse("2021-06-03T19:00:00Z").unwrap();
    let line = |n: i64| {
        let time = start + Span::minutes(10 * n);
        format!(
            "{{\"time\":\"{time}\",\"station\":\"hedge\",\"channel\":\"t\",\"value\":{n}.25}}\n"
        )
    };
    std::fs::write(&record, (0..30).map(line).collect::<String>()).unwrap();
    let (path, input) = (settings.to_str().unwrap(), record.to_str().unwrap());
    assert!(command(&["import", "--config", path, "--input", input]).status.success());

    let logged: Vec<Value> = export(&settings, &EVER)
        .lines()
        .map(|line| serde_json::from_str(line).unwrap())
        .filter(|row: &Value| row.get("diagnosis").is_none())
        .collect();
    let mut paths = Vec::new();
    for form in ["csv", "table"] {
        let path = folder.path().join(format!("out.{form}"));
        std::fs::write(&path, export(&settings, &[&EVER[..], &["--format", form]].concat()))
            .unwrap();
        paths.push(path);
    }
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/end_to_end/read_csv.py");
    let python = std::env::var("ISOBARN_TESTS_PYTHON").unwrap_or_else(|_| "python3".into());
    let output = Command::new("timeout")
        .args(["120", &python, script])
        .args(&paths)
        .output()
        .expect("python with pandas: tests/run --install");
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{said}");
    let read: Value = serde_json::from_slice(&output.stdout).unwrap();

    let text = |value: &Value| value.as_str().unwrap_or_default().to_owned();
    let names = ["station", "instrument", "quantity", "statistic", "over", "period"];
    let rows: Vec<Value> = logged
        .iter()
        .map(|row| {
            let mut fields = vec![json!(instant(&row["time"]))];
            fields.extend(names.map(|name| json!(text(&row[name]))));
            let value = row["value"].as_f64();
            fields.extend([json!(value), row["unit"].clone(), row["flag"].clone()]);
            fields.push(row["revision"].clone());
            Value::Array(fields)
        })
        .collect();
    let found = read["rows"].as_array().unwrap();
    let flags: std::collections::BTreeSet<String> =
        logged.iter().map(|row| text(&row["flag"])).collect();
    println!("{} rows, flags {flags:?}", rows.len());
    assert!(flags.len() >= 3, "{flags:?}");
    assert!(rows.len() > 2_400);
    for (ours, theirs) in rows.iter().zip(found) {
        assert_eq!(ours, theirs);
    }
    assert_eq!(rows.len(), found.len());

    // The table holds the same, each value in the column of its series, under its unit.
    let mut wanted: Vec<String> = logged
        .iter()
        .map(|row| {
            let mut series = format!("{}/{}", text(&row["station"]), text(&row["instrument"]));
            for name in &names[2..] {
                if let Some(word) = row[*name].as_str() {
                    series.push_str(&format!(" {word}"));
                }
            }
            let value = row["value"].as_f64();
            json!([instant(&row["time"]), series, value, row["unit"], row["flag"]]).to_string()
        })
        .collect();
    let mut cells: Vec<String> =
        read["cells"].as_array().unwrap().iter().map(ToString::to_string).collect();
    wanted.sort();
    cells.sort();
    assert_eq!(cells.len(), wanted.len());
    for (cell, wanted) in cells.iter().zip(&wanted) {
        assert_eq!(cell, wanted);
    }
    let arguments = ["export", "--config", settings.to_str().unwrap(), "--format", "table"];
    for more in [&["--step", "1 h"][..], &["--samples"], &["--summaries", "day"]] {
        assert_eq!(command(&[&arguments[..], more].concat()).status.code(), Some(2), "{more:?}");
    }
}
