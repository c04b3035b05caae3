//! Killed at random under load: what was acknowledged is there, once, in order.

use crate::settings::{token, write};
use isobarn_tests::peers::mosquitto;
use isobarn_tests::program::{Program, export};
use isobarn_tests::push::Client;
use isobarn_tests::wait::{free_port, until};
use serde_json::Value;
use std::collections::BTreeMap;
use std::io::Write;
use std::net::SocketAddr;
use std::process::{Command, Stdio};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

const MESSAGES: u64 = 2_000;
const KILLS: u32 = 10;

/// The address of the push listener of whichever process lives now.
pub(crate) type Address = Arc<Mutex<SocketAddr>>;

/// The value of message `i`: every second one equals the one before it.
fn value(i: u64) -> f64 {
    (i / 2) as f64 * 0.01
}

/// Repeats `body` until it is acknowledged, as a sender with an identity does.
pub(crate) fn insist(client: &Client, address: &Address, station: &str, body: &str) {
    let deadline = Instant::now() + Duration::from_secs(120);
    loop {
        let to = *address.lock().unwrap();
        match client.senml(to, token(station), body).status {
            204 => return,
            0 | 429 | 503 => {}
            other => panic!("{other} for {body}"),
        }
        assert!(Instant::now() < deadline, "never acknowledged: {body}");
        std::thread::sleep(Duration::from_millis(20));
    }
}

#[test]
fn nothing_acknowledged_is_lost_and_nothing_with_an_identity_is_there_twice() {
    let seed = std::env::var("ISOBARN_TESTS_SEED").ok().and_then(|s| s.parse().ok()).unwrap_or(1);
    println!("seed {seed} (set ISOBARN_TESTS_SEED for another)");
    let mut random = fastrand::Rng::with_seed(seed);
    let folder = tempfile::tempdir().unwrap();
    let broker_port = free_port();
    let broker = mosquitto(folder.path(), broker_port);
    let settings = write(
        folder.path(),
        &format!(
            "\n[source.mqtt.house]\nbroker = \"mqtt://127.0.0.1:{broker_port}\"\n\
             subscribe = [{{ filter = \"garden/+station/+channel\", payload = \"number\" }}]\n"
        ),
    );
    let mut program = Program::run(&settings);
    let client = Client::new();
    until("the subscription", || {
        let metrics = client.get(program.address("http"), "/metrics").body;
        metrics.contains("isobarn_source_up{source=\"house\"} 1").then_some(())
    });
    let address: Address = Arc::new(Mutex::new(program.address("push")));

    // A broker's client, one message a line, kept by the broker while we are away.
    let mut publisher = Command::new("mosquitto_pub")
        .args(["-h", "127.0.0.1", "-p", &broker_port.to_string(), "-q", "1", "-l"])
        .args(["-t", "garden/ridge/t"])
        .stdin(Stdio::piped())
        .spawn()
        .expect("mosquitto_pub is installed: tests/run --install");
    let mut lines = publisher.stdin.take().unwrap();
    let publishing = std::thread::spawn(move || {
        for i in 0..MESSAGES {
            writeln!(lines, "{}", value(i)).unwrap();
            std::thread::sleep(Duration::from_millis(4));
        }
    });

    let third = MESSAGES / 3;
    let start =
        std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH).unwrap().as_secs()
            - 7_200;
    let timed = std::thread::spawn({
        let address = Arc::clone(&address);
        move || {
            let client = Client::new();
            for i in 0..third {
                let body = format!(
                    r#"[{{"n":"orchard/t","u":"Cel","v":{},"t":{}}}]"#,
                    value(i),
                    start + i
                );
                insist(&client, &address, "orchard", &body);
            }
        }
    });
    let numbered = std::thread::spawn({
        let address = Arc::clone(&address);
        move || {
            let client = Client::new();
            for i in 0..third {
                let body = format!(
                    r#"[{{"bn":"hedge/","n":"boot","vs":"b1"}},{{"n":"sequence","v":{i}}},{{"n":"t","u":"Cel","v":{}}}]"#,
                    value(i)
                );
                insist(&client, &address, "hedge", &body);
            }
        }
    });
    let acknowledged = Arc::new(AtomicU64::new(0));
    let sent = MESSAGES - 2 * third;
    let nameless = std::thread::spawn({
        let (address, acknowledged) = (Arc::clone(&address), Arc::clone(&acknowledged));
        move || {
            let client = Client::new();
            for i in 0..sent {
                let to = *address.lock().unwrap();
                let body = format!(r#"[{{"n":"field/t","u":"Cel","v":{}}}]"#, value(i));
                if client.senml(to, token("field"), &body).status == 204 {
                    acknowledged.fetch_add(1, Ordering::Relaxed);
                }
                std::thread::sleep(Duration::from_millis(8));
            }
        }
    });

    for _ in 0..KILLS {
        std::thread::sleep(Duration::from_millis(random.u64(50..700)));
        program.kill();
        program = Program::run(&settings);
        *address.lock().unwrap() = program.address("push");
    }
    publishing.join().unwrap();
    assert!(publisher.wait().unwrap().success());
    for thread in [timed, numbered, nameless] {
        thread.join().unwrap();
    }
    let count = |station: &str, samples: &str| {
        let needle = format!(r#""station":"{station}""#);
        samples.lines().filter(|l| l.contains(&needle)).count() as u64
    };
    until("the broker's queue", || {
        let samples = export(&settings, &["--samples"]);
        (count("ridge", &samples) >= MESSAGES).then_some(())
    });
    let (status, said) = program.terminate();
    assert_eq!(status, Some(0), "{said}");
    crate::disks::sound(&settings);
    drop(broker);

    let samples = export(&settings, &["--samples"]);
    let mut values: BTreeMap<String, Vec<f64>> = BTreeMap::new();
    let mut received = String::new();
    for line in samples.lines() {
        let line: Value = serde_json::from_str(line).unwrap();
        let at = line["received"].as_str().expect("every line has received").to_owned();
        let at = if at.contains('.') { at } else { at.replace('Z', ".000Z") };
        assert!(at >= received, "the log is not in the order of received: {at} after {received}");
        received = at;
        if let (Some(station), Some(value)) = (line["station"].as_str(), line["value"].as_f64()) {
            values.entry(station.to_owned()).or_default().push(value);
        }
    }
    for (station, expected) in [("ridge", MESSAGES), ("orchard", third), ("hedge", third)] {
        let mut got = values.remove(station).unwrap_or_default();
        got.sort_by(f64::total_cmp);
        let wanted: Vec<f64> =
            (0..expected).map(|i| format!("{}", value(i)).parse::<f64>().unwrap()).collect();
        assert_eq!(got.len(), wanted.len(), "{station}: kept against sent");
        assert_eq!(got, wanted, "{station}");
    }
    let kept = values.remove("field").unwrap_or_default().len() as u64;
    let acknowledged = acknowledged.load(Ordering::Relaxed);
    println!("pushes without identity: {acknowledged} acknowledged, {kept} kept, {sent} sent");
    assert!(acknowledged <= kept && kept <= sent, "{acknowledged} <= {kept} <= {sent}");
}
