//! The page at ten years of history: how long a sheet and a display take to draw, beside a
//! bare read of the same blocks, and what 200 viewers cost.
//!
//! Five invented stations with ten series each: a reading a minute in the newest year, one
//! in ten minutes in the nine before, all sealed but for the last day. With
//! `ISOBARN_BENCHMARK_FOLDER` the history is kept there and used again;
//! `ISOBARN_BENCHMARK_DAYS` makes it shorter.

use crate::measure::{median, processor_time, resident};
use crate::service::{now, runtime};
use history::{Batch, History, Options};
use isobarn_tests::program::{Program, settings};
use isobarn_tests::push::Client;
use observation::time::{DAY, MINUTE};
use observation::{Flag, Quantity, Reading, Reasons, Series, SeriesIndex, Span, Statistic, Time};
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::{Duration, Instant};
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};

const STATIONS: usize = 5;
/// Pages of each kind that are fetched.
const TIMES: usize = 15;
const VIEWERS: usize = 200;
/// How long after the start the first page is fetched.
const AHEAD: Duration = Duration::from_secs(12);
/// Seconds between two pushes of a station, and seconds for which viewers look on.
const EVERY: u64 = 10;
const WATCHED: u64 = 40;
/// Channel, quantity, unit, middle in units, daily swing.
const CHANNELS: [(&str, &str, &str, f64, f64); 7] = [
    ("air", "air_temperature", "Cel", 9.0, 5.0),
    ("humidity", "relative_humidity", "%", 78.0, 12.0),
    ("pressure", "surface_air_pressure", "hPa", 988.0, 3.0),
    ("wind", "wind_speed", "m/s", 4.0, 2.0),
    ("from", "wind_from_direction", "deg", 230.0, 60.0),
    ("rain", "lwe_thickness_of_precipitation_amount", "mm", 0.0, 0.0),
    ("soil", "soil_temperature", "Cel", 9.0, 1.0),
];

fn token(station: &str) -> String {
    format!("invented-token-of-{station}")
}

pub(crate) fn write(folder: &Path) -> PathBuf {
    let mut text = String::from(
        "[property]\nname = \"Alder Croft (invented)\"\nlatitude = 54.07\nlongitude = -2.28\n\
         elevation = \"212 m\"\ntime_zone = \"Europe/London\"\n\n[history]\n\
         directory = \"history\"\n\n[http]\nlisten = \"127.0.0.1:0\"\n\n\
         [source.http.push]\nlisten = \"127.0.0.1:0\"\n",
    );
    let ids: Vec<String> = (0..STATIONS).map(|n| format!("s{n}")).collect();
    for id in &ids {
        text.push_str(&format!(
            "\n[[station]]\nid = \"{id}\"\nname = \"Station {id}\"\ntoken_file = \"{id}.token\"\ninterval = \"10 s\"\n"
        ));
        for (channel, quantity, unit, _, _) in CHANNELS {
            text.push_str(&format!(
                "\n[[station.instrument]]\nid = \"{channel}\"\nchannel = \"{channel}\"\nquantity = \"{quantity}\"\nunit = \"{unit}\"\n"
            ));
        }
    }
    let tokens: Vec<(String, String)> = ids.iter().map(|id| (id.clone(), token(id))).collect();
    let tokens: Vec<(&str, &str)> = tokens.iter().map(|(o, t)| (o.as_str(), t.as_str())).collect();
    settings(folder, &text, &tokens)
}

/// Whether years of a series are filled in: those that the panes and pairs ask for, and a
/// few beside them.
fn filled(series: &Series) -> bool {
    use Quantity as Q;
    match series.quantity {
        Q::WindSpeed | Q::WindFromDirection => series.statistic == Statistic::Mean,
        Q::PrecipitationDepth => series.statistic == Statistic::Sum,
        Q::AirTemperature
        | Q::RelativeHumidity
        | Q::SurfaceAirPressure
        | Q::SoilTemperature
        | Q::WindSpeedOfGust
        | Q::DewPointTemperature => true,
        _ => false,
    }
}

/// Steps of a series at a minute.
fn steps(quantity: Quantity, minute: i64, random: &mut fastrand::Rng) -> i64 {
    let name = match quantity {
        Quantity::DewPointTemperature => "air_temperature",
        Quantity::WindSpeedOfGust => "wind_speed",
        other => other.name(),
    };
    let (_, _, _, middle, swing) =
        CHANNELS[CHANNELS.iter().position(|c| c.1 == name).expect("a kind")];
    let day = (minute as f64 / 1_440.0 * std::f64::consts::TAU).sin();
    let slow = (minute as f64 / 5_111.0).sin();
    let mut value = middle + swing * (0.7 * day + 0.6 * slow) + 0.02 * swing * random.f64();
    match quantity {
        Quantity::DewPointTemperature => value = 5.0 + 3.0 * slow + 0.1 * random.f64(),
        Quantity::WindSpeedOfGust => value *= 1.5,
        Quantity::PrecipitationDepth if slow > 0.8 && random.u8(..10) == 0 => value = 0.2,
        _ => {}
    }
    (value * 10_f64.powi(i32::from(quantity.decimals()))).round() as i64
}

