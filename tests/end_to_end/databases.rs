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

/// Delivers all that is logged, as from a cursor at its beginning.
fn deliver_from_the_start(settings: &Path) {
    let history = settings.parent().unwrap().join("history/history.sqlite3");
    let store = rusqlite::Connection::open(history).unwrap();
    store.execute("UPDATE cursor SET delivered = 0", []).unwrap();
    drop(store);
    let program = Program::run(settings);
    drained(settings);
    assert_eq!(program.terminate().0, Some(0));
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

    // All of it comes again from an older cursor.
    let again = || deliver_from_the_start(&settings);
    // A higher revision is there already.
    server.query("UPDATE isobarn.reading SET revision = 5, value = -1 WHERE flag = 'good'");
    again();
    let changed =
        server.query("SELECT count(*) FROM isobarn.reading WHERE revision <> 5 OR value <> -1");
    assert_eq!(changed.trim(), "0");
    // A lower one is, here and there, and elsewhere none at all.
    server.query("UPDATE isobarn.reading SET revision = -1 WHERE station = 'orchard'");
    server.query("DELETE FROM isobarn.reading WHERE station <> 'orchard'");
    again();
    assert_eq!(kept_rows(&server), logged);
}

/// Settings of a property with a database as its receiver.
fn recorded(folder: &Path, server: &Postgresql, more: &str) -> std::path::PathBuf {
    let table = format!(
        "\n[forward.postgresql.record]\nserver = \"postgresql://weather@{}/postgres\"\n{more}",
        server.address
    );
    write(folder, &table)
}

/// What a forwarder has refused or given up.
fn lost(settings: &Path) -> (u64, u64) {
    let row = status(settings);
    (row["dead_letter_count"].as_u64().unwrap(), row["given_up"].as_u64().unwrap())
}

#[test]
fn several_properties_begin_at_once_in_one_database_and_lose_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let server = postgresql(folder.path());
    // Each has the same stations, instruments and times: the property alone parts them.
    let properties: Vec<_> = (0..5)
        .map(|_| {
            let folder = tempfile::tempdir().unwrap();
            let settings = recorded(folder.path(), &server, "batch = 100\n");
            backlog::write(&settings, Backlog { records: 40, ..SMALL });
            (folder, settings)
        })
        .collect();
    let programs: Vec<Program> = std::thread::scope(|scope| {
        let starting: Vec<_> =
            properties.iter().map(|(_, s)| scope.spawn(|| Program::run(s))).collect();
        starting.into_iter().map(|s| s.join().unwrap()).collect()
    });
    let mut wanted = Vec::new();
    for ((_, settings), program) in properties.iter().zip(programs) {
        drained(settings);
        assert_eq!(lost(settings), (0, 0));
        assert_eq!(program.terminate().0, Some(0));
        wanted.extend(logged_rows(settings));
    }
    wanted.sort();
    assert_eq!(wanted.len(), 5 * 320);
    assert_eq!(kept_rows(&server), wanted);
    let by_property =
        server.query("SELECT count(*) FROM isobarn.reading GROUP BY property ORDER BY 1");
    assert_eq!(by_property.split_whitespace().collect::<Vec<_>>(), ["320"; 5]);
}

#[test]
fn a_table_by_months_gets_its_partitions_and_one_made_by_hand_is_used_as_it_is() {
    // Ten weeks, so that at least two months begin on the way.
    const WEEKS: Backlog = Backlog { records: 105, readings: 8, step: Span::hours(16) };
    let folder = tempfile::tempdir().unwrap();
    let server = postgresql(folder.path());
    let settings = recorded(folder.path(), &server, "backlog_age = \"90 d\"\n");
    backlog::write(&settings, WEEKS);
    let deliver = || {
        deliver_from_the_start(&settings);
        assert_eq!(kept_rows(&server), logged_rows(&settings));
        assert_eq!(lost(&settings), (0, 0));
    };
    let partitions = || {
        server.query(
            "SELECT c.relname || ' ' || (SELECT count(*) FROM isobarn.reading r WHERE r.tableoid = c.oid)
             FROM pg_inherits i JOIN pg_class c ON c.oid = i.inhrelid
             WHERE i.inhparent = 'isobarn.reading'::regclass ORDER BY 1",
        )
    };
    deliver();
    let mut months: Vec<String> = server
        .query("SELECT DISTINCT to_char(time AT TIME ZONE 'UTC', '\"reading_\"YYYY_MM') FROM isobarn.reading")
        .lines()
        .map(str::to_owned)
        .collect();
    months.sort();
    println!("{}", partitions());
    let made: Vec<String> =
        partitions().lines().map(|l| l.split(' ').next().unwrap().to_owned()).collect();
    assert!(months.len() >= 3, "{months:?}");
    assert_eq!(made, months);

    // By years, by somebody who owns the table; the service may not make any.
    let columns = "CREATE SCHEMA isobarn;
        CREATE TABLE isobarn.reading (property uuid, station text, instrument text, quantity text,
        statistic text, \"over\" text, period text, time timestamptz, value double precision,
        unit text, flag text, reasons text[], revision integer, id text,
        PRIMARY KEY (property, station, instrument, quantity, statistic, \"over\", period, time))";
    let year = |n: i32| {
        format!(
            "CREATE TABLE isobarn.year_{n} PARTITION OF isobarn.reading
             FOR VALUES FROM ('{n}-01-01Z') TO ('{}-01-01Z');",
            n + 1
        )
    };
    let now: i32 = server.query("SELECT extract(year FROM now())").trim().parse().unwrap();
    server.query(&format!(
        "DROP SCHEMA isobarn CASCADE; {columns} PARTITION BY RANGE (time); {}",
        year(now) + &year(now - 1)
    ));
    deliver();
    assert!(partitions().lines().all(|l| l.starts_with("year_")), "{}", partitions());

    // A time without room for it pauses, says so and loses nothing.
    let future = now + 3;
    server.query(&format!(
        "DROP SCHEMA isobarn CASCADE; {columns} PARTITION BY RANGE (time); {}
         CREATE ROLE writer LOGIN; GRANT USAGE ON SCHEMA isobarn TO writer;
         GRANT SELECT, INSERT, UPDATE ON ALL TABLES IN SCHEMA isobarn TO writer;",
        year(future)
    ));
    let text = std::fs::read_to_string(&settings).unwrap();
    std::fs::write(&settings, text.replace("weather@", "writer@")).unwrap();
    let store = rusqlite::Connection::open(folder.path().join("history/history.sqlite3")).unwrap();
    store.execute("UPDATE cursor SET delivered = 0", []).unwrap();
    drop(store);
    let program = Program::run(&settings);
    let reason = until("the pause", || {
        let row = status(&settings);
        (row["state"] == "fault").then(|| row["reason"].to_string())
    });
    println!("{reason}");
    assert!(reason.contains("make a partition"), "{reason}");
    assert_eq!(lost(&settings), (0, 0));
    server.query(&(year(now) + &year(now - 1)));
    drained(&settings);
    assert_eq!(program.terminate().0, Some(0));
    assert_eq!(kept_rows(&server), logged_rows(&settings));
    assert_eq!(lost(&settings), (0, 0));

    // A plain table, as an extension for time series wants it.
    server.query(&format!("DROP SCHEMA isobarn CASCADE; {columns}"));
    std::fs::write(&settings, text).unwrap();
    deliver();
    assert_eq!(partitions(), "", "none were made");
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
