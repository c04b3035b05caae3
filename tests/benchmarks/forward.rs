//! Working off a backlog: into PostgreSQL against a bare client that does the same COPY and
//! upsert, and by HTTP against a bare client that sends the same bodies. Both have what they
//! send ready in memory; the service reads its log and keeps its cursor besides.

use crate::measure::{Figure, figure, in_turns, processor_time};
use crate::service::runtime;
use bytes::Bytes;
use futures_util::SinkExt as _;
use isobarn_tests::backlog::{self, Backlog};
use isobarn_tests::peers::postgresql;
use isobarn_tests::program::{self, Program};
use isobarn_tests::push::Client;
use observation::Span;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

const RECORDS: u64 = 2_000;
const READINGS: u32 = 500;
/// Rows that are copied at a time, as the forwarder does.
const ROWS: usize = 10_000;

fn settings(folder: &Path, forwarder: &str) -> PathBuf {
    let text = format!(
        "[property]\nname = \"Alder Croft\"\nlatitude = 54.07\nlongitude = -2.28\n\
         elevation = \"212 m\"\n[history]\ndirectory = \"history\"\n[http]\nlisten = \"127.0.0.1:0\"\n\
         {forwarder}\n[[station]]\nid = \"orchard\"\nname = \"Orchard\"\ntoken_file = \"orchard.token\"\n\
         [[station.instrument]]\nid = \"screen\"\nchannel = \"t\"\nquantity = \"air_temperature\"\nunit = \"Cel\"\n\
         [[station.instrument]]\nid = \"slow\"\nchannel = \"h\"\nquantity = \"relative_humidity\"\nunit = \"%\"\n"
    );
    program::settings(folder, &text, &[("orchard", "invented-token-of-the-orchard")])
}

/// Runs the service over a million readings until `done` counts them.
fn ours(settings: &Path, begin: &dyn Fn(), done: &dyn Fn(&Program) -> u64) -> Figure {
    backlog::write(
        settings,
        Backlog { records: RECORDS, readings: READINGS, step: Span::seconds(1) },
    );
    let all = RECORDS * u64::from(READINGS);
    let program = Program::run(settings);
    begin();
    // What was delivered before it said that it is ready does not count.
    let (before, started, already) = (processor_time(program.id()), Instant::now(), done(&program));
    while done(&program) < all {
        assert!(started.elapsed() < Duration::from_secs(300), "not drained");
        std::thread::sleep(Duration::from_millis(20));
    }
    let took = started.elapsed();
    let used = processor_time(program.id()).saturating_sub(before);
    assert_eq!(program.terminate().0, Some(0));
    assert!(already < all / 2, "{already} of {all} were delivered before the measurement began");
    figure(all - already, took, used)
}

/// A receiver that counts lines and keeps the first bodies.
struct Receiver {
    address: SocketAddr,
    /// Until then no request is answered.
    open: Arc<AtomicBool>,
    lines: Arc<AtomicU64>,
    bodies: Arc<Mutex<Vec<Vec<u8>>>>,
}

const KEPT: usize = 100;

impl Receiver {
    fn start() -> Self {
        let listener = TcpListener::bind(("127.0.0.1", 0)).expect("a port");
        let address = listener.local_addr().expect("an address");
        let (lines, bodies) = (Arc::new(AtomicU64::new(0)), Arc::new(Mutex::new(Vec::new())));
        let (count, kept) = (Arc::clone(&lines), Arc::clone(&bodies));
        let open = Arc::new(AtomicBool::new(false));
        let opened = Arc::clone(&open);
        std::thread::spawn(move || {
            for stream in listener.incoming().flatten() {
                let (count, kept) = (Arc::clone(&count), Arc::clone(&kept));
                let opened = Arc::clone(&opened);
                std::thread::spawn(move || receive(stream, &opened, &count, &kept));
            }
        });
        Self { address, open, lines, bodies }
    }
}

