//! What the service needs when nothing special happens: five stations, one message of
//! twelve channels in two seconds, the identities of 48 hours loaded.

use crate::measure::{processor_time, resident};
use crate::service::{CHANNELS, now, start, token};
use isobarn_tests::push::Client;
use std::fmt::Write as _;
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

/// Fills 48 h, restarts, watches for ten minutes (`ISOBARN_BENCHMARK_IDLE_SECONDS`).
pub(crate) fn watch() {
    let folder = tempfile::tempdir().expect("a folder");
    let program = start(folder.path(), "1 s", SOURCE);
    let address = program.address("push");
    let start_time = now() - 48 * 3_600_000;
    let filling = Instant::now();
    let threads: Vec<_> = (0..5)
        .map(|station| {
            std::thread::spawn(move || {
                let client = Client::new();
                let mut repeated = 0;
                for message in 0..86_400 {
                    let body = body(station, start_time + message * 2_000);
                    // Two days that come late are evaluated at the next minute, which may
                    // take longer than an answer may: then it is sent again.
                    let mut again = 0;
                    loop {
                        let answer = client.senml(address, &token(station), &body);
                        if answer.status == 204 {
                            break;
                        }
                        again += 1;
                        assert!(answer.status == 503 && again < 100, "{}", answer.body);
                        std::thread::sleep(Duration::from_millis(200));
                    }
                    repeated += again;
                }
                repeated
            })
        })
        .collect();
    let repeated: u32 = threads.into_iter().map(|t| t.join().expect("a sender ends well")).sum();
    println!(
        "idle: 48 h filled in {:.0} s, {repeated} messages sent again after a 503",
        filling.elapsed().as_secs_f64()
    );
    let (status, said) = program.terminate();
    assert_eq!(status, Some(0), "{said}");
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
            let answer = client.senml(address, &token(station), &body(station, now()));
            assert_eq!(answer.status, 204, "{}", answer.body);
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
