//! The answers of a page that really listens.

use super::{Page, bind, serve};
use crate::clock::{Clock, HandClock};
use crate::commands::demo::request;
use crate::counts::Counts;
use crate::fixture::{self, NOON};
use crate::snapshot::{Snapshot, View};
use adapters::port::{Refused, State, Watch};
use history::{Batch, History};
use observation::refusal::Stage;
use observation::{
    Flag, Reading, Reasons, Refusal, SeriesIndex, SourceIndex, Span, StationIndex, Time,
};
use serde_json::Value;
use std::io::{Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::sync::Arc;
use std::time::{Duration, Instant};
use tokio::sync::watch;
use tokio_util::sync::CancellationToken;

struct Running {
    address: SocketAddr,
    snapshots: watch::Sender<Arc<Snapshot>>,
    counts: Arc<Counts>,
    stop: CancellationToken,
    folder: tempfile::TempDir,
    served: tokio::task::JoinHandle<()>,
    runtime: tokio::runtime::Runtime,
}

impl Running {
    /// A page over a snapshot, with an empty history.
    fn over(snapshot: Snapshot) -> Self {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(
            folder.path().join("isobarn.toml"),
            "[property]\nname = \"Alder Croft\"\nlatitude = 54.07\nlongitude = -2.28\n\
             elevation = \"212 m\"\ntime_zone = \"Europe/London\"\n\
             [history]\ndirectory = \"history\"\n",
        )
        .unwrap();
        let settings = config::load(&folder.path().join("isobarn.toml"), &[]).unwrap();
        let clock: Arc<dyn Clock> = Arc::new(HandClock::at(NOON));
        let sources = [("push".to_owned(), "http".to_owned())];
        let counts =
            Arc::new(Counts::new(Arc::clone(&snapshot.property), Arc::clone(&clock), &sources));
        counts.state(SourceIndex(0), State::Up);
        counts.beat();
        let snapshots = watch::Sender::new(Arc::new(snapshot));
        let view = View {
            settings: Arc::new(settings),
            snapshots: snapshots.subscribe(),
            counts: Arc::clone(&counts),
            clock,
        };
        let stop = CancellationToken::new();
        let page = Page::new(view, stop.clone()).unwrap();
        let runtime = tokio::runtime::Runtime::new().unwrap();
        let listener = runtime.block_on(bind("127.0.0.1:0".parse().unwrap())).unwrap();
        let address = listener.local_addr().unwrap();
        let served = runtime.spawn(serve(page, listener));
        Self { address, snapshots, counts, stop, folder, served, runtime }
    }

    fn get(&self, path: &str) -> (u16, String) {
        request::send(self.address, path, None, None).unwrap()
    }

    fn json(&self, path: &str) -> Value {
        let (status, body) = self.get(path);
        assert_eq!(status, 200, "{path}: {body}");
        serde_json::from_str(&body).unwrap_or_else(|e| panic!("{path}: {e}: {body}"))
    }

    /// A whole exchange with headers.
    fn raw(&self, request: &str) -> String {
        let mut stream = TcpStream::connect(self.address).unwrap();
        stream.set_read_timeout(Some(Duration::from_secs(10))).unwrap();
        stream.write_all(request.as_bytes()).unwrap();
        let mut answer = String::new();
        stream.read_to_string(&mut answer).unwrap();
        answer
    }

    /// Fills the history with one reading a minute of each series given.
    fn keep(&self, series: &[u32], minutes: i64) {
        let directory = self.folder.path().join("history");
        let (mut history, _) = History::open(&directory, &history::Options::at(NOON)).unwrap();
        let snapshot = self.snapshots.borrow().clone();
        let sources = ["push".to_owned()];
        history.register(NOON, &snapshot.property, &snapshot.series, &sources).unwrap();
        let readings: Vec<Reading> = (1..=minutes)
            .flat_map(|m| series.iter().map(move |&s| (m, s)))
            .map(|(minute, series)| Reading {
                series: SeriesIndex(series),
                time: start() + Span::minutes(minute),
                value: Some(minute),
                flag: Flag::Good,
                reasons: Reasons::NONE,
                revision: 0,
                made_by: 1,
            })
            .collect();
        for part in readings.chunks(10_000) {
            history
                .commit(&Batch {
                    received: NOON,
                    walked: NOON,
                    messages: &[],
                    readings: part,
                    set_aside: &[],
                })
                .unwrap();
        }
        history.close().unwrap();
    }
}

fn start() -> Time {
    Time::parse("2026-03-01T00:00:00Z").unwrap()
}

#[test]
fn the_newest_values_and_the_stations_are_told() {
    let page = Running::over(fixture::heard("Orchard", NOON));
    let latest = page.json("/v1/latest");
    let of = |latest: &Value, instrument: &str, statistic: &str| -> Value {
        latest["latest"]
            .as_array()
            .unwrap()
            .iter()
            .find(|r| r["instrument"] == instrument && r["statistic"] == statistic)
            .unwrap_or_else(|| panic!("no {instrument} {statistic} in {latest}"))
            .clone()
    };
    let screen = of(&latest, "screen_temperature", "point");
    assert_eq!(screen["value"], 17.3);
    assert_eq!(
        (&screen["unit"], &screen["flag"], &screen["fresh"]),
        (&"Cel".into(), &"good".into(), &true.into())
    );
    let gust = of(&latest, "cup", "maximum");
    assert_eq!((&gust["over"], &gust["period"]), (&"PT3S".into(), &"PT10M".into()));
    let rain = &latest["rain"][0];
    assert_eq!(rain["rain_day"], 1.2);
    let texts: Vec<(&str, &str)> = rain["totals"]
        .as_array()
        .unwrap()
        .iter()
        .map(|t| (t["span"].as_str().unwrap(), t["text"].as_str().unwrap()))
        .collect();
    assert_eq!(
        texts,
        [
            ("hour", "0.4 mm"),
            ("day", "at least 3.2 mm, 5 h missing"),
            ("rain_day", "1.2 mm"),
            ("month", "at least 41.0 mm, 5 h missing"),
            ("year", "at least 300.2 mm, 5 h missing"),
        ]
    );
    assert_eq!((&rain["event"]["depth"], &rain["event"]["lasts"]), (&1.4.into(), &true.into()));
    let gusts = &latest["gusts"][0];
    assert_eq!((&gusts["over"], &gusts["hour"]["value"]), (&"PT3S".into(), &9.1.into()));
    let seven = (NOON - Span::hours(7)).to_string();
    assert_eq!((&gusts["day"]["value"], &gusts["day"]["time"]), (&14.3.into(), &seven.into()));
    let absent = &latest["absent"][0];
    assert_eq!(absent["quantity"], "wind_chill_of_air_temperature");
    assert!(absent["reason"].as_str().unwrap().contains("-60 to 10 Cel"), "{absent}");
    page.counts.refused(
        SourceIndex(0),
        Refused {
            station: Some(StationIndex(0)),
            stage: Stage::Decode,
            reason: Refusal::Unit,
            detail: "key t: `K` expected",
        },
    );
    let stations = page.json("/v1/stations");
    let orchard = &stations["stations"][0];
    assert_eq!((&orchard["id"], &orchard["up"]), (&"orchard".into(), &true.into()));
    assert_eq!(orchard["instruments"].as_array().map(Vec::len), Some(4));
    assert_eq!(orchard["refused"][0]["reason"], "unit");
    assert_eq!(page.json("/v1/diagnoses"), serde_json::json!({ "diagnoses": [] }));
    let (status, metrics) = page.get("/metrics");
    assert_eq!(status, 200);
    assert!(metrics.contains("isobarn_air_temperature_celsius{"), "{metrics}");
}

#[test]
fn every_path_is_described_and_every_described_path_answers() {
    let page = Running::over(fixture::silent("Orchard"));
    page.keep(&[0], 1);
    let description = page.json("/v1/openapi.json");
    assert_eq!(description["info"]["version"], env!("CARGO_PKG_VERSION"));
    let paths = description["paths"].as_object().unwrap();
    // What is not here is pushed to another listener, and tried with that one.
    let here: Vec<&str> = paths
        .iter()
        .filter(|(_, p)| p["servers"].is_null())
        .map(|(path, _)| path.as_str())
        .collect();
    for path in here.iter().filter(|p| !["/v1/live", "/display/{name}.png"].contains(p)) {
        let (status, body) = page.get(&path.replace("{name}", "orchard"));
        assert_eq!(status, 200, "{path}: {body}");
    }
    // The router does not tell its paths; its source does.
    let routes: Vec<&str> = include_str!("mod.rs")
        .split(".route(\"")
        .skip(1)
        .map(|rest| rest.split_once('"').unwrap().0)
        .filter(|path| !path.starts_with("/page/"))
        .collect();
    assert!(routes.len() > 10, "{routes:?}");
    for route in routes {
        let described = route.replace("{file}", "{name}.png");
        assert!(here.contains(&described.as_str()), "{route} is not described");
    }
}

#[test]
fn problems_are_problem_documents() {
    let page = Running::over(fixture::silent("Orchard"));
    page.keep(&[0], 1);
    for (request, status) in [
        ("GET /v1/frog HTTP/1.0\r\n\r\n", 404),
        ("POST /v1/latest HTTP/1.0\r\nContent-Length: 0\r\n\r\n", 405),
        ("GET /v1/readings?step=frog HTTP/1.0\r\n\r\n", 400),
        ("GET /v1/readings?station=frog HTTP/1.0\r\n\r\n", 400),
        ("GET /v1/readings?statoin=orchard HTTP/1.0\r\n\r\n", 400),
        ("GET /v1/readings?quantity=%00 HTTP/1.0\r\n\r\n", 400),
        ("GET /v1/summaries?by=week HTTP/1.0\r\n\r\n", 400),
        ("GET /v1/summaries?day=frog HTTP/1.0\r\n\r\n", 400),
        ("GET /v1/summaries?step=PT1H HTTP/1.0\r\n\r\n", 400),
        ("GET /v1/summaries?station=frog HTTP/1.0\r\n\r\n", 400),
    ] {
        let answer = page.raw(request);
        assert!(answer.starts_with(&format!("HTTP/1.0 {status}")), "{request}: {answer}");
        assert!(answer.contains("application/problem+json"), "{request}: {answer}");
        let (_, body) = answer.split_once("\r\n\r\n").unwrap();
        let document: Value = serde_json::from_str(body).unwrap();
        assert_eq!(document["status"], status, "{request}");
    }
}

#[test]
fn readings_are_given_in_three_forms_with_both_ends_as_told() {
    let page = Running::over(fixture::silent("Orchard"));
    page.keep(&[0, 4], 60);
    let path =
        "/v1/readings?from=2026-03-01T00:10:00Z&to=2026-03-01T00:20:00Z&quantity=air_temperature";
    let answer = page.json(path);
    let rows = answer["readings"].as_array().unwrap();
    assert_eq!(rows.len(), 10, "from inclusive, to exclusive");
    assert_eq!(rows[0]["time"], "2026-03-01T00:10:00Z");
    assert_eq!(rows[0]["value"], 0.1);
    assert_eq!(answer["next"], Value::Null);
    let (_, lines) = page.get(&format!("{path}&format=jsonl"));
    let from_lines: Vec<Value> = lines.lines().map(|l| serde_json::from_str(l).unwrap()).collect();
    assert_eq!(&from_lines, rows);
    let (_, csv) = page.get(&format!("{path}&format=csv"));
    assert_eq!(csv.lines().count(), 11);
    assert!(csv.starts_with("time,station,instrument,quantity,"), "{csv}");
    let all = page.json("/v1/readings?from=2026-03-01T00:00:00Z&to=2026-03-02T00:00:00Z");
    assert_eq!(all["readings"].as_array().map(Vec::len), Some(120));
}

#[test]
fn days_are_summarised_in_three_forms() {
    let page = Running::over(fixture::silent("Orchard"));
    page.keep(&[0, 2], 60);
    let path = "/v1/summaries?from=2026-03-01T00:00:00Z&to=2026-03-02T00:00:00Z";
    let answer = page.json(path);
    let rows = answer["summaries"].as_array().unwrap();
    let of = |quantity: &str| rows.iter().find(|r| r["quantity"] == quantity).unwrap();
    // Hundredths of a degree, thousandths of a millimetre, 1 to 60.
    let warmth = of("air_temperature");
    assert_eq!(warmth["maximum"], 0.6, "{warmth}");
    assert_eq!(warmth["maximum_at"], "2026-03-01T01:00:00Z");
    assert_eq!((&warmth["by"], &warmth["day"]), (&"day".into(), &"civil".into()));
    assert_eq!(warmth["mean"], Value::Null, "an hour is no day");
    let rain = of("lwe_thickness_of_precipitation_amount");
    assert_eq!(rain["sum"], 1.83, "{rain}");
    assert!(rain["text"].as_str().unwrap().starts_with("at least 1.8 mm, "), "{rain}");
    let hours = page.json(&format!("{path}&by=hour&quantity=air_temperature"));
    assert_eq!(hours["summaries"].as_array().map(Vec::len), Some(1));
    let (_, lines) = page.get(&format!("{path}&format=jsonl"));
    assert_eq!(lines.lines().count(), rows.len());
    let (_, csv) = page.get(&format!("{path}&format=csv"));
    assert!(csv.starts_with("from,to,date,by,day,station,"), "{csv}");
    assert_eq!(csv.lines().count(), rows.len() + 1);
}

#[test]
fn readings_are_summarised_over_steps() {
    let page = Running::over(fixture::silent("Orchard"));
    page.keep(&[0, 2], 60);
    let path = "/v1/readings?from=2026-03-01T00:00:00.001Z&to=2026-03-02T00:00:00Z&step=30%20min";
    let answer = page.json(path);
    let rows = answer["readings"].as_array().unwrap();
    assert_eq!(rows.len(), 4);
    let of = |quantity: &str| -> Vec<(&str, f64, u64)> {
        rows.iter()
            .filter(|r| r["quantity"] == quantity)
            .map(|r| {
                let time = r["time"].as_str().unwrap();
                (time, r["value"].as_f64().unwrap(), r["count"].as_u64().unwrap())
            })
            .collect()
    };
    // Hundredths of a degree 1 to 30 and 31 to 60; thousandths of a millimetre summed.
    assert_eq!(
        of("air_temperature"),
        [("2026-03-01T00:30:00Z", 0.16, 30), ("2026-03-01T01:00:00Z", 0.46, 30)]
    );
    assert_eq!(
        of("lwe_thickness_of_precipitation_amount"),
        [("2026-03-01T00:30:00Z", 0.465, 30), ("2026-03-01T01:00:00Z", 1.365, 30)]
    );
    let (_, csv) = page.get(&format!("{path}&format=csv"));
    assert_eq!(csv.lines().count(), 5, "{csv}");
    let columns =
        csv.lines().map(|l| l.split(',').count()).collect::<std::collections::BTreeSet<_>>();
    assert_eq!(columns.len(), 1, "{csv}");
}

#[test]
fn more_than_an_answer_holds_is_continued_without_loss_or_repeat() {
    let page = Running::over(fixture::silent("Orchard"));
    let minutes = 30_000;
    page.keep(&[0, 1, 3, 4], minutes);
    let mut path =
        "/v1/readings?from=2026-03-01T00:00:00Z&to=2026-12-01T00:00:00Z&format=csv".to_owned();
    let (mut seen, mut answers) = (std::collections::HashSet::new(), 0);
    loop {
        let answer = page.raw(&format!("GET {path} HTTP/1.0\r\n\r\n"));
        let (head, body) = answer.split_once("\r\n\r\n").unwrap();
        answers += 1;
        let rows: Vec<&str> = body.lines().skip(1).collect();
        assert!(rows.len() <= super::readings::MOST_ROWS);
        for row in rows {
            assert!(seen.insert(row.to_owned()), "twice: {row}");
        }
        let next = head.lines().find_map(|l| l.strip_prefix("link: <"));
        let Some(next) = next else { break };
        path = next.split('>').next().unwrap().to_owned();
    }
    assert!(answers >= 2, "one answer held it all");
    assert_eq!(seen.len(), usize::try_from(4 * minutes).unwrap());
}

#[test]
fn health_is_good_degraded_or_failed() {
    let page = Running::over(fixture::heard("Orchard", NOON));
    assert_eq!(page.json("/health")["status"], "good");
    page.snapshots.send_replace(Arc::new(fixture::silent("Orchard")));
    let health = page.json("/health");
    assert_eq!(health["status"], "degraded");
    assert!(health["reasons"][0].as_str().unwrap().contains("orchard is silent"), "{health}");
    let mut full = fixture::heard("Orchard", NOON);
    full.history.fault = Some("the disk is full".to_owned());
    page.snapshots.send_replace(Arc::new(full));
    let (status, body) = page.get("/health");
    assert_eq!(status, 503);
    assert!(body.contains("\"failed\"") && body.contains("the disk is full"), "{body}");
    page.snapshots.send_replace(Arc::new(fixture::heard("Orchard", NOON)));
    page.counts.state(SourceIndex(0), State::Fault("port 8674 is taken".to_owned()));
    let (status, body) = page.get("/health");
    assert_eq!(status, 503);
    assert!(body.contains("port 8674 is taken"), "{body}");
}

#[test]
fn hostile_names_stay_text_and_no_script_but_our_own_is_allowed() {
    let hostile = "<script>alert('x')</script>\"&";
    let page = Running::over(fixture::heard(hostile, NOON));
    let answer = page.raw("GET / HTTP/1.0\r\n\r\n");
    let (head, body) = answer.split_once("\r\n\r\n").unwrap();
    assert!(!body.contains("<script>"), "{body}");
    assert_eq!(body.matches("<script").count(), 1, "only our own file: {body}");
    assert!(body.contains("&lt;script&gt;alert('x')&lt;/script&gt;&quot;&amp;"), "{body}");
    assert!(head.contains("content-security-policy: default-src 'none'"), "{head}");
    assert!(!body.contains(" style="), "{body}");
    assert!(body.contains("17.3\u{a0}\u{b0}C"), "{body}");
}

#[test]
fn live_tells_everything_once_then_what_changes_and_ends_with_the_service() {
    let page = Running::over(fixture::heard("Orchard", NOON));
    let mut stream = TcpStream::connect(page.address).unwrap();
    stream.set_read_timeout(Some(Duration::from_millis(100))).unwrap();
    stream.write_all(b"GET /v1/live HTTP/1.1\r\nHost: x\r\n\r\n").unwrap();
    let mut text = String::new();
    let mut until = |wanted: &str| {
        let deadline = Instant::now() + Duration::from_secs(10);
        let mut buffer = [0_u8; 4_096];
        while !text.contains(wanted) {
            assert!(Instant::now() < deadline, "no {wanted} in {text}");
            match stream.read(&mut buffer) {
                Ok(0) => panic!("the stream ended without {wanted}: {text}"),
                Ok(n) => text.push_str(&String::from_utf8_lossy(&buffer[..n])),
                Err(_) => {}
            }
        }
        text.len()
    };
    until("\"value\":17.3,");
    let mut changed = fixture::heard("Orchard", NOON + Span::seconds(30));
    changed.live[0].as_mut().unwrap().value = Some(1_825);
    page.snapshots.send_replace(Arc::new(changed));
    until("\"value\":18.25,");
    let asked = Instant::now();
    page.stop.cancel();
    page.runtime.block_on(page.served).unwrap();
    assert!(asked.elapsed() < Duration::from_secs(2));
    let mut rest = Vec::new();
    stream.set_read_timeout(Some(Duration::from_secs(5))).unwrap();
    stream.read_to_end(&mut rest).unwrap();
}

/// The attribute of the element whose `data-series` begins with `series`.
fn attribute<'a>(html: &'a str, series: &str, name: &str) -> &'a str {
    let at = html.find(&format!("data-series=\"{series}")).unwrap_or_else(|| panic!("no {series}"));
    let rest = &html[at..];
    let start = rest.find(&format!("{name}=\"")).unwrap() + name.len() + 2;
    rest[start..].split('"').next().unwrap()
}

