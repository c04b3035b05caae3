//! Everything at once: senders with and without identity, a real broker, four receivers;
//! the service killed, the broker restarted and a receiver failing at random moments.
//! Afterwards: acknowledged is logged once, logged is delivered, compared set by set.

mod publisher;
mod repeats;
mod senders;

use self::publisher::Publisher;
use self::repeats::Faults;
use self::senders::Senders;
use crate::databases::{kept_rows, logged_rows};
use crate::forwarding::{delivered, same_as_logged};
use crate::settings::write;
use isobarn_tests::peers::{mosquitto, postgresql};
use isobarn_tests::program::{Program, command, export};
use isobarn_tests::sink::{Answer, Sink};
use isobarn_tests::wait::{free_port, until};
use serde_json::Value;
use std::collections::BTreeMap;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

/// Kills of one history. Late samples look back on the log around their times; at a hundred
/// records a second that takes a development build on a busy machine longer, in the end, than
/// it lives between two kills, and it never commits.
const ROUND: u64 = 100;

fn setting(name: &str, usual: u64) -> u64 {
    std::env::var(name).ok().and_then(|s| s.parse().ok()).unwrap_or(usual)
}

/// The broker's own client as the receiver of what is forwarded: it comes back by itself
/// and keeps its session.
fn subscriber(folder: &Path, port: u16) -> Child {
    let told = std::fs::File::create(folder.join("told.lines")).unwrap();
    Command::new("mosquitto_sub")
        .args(["-h", "127.0.0.1", "-p", &port.to_string(), "-q", "1", "-c", "-i", "told"])
        .args(["-t", "isobarn/#"])
        .stdout(told)
        .stderr(Stdio::null())
        .spawn()
        .expect("mosquitto_sub is installed: tests/run --install")
}

/// What a receiver of lines was told, by identity.
fn told(folder: &Path) -> BTreeMap<String, Value> {
    let lines = std::fs::read_to_string(folder.join("told.lines")).unwrap();
    let mut all = BTreeMap::new();
    // What stands behind the last end of line is still being written.
    for line in lines.rsplit_once('\n').map_or("", |(whole, _)| whole).lines() {
        let mut line: Value = serde_json::from_str(line).unwrap();
        let id = line.as_object_mut().unwrap().remove("id").unwrap();
        let id = id.as_str().unwrap().to_owned();
        if let Some(old) = all.insert(id, line.clone()) {
            assert_eq!(old, line, "one identity, two readings");
        }
    }
    all
}

/// Whether nothing waits at any receiver.
fn all_drained(settings: &Path) -> Option<()> {
    let output = command(&["status", "--json", "--config", settings.to_str().unwrap()]);
    let document: Value = serde_json::from_slice(&output.stdout).ok()?;
    let forwarders = document["forwarders"].as_array()?;
    (forwarders.len() == 4 && forwarders.iter().all(|f| f["backlog"] == 0)).then_some(())
}

/// A receiver that has had enough for a while.
fn failing(sink: &Sink, kind: u64, lasting: Duration) {
    let end = Instant::now() + lasting;
    sink.script(move |_| {
        if Instant::now() >= end {
            return Answer::Status(204, "", "");
        }
        match kind {
            0 => Answer::Status(500, "", "not now"),
            1 => Answer::Status(429, "Retry-After: 1\r\n", "too many"),
            2 => Answer::Drop,
            _ => Answer::After(Duration::from_millis(400)),
        }
    });
}

#[test]
fn acknowledged_is_logged_once_and_logged_is_delivered_whatever_breaks() {
    let seed = setting("ISOBARN_TESTS_SEED", 1);
    let long = std::env::var("ISOBARN_TESTS_LONG").is_ok_and(|long| long == "yes");
    let kills = setting("ISOBARN_TESTS_KILLS", if long { 10_000 } else { 20 });
    println!("seed {seed}, {kills} kills (set ISOBARN_TESTS_SEED, ISOBARN_TESTS_KILLS for others)");
    for (seed, from) in (seed..).zip((0..kills).step_by(ROUND as usize)) {
        round(seed, ROUND.min(kills - from));
    }
}

