//! A large backlog before a receiver that takes few requests a minute: it is asked no more
//! often than it says, new readings do not wait behind the old ones, and all of it arrives.
//!
//! Scaled in time by thirty: a minute of the receiver is two seconds here, its word "come
//! again in half a minute" is one second, and a new reading comes every second instead
//! of every half minute.

use crate::forwarding::{delivered, drained, push, receiver, same_as_logged, status};
use isobarn_tests::backlog::{self, Backlog};
use isobarn_tests::program::Program;
use isobarn_tests::push::Client;
use isobarn_tests::sink::{Answer, Sink};
use observation::Span;
use serde_json::Value;
use std::time::{Duration, Instant};

const BACKLOG: Backlog = Backlog { records: 2_500, readings: 8, step: Span::seconds(10) };
/// The receiver's minute.
const WINDOW: Duration = Duration::from_secs(2);
/// Requests that it takes in one.
const ALLOWED: usize = 10;
/// What it says with a refusal.
const RETRY_AFTER: Duration = Duration::from_secs(1);

/// A receiver that allows ten requests in a window and sends away whoever asks for more.
fn sparing() -> Sink {
    let mut window = (Instant::now(), 0);
    Sink::start(move |_| {
        if window.0.elapsed() > WINDOW {
            window = (Instant::now(), 0);
        }
        window.1 += 1;
        if window.1 > ALLOWED {
            return Answer::Status(429, "Retry-After: 1\r\n", "slowly");
        }
        Answer::Status(200, "", "")
    })
}

/// After a refusal nothing is asked for as long as the receiver says, and then half as
/// often at most as it was asked before it refused.
fn asked_ever_more_rarely(sink: &Sink) {
    let asked = sink.asked();
    let refused = asked.iter().filter(|a| a.1 == 429).count();
    println!("{} requests, {refused} of them too many", asked.len());
    assert!(refused > 0, "the receiver never had too much: the test tries nothing");
    assert!(refused * 5 <= asked.len(), "{refused} of {}", asked.len());
    for pair in asked.windows(2).filter(|p| p[0].1 == 429) {
        let pause = pair[1].0 - pair[0].0;
        assert!(pause >= RETRY_AFTER, "asked again after {pause:?}");
    }
    // A refusal after a refusal says "not yet" and nothing of how fast is too fast.
    let taught = |f: &&[(Instant, u16)]| f[0].1 == 200 && f[1].1 == 429 && f[2].1 == 200;
    for four in asked.windows(4).filter(taught) {
        let (before, after) = (four[1].0 - four[0].0, four[3].0 - four[2].0);
        // The receiver's stamps are not the sender's: a request may be read late.
        let slack = Duration::from_millis(50) + before / 4;
        assert!(after + slack >= before * 2, "{before:?} apart before, {after:?} after");
    }
}

#[test]
fn a_flood_is_paced_by_its_receiver_and_new_readings_go_between() {
    let folder = tempfile::tempdir().unwrap();
    let sink = sparing();
    let settings = receiver(folder.path(), &sink, "batch = 500\nlive_first = true");
    let last = backlog::write(&settings, BACKLOG);
    let program = Program::run(&settings);
    let client = Client::new();
    // New readings come while the backlog is worked off; each is noted with the count of
    // requests that were taken before it was acknowledged.
    let mut pushed = Vec::new();
    while status(&settings)["backlog"].as_u64().unwrap() > 1_000 {
        let value = f64::from(2_001 + u32::try_from(pushed.len()).unwrap()) / 100.0;
        push(&program, &client, value);
        pushed.push((format!("\"value\":{value},"), sink.taken().len()));
        std::thread::sleep(Duration::from_secs(1));
    }
    drained(&settings);
    assert_eq!(program.terminate().0, Some(0));
    asked_ever_more_rarely(&sink);

    let taken = sink.taken();
    let most = taken.iter().map(|r| r.body.lines().count()).max().unwrap();
    assert!(most <= 500, "{most} readings in one request");
    let mut longest = 0;
    for (value, before) in &pushed {
        let arrived = taken.iter().position(|request| {
            let own = |l: &&str| l.contains("\"unit\":\"Cel\"") && l.contains("\"orchard\"");
            request.body.lines().filter(own).any(|l| l.contains(value.as_str()))
        });
        let arrived = arrived.unwrap_or_else(|| panic!("{value} did not arrive"));
        longest = longest.max(arrived.saturating_sub(*before));
    }
    println!("{} new ones, at most {longest} requests before one of them", pushed.len());
    assert!(pushed.len() > 10);
    // One that is under way, one that was read ahead, one turn of the backlog.
    assert!(longest <= 3, "{longest} requests went before a new reading");

    let (all, twice, _) = delivered(&sink);
    assert_eq!(twice, 0);
    assert!(all.len() as u64 > BACKLOG.records * u64::from(BACKLOG.readings));
    same_as_logged(&settings, &all);
    // The order holds within the backlog and within what came since.
    let numbers: Vec<u64> = sink.lines().iter().map(|l| number(l)).collect();
    for old in [true, false] {
        let lane: Vec<_> = numbers.iter().filter(|n| (**n <= last) == old).collect();
        let back = lane.windows(2).find(|pair| pair[1] < pair[0]);
        assert_eq!(back, None, "out of order");
    }
}

/// The number of the log record in a line's identity.
fn number(line: &str) -> u64 {
    let line: Value = serde_json::from_str(line).unwrap();
    let id = line["id"].as_str().unwrap();
    id.split('/').nth(1).unwrap().parse().unwrap()
}

#[test]
fn in_one_lane_a_flood_keeps_its_order() {
    let folder = tempfile::tempdir().unwrap();
    let sink = sparing();
    let settings = receiver(folder.path(), &sink, "batch = 400");
    backlog::write(&settings, BACKLOG);
    let program = Program::run(&settings);
    let client = Client::new();
    for i in 0..10 {
        push(&program, &client, f64::from(2_001 + i) / 100.0);
        std::thread::sleep(Duration::from_secs(1));
    }
    drained(&settings);
    assert_eq!(program.terminate().0, Some(0));
    asked_ever_more_rarely(&sink);
    let (all, twice, ordered) = delivered(&sink);
    assert_eq!((twice, ordered), (0, true));
    same_as_logged(&settings, &all);
}