#[test]
fn the_panes_hold_the_least_and_greatest_of_what_the_interface_gives() {
    let page = Running::over(fixture::heard("Orchard", NOON));
    page.keep(&[0, 2, 4, 5], 1_440);
    let (status, html) = page.get("/?until=2026-03-01T20:00:00Z");
    assert_eq!(status, 200, "{html}");
    assert!(html.len() <= 150 * 1_024, "{}", html.len());
    let api = page.json(
        "/v1/readings?from=2026-02-28T20:00:00.001Z&to=2026-03-01T20:00:00.001Z&quantity=air_temperature",
    );
    // 480 columns of three minutes each.
    let mut columns: Vec<Option<(f64, f64)>> = vec![None; 480];
    for row in api["readings"].as_array().unwrap() {
        let time = Time::parse(row["time"].as_str().unwrap()).unwrap();
        let value = row["value"].as_f64().unwrap();
        let since = time - Time::parse("2026-02-28T20:00:00Z").unwrap();
        let cell = &mut columns[usize::try_from(since.0 / 180_000).unwrap().min(479)];
        *cell = Some(cell.map_or((value, value), |(l, h)| (l.min(value), h.max(value))));
    }
    let drawn: Vec<Option<(f64, f64)>> =
        attribute(&html, "orchard/screen_temperature/air_temperature/mean//PT1M", "data-values")
            .split(',')
            .map(|cell| {
                let numbers: Vec<f64> =
                    cell.split_whitespace().map(|n| n.parse().unwrap()).collect();
                numbers.first().map(|low| (*low, *numbers.last().unwrap()))
            })
            .collect();
    assert!(columns.iter().filter(|c| c.is_none()).count() > 60, "four hours are missing");
    assert_eq!(drawn, columns);
    assert_eq!(
        attribute(&html, "orchard/screen_temperature/", "data-unit"),
        api["readings"][0]["unit"].as_str().unwrap()
    );
    // What is missing is said, not drawn as nothing.
    assert!(html.contains("at least"), "the first hours of rain are missing");
    for id in ["barogram", "warmth", "wind", "rain"] {
        assert_eq!(html.contains(&format!("id=\"{id}\"")), id != "barogram", "{id}");
    }
}