pub(crate) fn fill(path: &Path, days: i64, end: i64) {
    let settings = config::load_without_secrets(path, &[]).expect("settings without a fault");
    let property = Arc::new(settings.property.clone());
    let options = processor::Options {
        grace: settings.processor.grace,
        event_gap: settings.processor.event_gap,
        import: None,
    };
    let series = processor::Processor::new(Arc::clone(&property), options).series().to_vec();
    let begin = Time((end - days * DAY).div_euclid(DAY) * DAY);
    let (mut history, _) =
        History::open(&settings.history.directory, &Options::at(begin)).expect("a new history");
    let sources = ["push".to_owned(), "import".to_owned()];
    history.register(begin, &property, &series, &sources).expect("names");
    let chosen: Vec<(u32, Quantity)> = (0..)
        .zip(&series)
        .filter(|(_, s)| filled(s))
        .map(|(n, s): (u32, _)| (n, s.quantity))
        .collect();
    let mut random = fastrand::Rng::with_seed(11);
    let (mut readings, mut count) = (Vec::new(), 0_u64);
    let mut minute = begin.0 / MINUTE;
    let fine = (end - 366 * DAY) / MINUTE;
    let mut sealed = begin.utc_day();
    let started = Instant::now();
    while minute * MINUTE <= end {
        let time = Time(minute * MINUTE);
        for (number, quantity) in &chosen {
            readings.push(Reading {
                series: SeriesIndex(*number),
                time,
                value: Some(steps(*quantity, minute, &mut random)),
                flag: Flag::Good,
                reasons: Reasons::NONE,
                revision: 0,
                made_by: 1,
            });
        }
        let next = minute + if minute < fine { 10 } else { 1 };
        if next.div_euclid(120) != minute.div_euclid(120) || next * MINUTE > end {
            count += readings.len() as u64;
            let received = time + Span(1_000);
            let batch = Batch {
                received,
                walked: received,
                messages: &[],
                readings: &readings,
                set_aside: &[],
            };
            history.commit(&batch).expect("a record");
            readings.clear();
        }
        minute = next;
        if time.utc_day() > sealed + 1 {
            history.seal(sealed).expect("a sealed day");
            sealed += 1;
        }
    }
    history.tend(true).expect("order");
    history.close().expect("an end");
    println!(
        "page: {count} readings of {} series in {days} days, filled in {:.0} s",
        chosen.len(),
        started.elapsed().as_secs_f64()
    );
}

/// Milliseconds until an answer is whole; the first time and the middle of the others.
fn fetched(client: &Client, at: SocketAddr, path: &str) -> (f64, f64, usize) {
    let once = || {
        let started = Instant::now();
        let answer = client.get(at, path);
        assert_eq!(answer.status, 200, "{path}: {}", answer.body);
        (started.elapsed().as_secs_f64() * 1e3, answer.body.len())
    };
    let (first, size) = once();
    (first, median((0..TIMES).map(|_| once().0).collect()), size)
}

/// Milliseconds that a bare read of whole blocks takes: their bytes, nothing decoded.
fn bare(database: &Path, stations: &[i64], from: i64, to: i64) -> (f64, usize) {
    let connection =
        rusqlite::Connection::open_with_flags(database, rusqlite::OpenFlags::SQLITE_OPEN_READ_ONLY)
            .expect("the history");
    let mut statement = connection
        .prepare("SELECT body FROM block WHERE station = ?1 AND number BETWEEN ?2 AND ?3")
        .expect("a question");
    let mut read = || {
        let mut bytes = 0;
        for &station in stations {
            let row = |day: i64| (station << 32) | (day + (1 << 31));
            let mut rows = statement.query([station, row(from), row(to)]).expect("blocks");
            while let Some(row) = rows.next().expect("a block") {
                bytes +=
                    row.get_ref(0).and_then(|r| Ok(r.as_blob()?.to_vec())).expect("a body").len();
            }
        }
        bytes
    };
    let bytes = read();
    let times = (0..TIMES)
        .map(|_| {
            let started = Instant::now();
            read();
            started.elapsed().as_secs_f64() * 1e3
        })
        .collect();
    (median(times), bytes)
}

fn stations_of(database: &Path) -> Vec<i64> {
    let connection =
        rusqlite::Connection::open_with_flags(database, rusqlite::OpenFlags::SQLITE_OPEN_READ_ONLY)
            .expect("the history");
    let mut statement =
        connection.prepare("SELECT number FROM station ORDER BY id").expect("names");
    statement.query_map([], |r| r.get(0)).and_then(Iterator::collect).expect("numbers")
}

