//! Readings passed on to a real PostgreSQL and a real Prometheus, read back through their
//! own queries.

use crate::forwarding::{drained, status};
use crate::settings::write;
use isobarn_tests::backlog::{self, Backlog};
use isobarn_tests::certificates::Certificates;
use isobarn_tests::peers::{
    Postgresql, postgresql, receiving_prometheus, receiving_prometheus_with,
};
use isobarn_tests::program::{Program, export};
use isobarn_tests::push::Client;
use isobarn_tests::wait::until;
use observation::Span;
use serde_json::Value;
use std::net::SocketAddr;
use std::path::Path;

const SMALL: Backlog = Backlog { records: 300, readings: 8, step: Span::seconds(10) };

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
    assert_eq!(held_temperatures(server.address), logged_temperatures(&settings));
}

/// The temperatures of the orchard that a Prometheus holds, by their times in
/// milliseconds.
fn held_temperatures(address: SocketAddr) -> Vec<(i64, f64)> {
    let query =
        "/api/v1/query?query=isobarn_air_temperature_celsius%7Bstation=%22orchard%22%7D%5B1h%5D";
    let answer: Value = serde_json::from_str(&Client::new().get(address, query).body).unwrap();
    let samples: Vec<(i64, f64)> = answer["data"]["result"][0]["values"]
        .as_array()
        .unwrap_or_else(|| panic!("{answer}"))
        .iter()
        .map(|v| {
            let time = (v[0].as_f64().unwrap() * 1_000.0).round() as i64;
            (time, v[1].as_str().unwrap().parse().unwrap())
        })
        .collect();
    println!("{} samples", samples.len());
    assert_eq!(samples.len(), 60);
    samples
}

/// The same as they were logged.
fn logged_temperatures(settings: &Path) -> Vec<(i64, f64)> {
    let from = ["--from", "2020-01-01T00:00:00Z", "--station", "orchard"];
    export(settings, &[&from[..], &["--quantity", "air_temperature"]].concat())
        .lines()
        .map(|line| {
            let row: Value = serde_json::from_str(line).unwrap();
            let time = observation::Time::parse(row["time"].as_str().unwrap()).unwrap();
            (time.0, row["value"].as_f64().unwrap())
        })
        .collect()
}

#[test]
fn a_prometheus_that_asks_for_a_certificate_gets_it_and_lets_no_stranger_write() {
    let folder = tempfile::tempdir().unwrap();
    let made = Certificates::make(folder.path());
    let server = receiving_prometheus_with(folder.path(), &made);
    let settings = |name: Option<&str>| {
        let own = name.map_or(String::new(), |name| {
            format!("certificate_file = {:?}\nkey_file = {:?}\n", made.file(name), made.key(name))
        });
        let table = format!(
            "\n[forward.remote_write.house]\nurl = \"https://localhost:{}/api/v1/write\"\n\
             ca_file = {:?}\n{own}",
            server.address.port(),
            made.file("authority")
        );
        write(folder.path(), &table)
    };
    let bare = settings(None);
    backlog::write(&bare, Backlog { records: 60, ..SMALL });
    for stranger in [bare, settings(Some("stranger"))] {
        let program = Program::run(&stranger);
        let reason = until("the refusal", || {
            let row = status(&stranger);
            let reason = row["reason"].as_str().unwrap_or_default();
            (row["state"] != "up" && reason.contains("certificate")).then(|| reason.to_owned())
        });
        println!("{reason}");
        assert!(reason.contains("certificate_file"), "what to do: {reason}");
        assert_eq!(status(&stranger)["backlog"], 480);
        assert_eq!(program.terminate().0, Some(0));
    }
    let known = settings(Some("client"));
    let program = Program::run(&known);
    drained(&known);
    assert_eq!(program.terminate().0, Some(0));
    // What it took is read back without TLS, over the same files.
    server.kill();
    let server = receiving_prometheus(folder.path());
    assert_eq!(held_temperatures(server.address), logged_temperatures(&known));
}