#[test]
fn ranges_are_links_and_others_are_refused() {
    let page = Running::over(fixture::heard("Orchard", NOON));
    page.keep(&[0], 60);
    let (_, html) = page.get("/");
    for range in
        ["24h", "overnight", "48h", "barogram-week", "dekad", "season", "climatological-year"]
    {
        let path = format!("/?range={range}&station=orchard");
        assert!(html.contains(&path.replace('&', "&amp;")), "no link to {path}");
        assert_eq!(page.get(&path).0, 200, "{path}");
    }
    for path in
        ["/?range=frog", "/?until=yesterday", "/?station=frog", "/?frog=1", "/?range=24h&range=24h"]
    {
        assert_eq!(page.get(path).0, 400, "{path}");
    }
    for (path, kind) in [("/page/style.css", "text/css"), ("/page/live.js", "text/javascript")] {
        let answer = page.raw(&format!("GET {path} HTTP/1.0\r\n\r\n"));
        assert!(answer.starts_with("HTTP/1.0 200") && answer.contains(kind), "{path}");
        assert!(!answer.contains("://"), "no other host: {path}");
    }
}

#[test]
fn a_page_without_a_history_still_tells_the_newest_values() {
    let page = Running::over(fixture::heard("Orchard", NOON));
    let (status, html) = page.get("/");
    assert_eq!(status, 200);
    assert!(html.contains("17.3\u{a0}\u{b0}C"), "{html}");
    assert!(html.contains("The history cannot be read"), "{html}");
}

