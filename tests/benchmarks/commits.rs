//! What a durable commit costs: commits a second, and bytes written to the device in a
//! day of five stations with twelve channels every two seconds, both against a bare table
//! of SQLite that takes rows of the same length, one a commit.
//!
//! Written is what the kernel counts for this process (`write_bytes` of `/proc/self/io`):
//! pages of files, without the journal of the file system. The day is simulated: messages
//! as the MQTT inlet hands them over, a reading a minute of each channel, and at its end
//! the log moved into the database and the day sealed.

use crate::history_size::START;
use crate::measure::{Figure, figure, in_turns};
use history::{Batch, History, Options, Selection};
use observation::property::Channel;
use observation::sample::{Measured, Message, Redelivery, SourceIndex, Stated, Value};
use observation::time::{DAY, MINUTE};
use observation::{
    ChannelIndex, Finite, Flag, Property, Quantity, Reading, Reasons, Series, SeriesIndex, Span,
    StationIndex, Statistic, Time, Unit,
};
use rusqlite::Connection;
use std::path::Path;
use std::sync::Arc;
use std::time::{Duration, Instant};

const STATIONS: u16 = 5;
const CHANNELS: u32 = 12;
/// Time between two messages of a station.
const EVERY: i64 = 2_000;

fn property() -> Property {
    let mut property = Property::default();
    for n in 0..STATIONS {
        property.stations.push(crate::measured::station(&format!("station{n}")));
        for channel in 0..CHANNELS {
            property.channels.push(Channel {
                station: StationIndex(n),
                name: format!("c{channel}"),
                unit: Unit::parse("Cel").expect("a unit"),
                senml_name: None,
                accepts_text: false,
            });
        }
    }
    property.indexed()
}

fn series() -> Vec<Series> {
    (0..u32::from(STATIONS) * CHANNELS)
        .map(|n| Series {
            station: format!("station{}", n / CHANNELS),
            instrument: format!("i{}", n % CHANNELS),
            quantity: Quantity::parse("air_temperature").expect("a quantity"),
            statistic: Statistic::Point,
            over: None,
            period: None,
        })
        .collect()
}

fn opened(folder: &Path) -> History {
    let (mut history, _) = History::open(folder, &Options::at(START)).expect("a history");
    history.register(START, &property(), &series(), &["yard".to_owned()]).expect("names");
    history
}

/// Senders whose values wander by hundredths.
struct Senders {
    random: fastrand::Rng,
    steps: Vec<i64>,
    packet: u16,
    names: Vec<(Arc<str>, Arc<str>)>,
}

impl Senders {
    fn new() -> Self {
        let names = (0..STATIONS)
            .map(|n| (Arc::from(format!("logger{n}")), Arc::from(format!("station{n}"))));
        Self {
            random: fastrand::Rng::with_seed(1),
            steps: vec![1_500; usize::from(STATIONS) * CHANNELS as usize],
            packet: 0,
            names: names.collect(),
        }
    }

    fn message(&mut self, station: u16, received: Time) -> Message {
        let samples = (0..CHANNELS)
            .map(|channel| {
                let channel = u32::from(station) * CHANNELS + channel;
                let step = &mut self.steps[channel as usize];
                *step += self.random.i64(-3..=3);
                let value = Finite::new(*step as f64 / 100.0).expect("finite");
                Measured {
                    channel: ChannelIndex(channel),
                    value: Value::Number(value),
                    stated: Stated::Nothing,
                }
            })
            .collect();
        self.packet = self.packet % 60_000 + 1;
        let (client, topic) = self.names[usize::from(station)].clone();
        let packet = self.packet;
        Message {
            station: StationIndex(station),
            source: SourceIndex(0),
            boot: None,
            sequence: None,
            received,
            early: false,
            redelivery: Some(Redelivery { client, connection: 7, topic, packet, again: false }),
            samples,
        }
    }

    fn readings(&self, time: Time, out: &mut Vec<Reading>) {
        out.extend((0_u32..).zip(&self.steps).map(|(series, &step)| Reading {
            series: SeriesIndex(series),
            time,
            value: Some(step),
            flag: Flag::Good,
            reasons: Reasons::NONE,
            revision: 0,
            made_by: 1,
        }));
    }
}

fn commit(history: &mut History, now: Time, messages: &[Message], readings: &[Reading]) -> usize {
    let batch = Batch { received: now, walked: now, messages, readings, set_aside: &[] };
    history.commit(&batch).expect("a commit").bytes
}

