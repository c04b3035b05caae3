//! What the service needs when nothing special happens: five stations, one message of
//! twelve channels in two seconds, the identities of 48 hours loaded.

use crate::measure::{processor_time, resident};
use crate::service::{CHANNELS, now, start, token, write};
use isobarn_tests::push::Client;
use observation::{Finite, Measured, Message, SourceIndex, Stated, StationIndex, Time, Value};
use std::fmt::Write as _;
use std::path::Path;
use std::time::{Duration, Instant};

const SOURCE: &str = "[source.http.push]\nlisten = \"127.0.0.1:0\"";

fn body(station: usize, time: i64) -> String {
    let mut body = format!(
        "[{{\"bn\":\"s{station}/\",\"bt\":{}.{:03},\"bu\":\"Cel\"",
        time / 1_000,
        time % 1_000
    );
    for channel in 0..CHANNELS {
        let open = if channel == 0 { "," } else { "},{" };
        let value = (time / 100 + channel as i64 * 37) % 3_000;
        write!(body, "{open}\"n\":\"c{channel}\",\"v\":{}.{:02}", value / 100, value % 100)
            .expect("a string grows");
    }
    body.push_str("}]");
    body
}

/// Writes 48 h into the history as the service would have: a record a second, each
/// sample received when it was taken.
fn fill(folder: &Path, end: i64) {
    let path = write(folder, "1 s", SOURCE);
    let settings = config::load_without_secrets(&path, &[]).expect("settings without a fault");
    let property = &settings.property;
    let begin = end - 48 * 3_600_000;
    let options = history::Options::at(Time(begin));
    let (mut history, _) =
        history::History::open(&settings.history.directory, &options).expect("a new history");
    let sources = ["push".to_owned(), "import".to_owned()];
    history.register(Time(begin), property, &[], &sources).expect("names are kept");
    for tick in 0..86_400 {
        let time = begin + tick * 2_000;
        let messages: Vec<Message> = (0..5_u16)
            .map(|station| Message {
                station: StationIndex(station),
                source: SourceIndex(0),
                boot: None,
                sequence: None,
                received: Time(time + 200),
                early: false,
                redelivery: None,
                samples: (0..CHANNELS)
                    .map(|channel| {
                        let name = format!("c{channel}");
                        let index = property.channel(StationIndex(station), &name);
                        let value = (time / 100 + channel as i64 * 37) % 3_000;
                        Measured {
                            channel: index.expect("a channel of the settings"),
                            value: Value::Number(
                                Finite::new(value as f64 / 100.0).expect("a finite number"),
                            ),
                            stated: Stated::At(Time(time)),
                        }
                    })
                    .collect(),
            })
            .collect();
        let received = Time(time + 1_000);
        let batch = history::Batch {
            received,
            walked: received,
            messages: &messages,
            readings: &[],
            set_aside: &[],
        };
        history.commit(&batch).expect("a record is written");
    }
}

/// Starts with 48 h of identities, watches for ten minutes
/// (`ISOBARN_BENCHMARK_IDLE_SECONDS`).
pub(crate) fn watch() {
    let folder = tempfile::tempdir().expect("a folder");
    fill(folder.path(), now() - 2_000);
    let began = Instant::now();
    let program = start(folder.path(), "1 s", SOURCE);
    println!(
        "idle: ready {:.1} s after the start with 48 h of identities",
        began.elapsed().as_secs_f64()
    );
    let seconds = std::env::var("ISOBARN_BENCHMARK_IDLE_SECONDS")
        .ok()
        .and_then(|s| s.parse().ok())
        .unwrap_or(600);
    let address = program.address("push");
    let client = Client::new();
    let before = processor_time(program.id());
    let began = Instant::now();
    let mut largest = resident(program.id());
    while began.elapsed() < Duration::from_secs(seconds) {
        for station in 0..5 {
            let said = body(station, now());
            loop {
                let answer = client.senml(address, &token(station), &said);
                if answer.status == 204 {
                    break;
                }
                // On a machine that is busy with other things it may be asked again.
                assert_eq!(answer.status, 503, "{}", answer.body);
            }
        }
        largest = largest.max(resident(program.id()));
        std::thread::sleep(Duration::from_secs(2));
    }
    let used = (processor_time(program.id()).saturating_sub(before)).as_secs_f64();
    println!(
        "idle: largest resident memory {:.1} MiB (goal 40), {:.2} % of one core (goal 1) over {seconds} s",
        largest as f64 / 1_048_576.0,
        used / began.elapsed().as_secs_f64() * 100.0
    );
}