/// A property from its beginning to its end: everything is compared at the end.
fn round(seed: u64, kills: u64) {
    println!("round of seed {seed}");
    let begun = Instant::now();
    let mut random = fastrand::Rng::with_seed(seed);
    let folder = tempfile::tempdir().unwrap();
    let port = free_port();
    let mut broker = mosquitto(folder.path(), port);
    let database = postgresql(folder.path());
    let (steady, moody) = (Sink::willing(), Sink::willing());
    let settings = write(
        folder.path(),
        &format!(
            r#"
[source.mqtt.house]
broker = "mqtt://127.0.0.1:{port}"
subscribe = [{{ filter = "garden/+station/+channel", payload = "number" }}]

[forward.http.steady]
url = "http://{}/in"

[forward.http.moody]
url = "http://{}/in"
batch = 50

[forward.mqtt.told]
broker = "mqtt://127.0.0.1:{port}"

[forward.postgresql.rows]
server = "postgresql://weather@{}/postgres"
"#,
            steady.address, moody.address, database.address
        ),
    );
    let mut watcher = subscriber(folder.path(), port);
    let mut program = Program::run(&settings);
    // The broker keeps for a session only what comes after its subscription.
    until("the subscription", || {
        let client = isobarn_tests::push::Client::new();
        let metrics = client.get(program.address("http"), "/metrics").body;
        metrics.contains("isobarn_source_up{source=\"house\"} 1").then_some(())
    });

    let publisher = Publisher::start(port, "garden/ridge/t");
    let senders = Senders::start(program.address("push"));
    let mut faults = Faults::default();
    let (mut killed, mut restarts, mut moods) = (0, 0, 0);
    while killed < kills {
        std::thread::sleep(Duration::from_millis(random.u64(30..500)));
        match random.u32(0..10) {
            0..=5 => {
                let from = Instant::now();
                program.kill();
                faults.add(from, Instant::now());
                program = Program::run(&settings);
                senders.moved(program.address("push"));
                killed += 1;
            }
            6 | 7 => {
                // Told to end it saves what it holds; killed it would lose receipts it gave.
                broker.terminate();
                std::thread::sleep(Duration::from_millis(random.u64(0..300)));
                broker = mosquitto(folder.path(), port);
                restarts += 1;
            }
            _ => {
                let lasting = Duration::from_millis(random.u64(100..800));
                failing(&moody, random.u64(0..4), lasting);
                moods += 1;
            }
        }
    }
    let published = publisher.finish();
    let pushed = senders.finish();
    until("the broker's queue", || {
        let metrics = isobarn_tests::push::Client::new().get(program.address("http"), "/metrics");
        metrics.body.contains("isobarn_source_up{source=\"house\"} 1").then_some(())
    });
    let held = || {
        let samples = export(&settings, &["--samples"]);
        samples.lines().filter(|l| l.contains(r#""station":"ridge""#)).count() as u64
    };
    // What is missing for good is told by the comparison below, not by a wait in vain.
    let deadline = Instant::now() + Duration::from_secs(15);
    while held() < published.acknowledged() && Instant::now() < deadline {
        std::thread::sleep(Duration::from_millis(200));
    }
    loop {
        until("empty backlogs", || all_drained(&settings));
        let (status, said) = program.terminate();
        assert_eq!(status, Some(0), "{said}");
        // A minute may have ended between the question and the end of the service.
        if all_drained(&settings).is_some() {
            break;
        }
        program = Program::run(&settings);
    }
    // The broker has all; its receiver may still be coming back to it. What is missing for
    // good is told by the comparison below.
    let deadline = Instant::now() + Duration::from_secs(30);
    while told(folder.path()).len() < delivered(&steady).0.len() && Instant::now() < deadline {
        std::thread::sleep(Duration::from_millis(100));
    }
    drop(watcher.kill());
    drop(watcher.wait());
    drop(broker);

    println!(
        "{killed} kills, {restarts} restarts of the broker, {moods} failures of a receiver in {:.0} s",
        begun.elapsed().as_secs_f64()
    );
    crate::disks::sound(&settings);
    let mut logged: BTreeMap<String, BTreeMap<String, u64>> = BTreeMap::new();
    for line in export(&settings, &["--samples"]).lines() {
        let line: Value = serde_json::from_str(line).unwrap();
        let (Some(station), Some(got)) = (line["station"].as_str(), line["value"].as_f64()) else {
            continue;
        };
        *logged.entry(station.to_owned()).or_default().entry(format!("{got:.2}")).or_default() += 1;
    }
    let empty = BTreeMap::new();
    published.check("ridge, by the broker", logged.get("ridge").unwrap_or(&empty));
    pushed.check(&logged);

    for (name, sink) in [("steady", &steady), ("moody", &moody)] {
        let (all, _, _) = delivered(sink);
        same_as_logged(&settings, &all);
        faults.judge(name, sink, all.len());
    }
    let all = told(folder.path());
    same_as_logged(&settings, &all);
    println!("told: {} readings over the broker", all.len());
    let (kept, wanted) = (kept_rows(&database), logged_rows(&settings));
    println!("rows: {} in PostgreSQL, {} logged", kept.len(), wanted.len());
    assert_eq!(kept, wanted);
}
