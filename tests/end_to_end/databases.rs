//! Readings passed on to a real PostgreSQL and a real Prometheus, read back through their
//! own queries.

use crate::settings::write;
use isobarn_tests::backlog::{self, Backlog};
use isobarn_tests::peers::{Postgresql, postgresql, receiving_prometheus};
use isobarn_tests::program::{Program, command, export};
use isobarn_tests::push::Client;
use isobarn_tests::wait::until;
use observation::Span;
use serde_json::Value;
use std::path::Path;

const SMALL: Backlog = Backlog { records: 300, readings: 8, step: Span::seconds(10) };

fn drained(settings: &Path) {
    until("an empty backlog", || {
        let output = command(&["status", "--json", "--config", settings.to_str().unwrap()]);
        let document: Value = serde_json::from_slice(&output.stdout).unwrap();
        (document["forwarders"][0]["backlog"] == 0).then_some(())
    });
}

/// The rows of a database, in an order of their own.
pub(crate) fn kept_rows(server: &Postgresql) -> Vec<String> {
    let rows = server.query(
        "SELECT json_build_object('time', to_char(time AT TIME ZONE 'UTC', 'YYYY-MM-DD\"T\"HH24:MI:SS.MS\"Z\"'), \
         'station', station, 'instrument', instrument, 'quantity', quantity, 'value', value, 'flag', flag, 'revision', revision) \
         FROM isobarn.reading",
    );
    let mut kept: Vec<String> = rows
        .lines()
        .map(|line| {
            let row: Value = serde_json::from_str(line).unwrap();
            let time = row["time"].as_str().unwrap().replace(".000Z", "Z");
            let value = row["value"].as_f64();
            format!(
                "{time} {} {} {} {value:?} {} {}",
                row["station"], row["instrument"], row["quantity"], row["flag"], row["revision"]
            )
        })
        .collect();
    kept.sort();
    kept
}

/// What a database must hold: the highest revision of everything that was logged.
pub(crate) fn logged_rows(settings: &Path) -> Vec<String> {
    let mut logged: Vec<String> = export(settings, &["--from", "2020-01-01T00:00:00Z"])
        .lines()
        .map(|line| {
            let row: Value = serde_json::from_str(line).unwrap();
            let value = row["value"].as_f64();
            format!(
                "{} {} {} {} {value:?} {} {}",
                row["time"].as_str().unwrap(),
                row["station"],
                row["instrument"],
                row["quantity"],
                row["flag"],
                row["revision"]
            )
        })
        .collect();
    logged.sort();
    logged
}

#[test]
fn postgresql_holds_what_was_logged_and_a_lower_revision_changes_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let server = postgresql(folder.path());
    let table = format!(
        "\n[forward.postgresql.record]\nserver = \"postgresql://weather@{}/postgres\"\n",
        server.address
    );
    let settings = write(folder.path(), &table);
    backlog::write(&settings, SMALL);
    let program = Program::run(&settings);
    drained(&settings);
    let (kept, logged) = (kept_rows(&server), logged_rows(&settings));
    println!("{} rows", kept.len());
    assert_eq!(kept.len(), 2_400);
    assert_eq!(kept, logged);
    assert_eq!(program.terminate().0, Some(0));

    // A higher revision is there already; the lower comes again from an older cursor.
    server.query("UPDATE isobarn.reading SET revision = 5, value = -1 WHERE flag = 'good'");
    let history = folder.path().join("history/history.sqlite3");
    let store = rusqlite::Connection::open(history).unwrap();
    store.execute("UPDATE cursor SET delivered = 0", []).unwrap();
    drop(store);
    let program = Program::run(&settings);
    drained(&settings);
    assert_eq!(program.terminate().0, Some(0));
    let changed =
        server.query("SELECT count(*) FROM isobarn.reading WHERE revision <> 5 OR value <> -1");
    assert_eq!(changed.trim(), "0");
}

#[test]
fn prometheus_gives_back_what_was_written_to_it_at_its_own_times() {
    let folder = tempfile::tempdir().unwrap();
    let server = receiving_prometheus(folder.path());
    let table = format!(
        "\n[forward.remote_write.house]\nurl = \"http://{}/api/v1/write\"\n",
        server.address
    );
    let settings = write(folder.path(), &table);
    backlog::write(&settings, Backlog { records: 60, ..SMALL });
    let program = Program::run(&settings);
    drained(&settings);
    assert_eq!(program.terminate().0, Some(0));
    let client = Client::new();
    let query =
        "/api/v1/query?query=isobarn_air_temperature_celsius%7Bstation=%22orchard%22%7D%5B1h%5D";
    let answer: Value = serde_json::from_str(&client.get(server.address, query).body).unwrap();
    let samples: Vec<(i64, f64)> = answer["data"]["result"][0]["values"]
        .as_array()
        .unwrap_or_else(|| panic!("{answer}"))
        .iter()
        .map(|v| {
            let time = (v[0].as_f64().unwrap() * 1_000.0).round() as i64;
            (time, v[1].as_str().unwrap().parse().unwrap())
        })
        .collect();
    let logged: Vec<(i64, f64)> = export(
        &settings,
        &[
            "--from",
            "2020-01-01T00:00:00Z",
            "--station",
            "orchard",
            "--quantity",
            "air_temperature",
        ],
    )
    .lines()
    .map(|line| {
        let row: Value = serde_json::from_str(line).unwrap();
        let time = observation::Time::parse(row["time"].as_str().unwrap()).unwrap();
        (time.0, row["value"].as_f64().unwrap())
    })
    .collect();
    println!("{} samples", samples.len());
    assert_eq!(samples.len(), 60);
    assert_eq!(samples, logged);
}