/// A table that takes one row a commit, as anyone would make it.
fn bare(folder: &Path) -> Connection {
    let connection = Connection::open(folder.join("bare.sqlite3")).expect("a database");
    connection
        .execute_batch(
            "PRAGMA journal_mode=WAL; PRAGMA synchronous=FULL;
             CREATE TABLE log (number INTEGER PRIMARY KEY, body BLOB NOT NULL);",
        )
        .expect("a table");
    connection
}

fn insert(connection: &Connection, body: &[u8]) {
    connection
        .prepare_cached("INSERT INTO log (body) VALUES (?1)")
        .and_then(|mut s| s.execute([body]))
        .expect("a row");
}

/// Bytes that this process had written to devices so far.
pub(crate) fn written() -> u64 {
    let text = std::fs::read_to_string("/proc/self/io").expect("the kernel counts");
    text.lines()
        .find_map(|l| l.strip_prefix("write_bytes: "))
        .and_then(|n| n.parse().ok())
        .expect("a count")
}

/// A day of ours at one commit interval: bytes written, commits, and the length of each
/// record.
fn day(folder: &Path, interval: i64) -> (u64, Vec<usize>) {
    let mut history = opened(folder);
    let before = written();
    let lengths = fill(&mut history, &mut Senders::new(), START, interval);
    history.tend(true).expect("moved");
    history.seal(START.utc_day()).expect("sealed");
    history.close().expect("an end");
    (written() - before, lengths)
}

/// Commits a day; the length of each record.
fn fill(history: &mut History, senders: &mut Senders, start: Time, interval: i64) -> Vec<usize> {
    fill_until(history, senders, start, interval, DAY)
}

/// Commits for so long.
fn fill_until(
    history: &mut History,
    senders: &mut Senders,
    start: Time,
    interval: i64,
    lasting: i64,
) -> Vec<usize> {
    let (mut messages, mut readings, mut lengths) = (Vec::new(), Vec::new(), Vec::new());
    let mut first = None;
    // Stations speak one after the other.
    for tick in 0..lasting / (EVERY / i64::from(STATIONS)) {
        let now = start + Span(tick * EVERY / i64::from(STATIONS));
        let station = (tick % i64::from(STATIONS)) as u16;
        messages.push(senders.message(station, now));
        if now.0 % MINUTE == 0 {
            senders.readings(now, &mut readings);
        }
        let since = *first.get_or_insert(now);
        if (now - since).0 >= interval {
            lengths.push(commit(history, now, &messages, &readings));
            messages.clear();
            readings.clear();
            first = None;
        }
    }
    lengths
}

/// Prints how long the last 48 h of all stations take while the newer day of the two is
/// not sealed: its readings lie in the records of the log, beside the samples.
pub(crate) fn ask_of_the_log() {
    for seconds in [1, 10] {
        let folder = tempfile::tempdir().expect("a folder");
        let mut history = opened(folder.path());
        let mut senders = Senders::new();
        let today = START + Span(DAY);
        // Of the day before only what blocks hold is asked: few records do.
        fill(&mut history, &mut senders, START, 60_000);
        history.seal(START.utc_day()).expect("sealed");
        fill(&mut history, &mut senders, today, seconds * 1_000);
        history.tend(true).expect("moved");
        let asked = Selection::between(START, today + Span(DAY));
        let by_series = crate::history_size::median(|| {
            assert!(crate::history_size::asked_by_series(&history, &asked) > 170_000);
        });
        let ordered = crate::history_size::median(|| {
            assert!(crate::history_size::asked(&history, &asked) > 170_000);
        });
        println!(
            "48 h of all stations with today unsealed, committed each {seconds} s: series by series {by_series:.1} ms, in the order of time {ordered:.1} ms (goal 10)"
        );
        let first = Selection {
            series: vec![SeriesIndex(0)],
            ..Selection::between(today, today + Span(DAY))
        };
        let one = crate::history_size::median(|| {
            assert!(crate::history_size::asked_by_series(&history, &first) > 1_400);
        });
        println!("today of one series, unsealed: {one:.1} ms");
    }
}