fn receive(stream: TcpStream, open: &AtomicBool, count: &AtomicU64, kept: &Mutex<Vec<Vec<u8>>>) {
    stream.set_nodelay(true).expect("a socket");
    let mut reader = BufReader::with_capacity(1 << 16, stream);
    let mut body = Vec::new();
    loop {
        let mut length = 0;
        loop {
            let mut line = String::new();
            if reader.read_line(&mut line).unwrap_or(0) == 0 {
                return;
            }
            if line == "\r\n" {
                break;
            }
            if let Some(value) = line.to_ascii_lowercase().strip_prefix("content-length:") {
                length = value.trim().parse().expect("a length");
            }
        }
        body.resize(length, 0);
        reader.read_exact(&mut body).expect("a body");
        while !open.load(Ordering::Acquire) {
            std::thread::sleep(Duration::from_millis(1));
        }
        let mut kept = kept.lock().expect("no holder panics");
        if kept.len() < KEPT {
            kept.push(body.clone());
        }
        drop(kept);
        let lines = body.split(|&b| b == b'\n').count() as u64 - 1;
        count.fetch_add(lines, Ordering::Relaxed);
        if reader.get_mut().write_all(b"HTTP/1.1 204 No Content\r\n\r\n").is_err() {
            return;
        }
    }
}

fn http_ours(bodies: &Mutex<Vec<Vec<u8>>>) -> Figure {
    let folder = tempfile::tempdir().expect("a folder");
    let receiver = Receiver::start();
    let url = format!("[forward.http.sink]\nurl = \"http://{}/in\"", receiver.address);
    let settings = settings(folder.path(), &url);
    let figure = ours(&settings, &|| receiver.open.store(true, Ordering::Release), &|_| {
        receiver.lines.load(Ordering::Relaxed)
    });
    bodies
        .lock()
        .expect("no holder panics")
        .clone_from(&receiver.bodies.lock().expect("no holder panics"));
    figure
}

fn http_peer(bodies: &Mutex<Vec<Vec<u8>>>) -> Figure {
    let receiver = Receiver::start();
    receiver.open.store(true, Ordering::Release);
    let bodies = bodies.lock().expect("no holder panics").clone();
    let mut stream = TcpStream::connect(receiver.address).expect("a listener");
    stream.set_nodelay(true).expect("a socket");
    let mut reader = BufReader::new(stream.try_clone().expect("a socket"));
    let all = RECORDS * u64::from(READINGS);
    let (before, started) = (processor_time(std::process::id()), Instant::now());
    for body in bodies.iter().cycle() {
        let head = format!(
            "POST /in HTTP/1.1\r\nHost: {}\r\nContent-Type: application/x-ndjson\r\nContent-Length: {}\r\n\r\n",
            receiver.address,
            body.len()
        );
        stream.write_all(head.as_bytes()).expect("a live peer");
        stream.write_all(body).expect("a live peer");
        let mut line = String::new();
        while line != "\r\n" {
            line.clear();
            assert!(reader.read_line(&mut line).expect("a live peer") > 0);
        }
        if receiver.lines.load(Ordering::Relaxed) >= all {
            break;
        }
    }
    figure(all, started.elapsed(), processor_time(std::process::id()).saturating_sub(before))
}

fn postgresql_ours() -> Figure {
    let folder = tempfile::tempdir().expect("a folder");
    let server = postgresql(folder.path());
    let table = format!(
        "[forward.postgresql.sink]\nserver = \"postgresql://weather@{}/postgres\"",
        server.address
    );
    let settings = settings(folder.path(), &table);
    // As the service counts them: the server's own estimate comes up to ten seconds late,
    // and counting a million rows takes long. It is counted afterwards.
    let client = Client::new();
    let done = |program: &Program| {
        let body = client.get(program.address("http"), "/metrics").body;
        let line = body.lines().find(|l| l.starts_with("isobarn_forwarder_delivered_total{"));
        line.and_then(|l| l.rsplit(' ').next()?.parse::<f64>().ok()).unwrap_or(0.0) as u64
    };
    let figure = ours(&settings, &|| (), &done);
    let rows = server.query("SELECT count(*) FROM isobarn.reading");
    assert!(rows.trim().parse::<u64>().expect("a count") >= RECORDS * u64::from(READINGS));
    figure
}