fn push(client: &Client, at: SocketAddr) {
    for station in 0..STATIONS {
        let time = now();
        let values: Vec<String> = CHANNELS
            .iter()
            .map(|(channel, _, _, middle, _)| {
                let value = middle + (time / 1_000 % 17) as f64 * 0.01;
                format!("{{\"n\":\"{channel}\",\"v\":{value:.2}}}")
            })
            .collect();
        let body = format!(
            "[{{\"bn\":\"s{station}/\",\"bt\":{}.{:03}}},{}]",
            time / 1_000,
            time % 1_000,
            values.join(",")
        );
        let answer = client.senml(at, &token(&format!("s{station}")), &body);
        assert!(matches!(answer.status, 204 | 503), "{}", answer.body);
    }
}

/// Per cent of a core that the service takes while stations push.
fn watched(program: &Program, client: &Client) -> f64 {
    let push_at = program.address("push");
    let (began, before) = (Instant::now(), processor_time(program.id()));
    while began.elapsed() < Duration::from_secs(WATCHED) {
        push(client, push_at);
        std::thread::sleep(Duration::from_secs(EVERY));
    }
    let used = processor_time(program.id()).saturating_sub(before).as_secs_f64();
    used / began.elapsed().as_secs_f64() * 100.0
}

/// Opens the stream of live values and reads it until the task ends; bytes.
async fn view(at: SocketAddr, bytes: Arc<std::sync::atomic::AtomicU64>) {
    let mut stream = tokio::net::TcpStream::connect(at).await.expect("a connection");
    let ask = format!("GET /v1/live HTTP/1.1\r\nHost: {at}\r\nAccept: text/event-stream\r\n\r\n");
    stream.write_all(ask.as_bytes()).await.expect("a question");
    let mut part = vec![0; 16 * 1_024];
    while let Ok(count @ 1..) = stream.read(&mut part).await {
        bytes.fetch_add(count as u64, std::sync::atomic::Ordering::Relaxed);
    }
}

pub(crate) fn measure() {
    let days =
        std::env::var("ISOBARN_BENCHMARK_DAYS").ok().and_then(|s| s.parse().ok()).unwrap_or(3_652);
    let temporary = tempfile::tempdir().expect("a folder");
    let kept = std::env::var_os("ISOBARN_BENCHMARK_FOLDER").map(PathBuf::from);
    let folder = kept.unwrap_or_else(|| temporary.path().to_owned());
    std::fs::create_dir_all(&folder).expect("a folder");
    let there = folder.join("history").exists();
    let path = write(&folder);
    if !there {
        fill(&path, days, now() / MINUTE * MINUTE - MINUTE);
    }
    if std::env::var_os("ISOBARN_BENCHMARK_FILL").is_some() {
        return;
    }
    let program = Program::run(&path);
    let (client, at) = (Client::new(), program.address("http"));
    push(&client, program.address("push"));
    let database = folder.join("history/history.sqlite3");
    let stations = stations_of(&database);
    let today = now().div_euclid(DAY);
    // The present year is worked out ahead in the seconds after the start.
    std::thread::sleep(AHEAD);
    for (what, path, goal, read) in [
        ("first view", "/", Some(50), Some((&stations[..], 1))),
        ("dekad", "/?range=dekad", None, Some((&stations[..], 10))),
        ("season", "/?range=season", None, Some((&stations[..1], 92))),
        ("year", "/?range=climatological-year", Some(50), Some((&stations[..1], 365))),
        (
            "year of a station that is not worked out ahead",
            "/?range=climatological-year&station=s4",
            None,
            Some((&stations[4..], 365)),
        ),
        (
            "display",
            "/display/s0.png?width=400&height=300&depth=1",
            Some(20),
            Some((&stations[..1], 1)),
        ),
    ] {
        let (first, then, size) = fetched(&client, at, path);
        let peer = read.map(|(stations, days)| bare(&database, stations, today - days, today));
        let (peer, bytes) = peer.unwrap_or((f64::NAN, 0));
        let goal = goal.map_or_else(String::new, |g: u32| format!(" (goal {g})"));
        println!(
            "page: {what} {then:.1} ms{goal}, the first time {first:.1} ms; {size} bytes; bare read of its blocks {peer:.2} ms ({bytes} bytes), ratio {:.1}",
            then / peer
        );
    }
    println!("page: resident memory {:.1} MiB", resident(program.id()) as f64 / 1_048_576.0);
    let alone = watched(&program, &client);
    let bytes = Arc::new(std::sync::atomic::AtomicU64::new(0));
    let runtime = runtime(1);
    for _ in 0..VIEWERS {
        runtime.spawn(view(at, Arc::clone(&bytes)));
    }
    std::thread::sleep(Duration::from_secs(2));
    let with = watched(&program, &client);
    println!(
        "page: {VIEWERS} viewers: {with:.2} % of a core (goal 5), {alone:.2} % without them; {} bytes a viewer",
        bytes.load(std::sync::atomic::Ordering::Relaxed) / VIEWERS as u64
    );
    runtime.shutdown_background();
}
