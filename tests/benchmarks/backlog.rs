//! Five stations of twelve channels were away for two days and send all that they kept,
//! as fast as it is taken, while a sixth goes on with live values.

use crate::measure::{processor_time, resident};
use crate::service::{CHANNELS, now, start, token};
use isobarn_tests::push::Client;
use std::fmt::Write as _;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

const SOURCE: &str = "[source.http.push]\nlisten = \"127.0.0.1:0\"";
/// Stations that were away, and the one that was not.
const AWAY: usize = 5;
const LIVE: usize = 5;
/// One message every two seconds, a minute of them in a pack.
const INTERVAL: i64 = 2_000;
const PACK: i64 = 30;

fn pack(station: usize, begin: i64, messages: i64) -> String {
    let mut body = format!("[{{\"bn\":\"s{station}/\",\"bu\":\"Cel\"");
    let mut first = true;
    for message in 0..messages {
        let time = begin + message * INTERVAL;
        for channel in 0..CHANNELS {
            let open = if std::mem::take(&mut first) { "," } else { "},{" };
            let value = (time / 1_000 + channel as i64 * 37) % 3_000;
            let (seconds, milli) = (time / 1_000, time % 1_000);
            write!(
                body,
                "{open}\"n\":\"c{channel}\",\"t\":{seconds}.{milli:03},\"v\":{}.{:02}",
                value / 100,
                value % 100
            )
            .expect("a string grows");
        }
    }
    body.push_str("}]");
    body
}

/// How many hours were missed (`ISOBARN_BENCHMARK_BACKLOG_HOURS`).
fn hours() -> i64 {
    std::env::var("ISOBARN_BENCHMARK_BACKLOG_HOURS").ok().and_then(|h| h.parse().ok()).unwrap_or(48)
}

/// Sends the backlog and tells how long the live station waited meanwhile.
pub(crate) fn send() {
    let folder = tempfile::tempdir().expect("a folder");
    let program = start(folder.path(), "1 s", SOURCE);
    let address = program.address("push");
    let (hours, end) = (hours(), now() - 10_000);
    let begin = end - hours * 3_600_000;
    let done = AtomicBool::new(false);
    let before = processor_time(program.id());
    let began = Instant::now();
    let (mut refused, mut packs) = (0_u64, 0_u64);
    let (waits, largest) = std::thread::scope(|scope| {
        let live = scope.spawn(|| {
            let (client, mut waits, mut largest) = (Client::new(), Vec::new(), 0);
            while !done.load(Ordering::Relaxed) {
                let asked = Instant::now();
                let body = pack(LIVE, now(), 1);
                while client.senml(address, &token(LIVE), &body).status != 204 {
                    std::thread::sleep(Duration::from_millis(200));
                }
                waits.push(asked.elapsed());
                largest = largest.max(resident(program.id()));
                std::thread::sleep(Duration::from_secs(2));
            }
            (waits, largest)
        });
        let senders: Vec<_> = (0..AWAY)
            .map(|station| {
                scope.spawn(move || {
                    let (client, mut refused, mut packs) = (Client::new(), 0_u64, 0_u64);
                    let mut time = begin;
                    while time < end {
                        let body = pack(station, time, PACK);
                        let answer = client.senml(address, &token(station), &body);
                        if answer.status == 204 {
                            time += PACK * INTERVAL;
                            packs += 1;
                        } else {
                            assert!(matches!(answer.status, 429 | 503), "{}", answer.body);
                            refused += 1;
                            std::thread::sleep(Duration::from_secs(1));
                        }
                    }
                    (refused, packs)
                })
            })
            .collect();
        for sender in senders {
            let (more, sent) = sender.join().expect("a sender ends");
            refused += more;
            packs += sent;
        }
        // The minute in which the last of it is seen to belongs to it.
        std::thread::sleep(Duration::from_secs(65));
        done.store(true, Ordering::Relaxed);
        live.join().expect("the live station ends")
    });
    let used = processor_time(program.id()).saturating_sub(before).as_secs_f64();
    let samples = packs as f64 * PACK as f64 * CHANNELS as f64;
    let longest = waits.iter().max().copied().unwrap_or_default();
    println!(
        "backlog: {hours} h of {AWAY} stations, {:.2} million samples, sent in {:.0} s (a minute of waiting included), {:.1} s of processor time a million, {refused} answers asked to come again",
        samples / 1e6,
        began.elapsed().as_secs_f64(),
        used / samples * 1e6,
    );
    println!(
        "backlog: the live station waited at most {:.1} s for a receipt ({} messages), largest resident memory {:.0} MiB",
        longest.as_secs_f64(),
        waits.len(),
        largest as f64 / 1_048_576.0
    );
}
