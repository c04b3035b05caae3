//! Bytes physically written by the service itself: `isobarn run` behind a real mosquitto,
//! and with stations straight at its inlet, five stations that send a message of twelve
//! channels every two seconds at `QoS` 1, for some minutes at each commit interval.
//!
//! Written is what the kernel counts for the ended process (`write_bytes` of
//! `/proc/self/io` takes reaped children in), from start to the last commit at its stop,
//! less what a service takes that is started and stopped alone; scaled to a day. Minutes
//! and intervals are set by `ISOBARN_BENCHMARK_MINUTES` (3) and
//! `ISOBARN_BENCHMARK_INTERVALS` (`1 2 10 30`); `ISOBARN_BENCHMARK_WINDOW` sets how many
//! messages the broker has under way at most.

use crate::service::{start, token};
use bytes::BytesMut;
use isobarn_tests::peers::mosquitto_with;
use isobarn_tests::program::Program;
use isobarn_tests::wait::free_port;
use rumqttc::mqttbytes::QoS;
use rumqttc::mqttbytes::v4::{Connect, Login, Packet, Publish};
use std::fmt::Write as _;
use std::io::{Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::path::Path;
use std::time::{Duration, Instant};

const STATIONS: usize = 5;
const CHANNELS: usize = 12;
const EVERY: Duration = Duration::from_secs(2);
const INLET: &str = "[source.mqtt_inlet.yard]\nlisten = \"127.0.0.1:0\"";

/// Sends until `until`; how many messages were acknowledged, and of how many.
fn station(address: SocketAddr, station: usize, until: Instant, interval: Duration) -> (u64, u64) {
    let mut stream = TcpStream::connect(address).expect("a listener");
    stream.set_read_timeout(Some(Duration::from_secs(120))).expect("a socket");
    let mut out = BytesMut::new();
    let mut connect = Connect::new(format!("load-{station}"));
    connect.login = Some(Login { username: format!("s{station}"), password: token(station) });
    connect.keep_alive = 120;
    connect.write(&mut out).expect("a packet");
    stream.write_all(&out).expect("a live peer");
    let mut answer = [0; 4];
    stream.read_exact(&mut answer).expect("a live peer");
    assert_eq!((answer[0], answer[3]), (0x20, 0), "accepted");
    let reading = stream.try_clone().expect("a socket");
    let reader = std::thread::spawn(move || acknowledgements(reading));
    let mut random = fastrand::Rng::with_seed(station as u64);
    let mut steps = [1_500_i64; CHANNELS];
    let mut sent = 0_u64;
    // Stations speak one after the other.
    std::thread::sleep(EVERY * station as u32 / STATIONS as u32);
    while Instant::now() < until {
        let mut payload = String::from("{");
        for (channel, step) in steps.iter_mut().enumerate() {
            *step += random.i64(-3..=3);
            let comma = if channel > 0 { "," } else { "" };
            write!(payload, "{comma}\"c{channel}\":{:.2}", *step as f64 / 100.0)
                .expect("a string grows");
        }
        payload.push('}');
        sent += 1;
        let mut publish = Publish::new(format!("s{station}"), QoS::AtLeastOnce, payload);
        publish.pkid = (sent % 60_000) as u16 + 1;
        out.clear();
        publish.write(&mut out).expect("a packet");
        stream.write_all(&out).expect("a live peer");
        std::thread::sleep(EVERY);
    }
    // What is owed comes within the interval.
    std::thread::sleep(interval + Duration::from_secs(1));
    drop(stream.shutdown(std::net::Shutdown::Write));
    (reader.join().expect("a reader ends well"), sent)
}

fn acknowledgements(mut stream: TcpStream) -> u64 {
    let (mut input, mut part, mut count) = (BytesMut::new(), [0; 1_024], 0);
    while let Ok(length @ 1..) = stream.read(&mut part) {
        input.extend_from_slice(&part[..length]);
        while let Ok(Packet::PubAck(_)) = Packet::read(&mut input, 1_024) {
            count += 1;
        }
    }
    count
}

/// What a run wrote, and of what.
struct Run {
    bytes: u64,
    commits: f64,
    /// Commits by what made them due, in words.
    reasons: String,
    /// Messages acknowledged by whoever stations send to, and sent.
    acknowledged: u64,
    sent: u64,
    /// Samples that the service took.
    accepted: f64,
    /// Bytes of the processor's state as it was saved last.
    state: u64,
}

/// Runs the service for so long.
fn run(folder: &Path, seconds: u64, broker: bool, lasting: Duration) -> Run {
    let before = crate::commits::written();
    // How many messages the broker has under way is its own default unless told.
    let window = std::env::var("ISOBARN_BENCHMARK_WINDOW");
    let window = window.map_or_else(|_| String::new(), |n| format!("max_inflight_messages {n}\n"));
    let peer = broker
        .then(|| mosquitto_with(folder, free_port(), &format!("allow_anonymous true\n{window}")));
    let source = peer.as_ref().map_or_else(
        || INLET.to_owned(),
        |peer| {
            format!(
                "[source.mqtt.yard]\nbroker = \"mqtt://{}\"\n\
                 subscribe = [{{ filter = \"+station\", payload = \"json\" }}]",
                peer.address
            )
        },
    );
    let program: Program = start(folder, &format!("{seconds} s"), &source);
    let address = peer.as_ref().map_or_else(|| program.address("yard"), |p| p.address);
    let (until, interval) = (Instant::now() + lasting, Duration::from_secs(seconds));
    let mut messages = (0, 0);
    if !lasting.is_zero() {
        let senders: Vec<_> = (0..STATIONS)
            .map(|s| std::thread::spawn(move || station(address, s, until, interval)))
            .collect();
        for sender in senders {
            let (acknowledged, sent) = sender.join().expect("a station ends well");
            messages = (messages.0 + acknowledged, messages.1 + sent);
        }
    }
    let page = isobarn_tests::push::Client::new().get(program.address("http"), "/metrics").body;
    let metric = |start: &str| {
        page.lines()
            .find_map(|l| l.strip_prefix(start))
            .and_then(|n| n.trim().parse::<f64>().ok())
            .expect("the metric")
    };
    let commits = metric("isobarn_history_commit_seconds_count ");
    let accepted = metric("isobarn_samples_total{source=\"yard\",result=\"accepted\"} ");
    let reasons: Vec<String> = page
        .lines()
        .filter_map(|l| l.strip_prefix("isobarn_history_commits_total{reason=\""))
        .filter_map(|l| l.split_once("\"} "))
        .filter(|(_, count)| *count != "0")
        .map(|(reason, count)| format!("{reason} {count}"))
        .collect();
    let (status, said) = program.terminate();
    assert_eq!(status, Some(0), "{said}");
    let bytes = crate::commits::written() - before;
    drop(peer);
    let (acknowledged, sent) = messages;
    let store = folder.join("history/history.sqlite3");
    let state: i64 = rusqlite::Connection::open(store)
        .and_then(|c| {
            c.query_row("SELECT total(length(body)) FROM state", [], |r| r.get::<_, f64>(0))
        })
        .expect("a history") as i64;
    let state = state.unsigned_abs();
    Run { state, bytes, commits, reasons: reasons.join(", "), acknowledged, sent, accepted }
}

/// Prints the table.
pub(crate) fn compare() {
    let setting = |name: &str, usual: &str| std::env::var(name).unwrap_or_else(|_| usual.into());
    let minutes: f64 = setting("ISOBARN_BENCHMARK_MINUTES", "3").parse().expect("minutes");
    let lasting = Duration::from_secs_f64(minutes * 60.0);
    println!(
        "| commit interval | way in | messages acknowledged to stations | taken by the service | commits | why | written in {minutes} min | a day |"
    );
    println!("|---|---|---|---|---|---|---|---|");
    for seconds in setting("ISOBARN_BENCHMARK_INTERVALS", "1 2 10 30").split_whitespace() {
        let seconds: u64 = seconds.parse().expect("seconds");
        for broker in [true, false] {
            let folder = || tempfile::tempdir().expect("a folder");
            let alone = run(folder().path(), seconds, broker, Duration::ZERO).bytes;
            let Run { bytes, commits, reasons, acknowledged, sent, accepted, state } =
                run(folder().path(), seconds, broker, lasting);
            let bytes = bytes.saturating_sub(alone) as f64;
            println!(
                "| {seconds} s (state of {state} bytes) | {} | {acknowledged} of {sent} | {} | {commits} | {reasons} | {:.2} MB (and {:.2} MB for a start) | {:.0} MB |",
                if broker { "mosquitto" } else { "inlet" },
                accepted / CHANNELS as f64,
                bytes / 1e6,
                alone as f64 / 1e6,
                bytes / 1e6 * 1_440.0 / minutes
            );
        }
    }
}