#[test]
fn displays_are_told_in_pictures_of_any_depth_and_in_json() {
    let page = Running::over(fixture::heard("Orchard", NOON));
    page.keep(&[0], 60);
    for (depth, width, height) in [(1, 400, 300), (2, 300, 400), (4, 128, 64), (8, 800, 480)] {
        let path = format!("/display/orchard.png?depth={depth}&width={width}&height={height}");
        let mut stream = TcpStream::connect(page.address).unwrap();
        stream.write_all(format!("GET {path} HTTP/1.0\r\n\r\n").as_bytes()).unwrap();
        let mut answer = Vec::new();
        stream.read_to_end(&mut answer).unwrap();
        let start = answer.windows(4).position(|w| w == b"\r\n\r\n").unwrap() + 4;
        let head = String::from_utf8_lossy(&answer[..start]).to_lowercase();
        assert!(head.starts_with("http/1.0 200"), "{path}: {head}");
        for header in ["etag: ", "cache-control: max-age=", "retry-after: ", "image/png"] {
            assert!(head.contains(header), "{path}: {head}");
        }
        // PNG (RFC 2083, 4.1.1): width, height and depth stand in the first chunk.
        let png = &answer[start..];
        assert_eq!(png[16..24], [u32::to_be_bytes(width), u32::to_be_bytes(height)].concat()[..]);
        assert_eq!(png[24], depth);
    }
    let told = page.json("/display/orchard.json");
    assert_eq!(told["air"]["value"], 17.3, "{told}");
    assert_eq!((&told["stale_since"], &told["change"]["value"]), (&Value::Null, &Value::Null));
    let answer = page.raw("GET /display/orchard.json HTTP/1.0\r\n\r\n");
    let tag = answer.lines().find_map(|l| l.strip_prefix("etag: ")).unwrap().to_owned();
    let again =
        page.raw(&format!("GET /display/orchard.json HTTP/1.0\r\nIf-None-Match: {tag}\r\n\r\n"));
    assert!(again.starts_with("HTTP/1.0 304"), "{again}");
    page.snapshots.send_replace(Arc::new(fixture::silent("Orchard")));
    assert_ne!(page.json("/display/orchard.json")["stale_since"], Value::Null);
    for path in ["/display/frog.png", "/display/orchard.gif", "/display/orchard"] {
        assert_eq!(page.get(path).0, 404, "{path}");
    }
    for query in ["depth=3", "width=1", "height=9000", "colour=1"] {
        assert_eq!(page.get(&format!("/display/orchard.png?{query}")).0, 400, "{query}");
    }
}