/// The same rows, ready as text, by the same COPY and the same upsert.
fn postgresql_peer() -> Figure {
    let folder = tempfile::tempdir().expect("a folder");
    let server = postgresql(folder.path());
    let columns = "property, station, instrument, quantity, statistic, \"over\", period, time, value, unit, flag, reasons, revision, id";
    let all = RECORDS * u64::from(READINGS);
    let text = settings(folder.path(), "");
    let property = config::load_without_secrets(&text, &[]).expect("settings").property;
    let processor = processor::Processor::new(Arc::new(property), processor::Options::default());
    let series = processor.series();
    let start = backlog::now().0 / 1_000 - 4_000;
    let batches: Vec<Bytes> = (0..all as usize)
        .step_by(ROWS)
        .map(|first| {
            let mut text = String::new();
            for n in first..first + ROWS {
                let (record, place) = (n / READINGS as usize, n % READINGS as usize);
                let milliseconds = place / series.len();
                let time = observation::Time((start + record as i64) * 1_000 + milliseconds as i64);
                let of = &series[place % series.len()];
                let span = |s: Option<Span>| s.map(|s| s.to_string()).unwrap_or_default();
                text.push_str(&format!(
                    "00000000-0000-4000-8000-000000000001\t{}\t{}\t{}\t{}\t{}\t{}\t{time}\t{}\t{}\tgood\t{{}}\t0\t00000000-0000-4000-8000-000000000001/{record}/{place}\n",
                    of.station,
                    of.instrument,
                    of.quantity.name(),
                    of.statistic.word(),
                    span(of.over),
                    span(of.period),
                    observation::reading::decimal_text(record as i64 % 1_000 + 100, of.quantity.decimals()),
                    of.quantity.unit(),
                ));
            }
            Bytes::from(text)
        })
        .collect();
    let (before, started) = (processor_time(std::process::id()), Instant::now());
    runtime(1).block_on(async {
        let address = format!(
            "host={} port={} user=weather dbname=postgres",
            server.address.ip(),
            server.address.port()
        );
        let (client, connection) =
            tokio_postgres::connect(&address, tokio_postgres::NoTls).await.expect("a server");
        tokio::spawn(connection);
        let today = observation::Time(start * 1_000).to_string();
        let month: Vec<&str> = today.splitn(3, '-').collect();
        let (year, month): (i32, i32) =
            (month[0].parse().expect("a year"), month[1].parse().expect("a month"));
        let mut tables = String::from(
            "CREATE SCHEMA bare; CREATE TABLE bare.reading (
                 property uuid NOT NULL, station text NOT NULL, instrument text NOT NULL,
                 quantity text NOT NULL, statistic text NOT NULL, \"over\" text NOT NULL,
                 period text NOT NULL, time timestamptz NOT NULL, value double precision,
                 unit text NOT NULL, flag text NOT NULL, reasons text[] NOT NULL,
                 revision integer NOT NULL, id text NOT NULL,
                 PRIMARY KEY (property, station, instrument, quantity, statistic, \"over\", period, time)
             ) PARTITION BY RANGE (time);",
        );
        for n in 0..2 {
            let at = |months: i32| format!("{:04}-{:02}-01Z", year + months / 12, months % 12 + 1);
            tables.push_str(&format!(
                "CREATE TABLE bare.reading_{n} PARTITION OF bare.reading FOR VALUES FROM ('{}') TO ('{}');",
                at(month - 1 + n),
                at(month + n)
            ));
        }
        tables.push_str("CREATE TEMP TABLE staging (LIKE bare.reading) ON COMMIT DELETE ROWS");
        client.batch_execute(&tables).await.expect("tables");
        let upsert = format!(
            "INSERT INTO bare.reading ({columns}) SELECT {columns} FROM staging
             ON CONFLICT (property, station, instrument, quantity, statistic, \"over\", period, time)
             DO UPDATE SET value = excluded.value, unit = excluded.unit, flag = excluded.flag,
                 reasons = excluded.reasons, revision = excluded.revision, id = excluded.id
             WHERE excluded.revision > bare.reading.revision"
        );
        for batch in batches {
            client.batch_execute("BEGIN").await.expect("a transaction");
            let sink = client
                .copy_in(&format!("COPY staging ({columns}) FROM STDIN"))
                .await
                .expect("a copy");
            futures_util::pin_mut!(sink);
            sink.send(batch).await.expect("rows");
            sink.finish().await.expect("rows");
            client.batch_execute(&upsert).await.expect("rows");
            client.batch_execute("COMMIT").await.expect("a commit");
        }
    });
    let took = started.elapsed();
    let count = server.query("SELECT count(*) FROM bare.reading");
    assert_eq!(count.trim().parse::<u64>().expect("a count"), all);
    figure(all, took, processor_time(std::process::id()).saturating_sub(before))
}

/// Prints the rows.
pub(crate) fn compare() {
    let bodies = Mutex::new(Vec::new());
    in_turns(
        "a million readings by HTTP, 1,000 a body",
        0.7,
        || http_ours(&bodies),
        || http_peer(&bodies),
    );
    in_turns(
        "a million readings into PostgreSQL, 10,000 a transaction",
        0.7,
        postgresql_ours,
        postgresql_peer,
    );
}