/// Pages of each kind that commits put into the write-ahead log, by the kinds of the file
/// format of SQLite ("Database File Format", 1.6): the head page, inner pages of a table,
/// its leaves, pages of an index, the rest of long rows.
fn pages(interval: i64, minutes: i64) -> (usize, [u64; 5]) {
    let folder = tempfile::tempdir().expect("a folder");
    let mut history = opened(folder.path());
    history.tend(true).expect("moved");
    let mut senders = Senders::new();
    let lengths = fill_until(&mut history, &mut senders, START, interval, minutes * MINUTE);
    let log = std::fs::read(folder.path().join("history.sqlite3-wal")).expect("a log");
    // Head of the file, then frames: a head that begins with the page's number, the page.
    let salt = &log[16..24];
    let mut kinds = [0; 5];
    for frame in log[32..].chunks_exact(24 + 4_096).filter(|frame| &frame[8..16] == salt) {
        let first = frame[..4] == [0, 0, 0, 1];
        let place = match frame[24] {
            _ if first => 0,
            5 => 1,
            13 => 2,
            2 | 10 => 3,
            _ => 4,
        };
        kinds[place] += 1;
    }
    (lengths.len(), kinds)
}

/// Prints them; so few commits that the log is not moved meanwhile.
fn profile() {
    println!(
        "| commit interval | head page | inner | leaves of tables | indexes | long rows | pages a commit |"
    );
    println!("|---|---|---|---|---|---|---|");
    for (seconds, minutes) in [(1, 6), (2, 8), (10, 30), (30, 90)] {
        let (commits, kinds) = pages(seconds * 1_000, minutes);
        let each: Vec<String> =
            kinds.iter().map(|&n| format!("{:.2}", n as f64 / commits as f64)).collect();
        let all = kinds.iter().sum::<u64>() as f64 / commits as f64;
        println!("| {seconds} s | {} | {all:.2} |", each.join(" | "));
    }
}

fn bare_day(folder: &Path, lengths: &[usize]) -> u64 {
    let mut random = fastrand::Rng::with_seed(2);
    let longest = lengths.iter().copied().max().unwrap_or(0);
    let body: Vec<u8> = (0..longest).map(|_| random.u8(..)).collect();
    let connection = bare(folder);
    let before = written();
    for &length in lengths {
        insert(&connection, &body[..length]);
    }
    connection.execute_batch("PRAGMA wal_checkpoint(TRUNCATE)").expect("moved");
    written() - before
}

/// How long one measurement of commits lasts.
const LASTING: Duration = Duration::from_secs(2);

/// Commits of a second of all stations: ours with packing, the peer with bytes that lie
/// ready.
fn rate(length: &mut usize) -> Figure {
    let folder = tempfile::tempdir().expect("a folder");
    let mut history = opened(folder.path());
    let mut senders = Senders::new();
    let (started, mut count) = (Instant::now(), 0);
    while started.elapsed() < LASTING {
        let now = START + Span(count * 1_000);
        let messages: Vec<_> = (0..STATIONS).map(|s| senders.message(s, now)).collect();
        *length = commit(&mut history, now, &messages, &[]);
        count += 1;
    }
    figure(count.unsigned_abs(), started.elapsed(), Duration::ZERO)
}

fn bare_rate(length: usize) -> Figure {
    let folder = tempfile::tempdir().expect("a folder");
    let connection = bare(folder.path());
    let body = vec![7; length];
    let (started, mut count) = (Instant::now(), 0);
    while started.elapsed() < LASTING {
        insert(&connection, &body);
        count += 1;
    }
    figure(count, started.elapsed(), Duration::ZERO)
}

/// Prints the rate and the table.
pub(crate) fn compare() {
    let length = std::cell::Cell::new(0);
    in_turns(
        "durable commits of 60 samples, in commits",
        0.8,
        || {
            let mut bytes = 0;
            let figure = rate(&mut bytes);
            length.set(bytes);
            figure
        },
        || bare_rate(length.get()),
    );
    println!("| commit interval | commits | records | written by us | by the bare table | ratio |");
    println!("|---|---|---|---|---|---|");
    for seconds in [1, 2, 10, 30] {
        let (own, other) =
            (tempfile::tempdir().expect("a folder"), tempfile::tempdir().expect("a folder"));
        let (ours, lengths) = day(own.path(), seconds * 1_000);
        let peer = bare_day(other.path(), &lengths);
        println!(
            "| {seconds} s | {} | {:.1} MB | {:.0} MB | {:.0} MB | {:.2} |",
            lengths.len(),
            lengths.iter().sum::<usize>() as f64 / 1e6,
            ours as f64 / 1e6,
            peer as f64 / 1e6,
            ours as f64 / peer as f64
        );
    }
    profile();
}
