//! What a service that runs for years must not do: eat data over a broken settings file,
//! let a slow reader swell its files, show what comes late as new, lose the tail when it
//! is told to end, or sync for every reading.

use crate::settings::{token, write};
use isobarn_tests::disk::Disk;
use isobarn_tests::peers::mosquitto;
use isobarn_tests::power::Notes;
use isobarn_tests::program::{Program, command, export};
use isobarn_tests::push::Client;
use isobarn_tests::sink::{Answer, Sink};
use isobarn_tests::wait::{free_port, until};
use observation::Span;
use serde_json::Value;
use std::collections::BTreeMap;
use std::io::{Read, Write};
use std::net::TcpStream;
use std::path::Path;
use std::process::{Command, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering::Relaxed};
use std::time::{Duration, Instant};

/// The bytes of every file under a folder.
fn contents(folder: &Path) -> BTreeMap<String, Vec<u8>> {
    let mut all = BTreeMap::new();
    for entry in std::fs::read_dir(folder).unwrap().flatten() {
        if entry.path().is_file() {
            let name = entry.file_name().into_string().unwrap();
            all.insert(name, std::fs::read(entry.path()).unwrap());
        }
    }
    all
}

#[test]
fn a_broken_settings_file_at_the_start_changes_no_file() {
    let folder = tempfile::tempdir().unwrap();
    let settings = write(folder.path(), "");
    let program = Program::run(&settings);
    let body = r#"[{"n":"orchard/t","v":11.5}]"#;
    assert_eq!(Client::new().senml(program.address("push"), token("orchard"), body).status, 204);
    // Killed, so that there is something left for a start to tidy.
    program.kill();
    let history = folder.path().join("history");
    let before = contents(&history);
    assert!(before.len() >= 2, "{:?}", before.keys());
    let text = std::fs::read_to_string(&settings).unwrap();
    for (broken, words) in [
        (
            text.replace("quantity = \"air_temperature\"", "quantity = \"air_temprature\""),
            "air_temprature",
        ),
        (text.replace("[history]", "[history"), "isobarn.toml:"),
        (
            text.replace("commit_interval = \"0 s\"", "commit_interval = \"soon\""),
            "commit_interval",
        ),
    ] {
        assert_ne!(broken, text);
        std::fs::write(&settings, broken).unwrap();
        let output = command(&["run", "--config", settings.to_str().unwrap()]);
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(78), "{said}");
        assert!(said.contains(words), "{said}");
        assert_eq!(contents(&history), before);
    }
    std::fs::write(&settings, text).unwrap();
    assert!(export(&settings, &[]).contains("11.5"));
}

/// Bytes that the service has written so far.
fn written(client: &Client, program: &Program) -> u64 {
    let metrics = client.get(program.address("http"), "/metrics").body;
    let line = metrics.lines().find(|l| l.starts_with("isobarn_history_written_bytes_total"));
    line.and_then(|l| l.rsplit(' ').next()?.parse::<f64>().ok()).unwrap() as u64
}

#[test]
fn a_reader_that_takes_nothing_does_not_let_the_files_grow() {
    const PACK: u64 = 50;
    let folder = tempfile::tempdir().unwrap();
    let settings = write(folder.path(), "");
    let program = Program::run(&settings);
    let client = Client::new();
    let start = isobarn_tests::backlog::now() - Span::hours(30);
    let pack = |first: u64| {
        let records: Vec<String> = (first..first + PACK)
            .map(|i| {
                let time = (start.0 as u64 + i * 1_000) / 1_000;
                format!("{{\"n\":\"field/t\",\"t\":{time},\"v\":{}}}", i % 200)
            })
            .collect();
        let body = format!("[{}]", records.join(","));
        until("room within the station's rate", || {
            let answer = client.senml(program.address("push"), token("field"), &body);
            assert!([204, 429].contains(&answer.status), "{}", answer.body);
            (answer.status == 204).then_some(())
        });
    };
    (0..200).for_each(|i| pack(i * PACK));
    let everything = "/v1/readings?from=2020-01-01T00:00:00Z";
    until("readings", || {
        let body = client.get(program.address("http"), everything).body;
        (body.len() > 1 << 19).then_some(())
    });
    // It asks for everything and takes only the head of the answer.
    let mut slow = TcpStream::connect(program.address("http")).unwrap();
    let ask = format!("GET {everything} HTTP/1.1\r\nHost: house\r\n\r\n");
    slow.write_all(ask.as_bytes()).unwrap();
    let mut head = [0; 64];
    slow.read_exact(&mut head).unwrap();
    assert!(head.starts_with(b"HTTP/1.1 200"), "{}", String::from_utf8_lossy(&head));
    let before = written(&client, &program);
    (200..1_100).for_each(|i| pack(i * PACK));
    let log = folder.path().join("history/history.sqlite3-wal");
    let size = std::fs::metadata(&log).unwrap().len();
    let written = written(&client, &program) - before;
    println!("{size} bytes of log after {written} were written beside a slow reader");
    assert!(written > 8 << 20, "enough to swell it: {written}");
    // SQLite begins anew after 1,000 pages of 4 KiB where no reader holds it up; a commit
    // under way may reach beyond.
    assert!(size < 6 << 20, "{size} bytes");
    drop(slow);
    assert_eq!(program.terminate().0, Some(0));
}

#[test]
fn what_comes_late_is_not_shown_as_the_newest_and_counts_where_it_belongs() {
    let folder = tempfile::tempdir().unwrap();
    let settings = write(folder.path(), "");
    let program = Program::run(&settings);
    let client = Client::new();
    let push = |body: &str| {
        let answer = client.senml(program.address("push"), token("ridge"), body);
        assert_eq!(answer.status, 204, "{}", answer.body);
    };
    push(r#"[{"n":"ridge/t","v":11.5}]"#);
    let now = isobarn_tests::backlog::now();
    let old: Vec<String> = (1..=26)
        .map(|hour| {
            let time = (now - Span::hours(hour)).0 / 1_000;
            format!("{{\"n\":\"ridge/t\",\"t\":{time},\"v\":{}}}", 30 - hour)
        })
        .collect();
    push(&format!("[{}]", old.join(",")));
    let asked = format!("/v1/readings?station=ridge&from={}", now - Span::hours(27));
    until("the late readings", || {
        let body = client.get(program.address("http"), &asked).body;
        (body.matches("\"air_temperature\"").count() >= 27).then_some(())
    });
    let latest: Value =
        serde_json::from_str(&client.get(program.address("http"), "/v1/latest").body).unwrap();
    let shown = latest["latest"]
        .as_array()
        .unwrap()
        .iter()
        .find(|r| r["station"] == "ridge" && r["quantity"] == "air_temperature")
        .unwrap_or_else(|| panic!("{latest}"));
    assert_eq!(shown["value"], 11.5);
    let metrics = client.get(program.address("http"), "/metrics").body;
    let line = metrics
        .lines()
        .find(|l| l.starts_with("isobarn_air_temperature_celsius{") && l.contains("\"ridge\""))
        .unwrap();
    assert!(line.ends_with(" 11.5"), "{line}");
    assert_eq!(program.terminate().0, Some(0));
    // The day before has them: its greatest is the first hour of it that was sent.
    let yesterday = export(&settings, &["--from", &(now - Span::hours(27)).to_string()]);
    let values: Vec<f64> = yesterday
        .lines()
        .map(|l| serde_json::from_str::<Value>(l).unwrap())
        .filter(|r| r["station"] == "ridge" && r["quantity"] == "air_temperature")
        .filter_map(|r| r["value"].as_f64())
        .collect();
    let sent: Vec<f64> = (1..=26).rev().map(|hour| f64::from(30 - hour)).chain([11.5]).collect();
    assert_eq!(values, sent, "in the order of their own times");
}

#[test]
fn told_to_end_under_load_it_keeps_all_it_acknowledged_whatever_a_receiver_does() {
    let folder = tempfile::tempdir().unwrap();
    let sink = Sink::start(|_| Answer::After(Duration::from_secs(60)));
    let table = format!("\n[forward.http.mute]\nurl = \"http://{}/in\"\n", sink.address);
    let settings = write(folder.path(), &table);
    let program = Program::run(&settings);
    let address = program.address("push");
    let ended = Arc::new(AtomicBool::new(false));
    // Ten senders, each ten pushes a second.
    let senders: Vec<_> = (0..10_u64)
        .map(|sender| {
            let ended = Arc::clone(&ended);
            std::thread::spawn(move || {
                let (client, mut acknowledged) = (Client::new(), Vec::new());
                for i in (0..).take_while(|_| !ended.load(Relaxed)) {
                    let value = sender * 1_000 + i;
                    let body = format!("[{{\"n\":\"field/t\",\"v\":{value}}}]");
                    if client.senml(address, token("field"), &body).status == 204 {
                        acknowledged.push(value);
                    }
                    std::thread::sleep(Duration::from_millis(100));
                }
                acknowledged
            })
        })
        .collect();
    until("an attempt", || sink.script_was_asked().then_some(()));
    std::thread::sleep(Duration::from_secs(2));
    let began = Instant::now();
    let (status, said) = program.terminate();
    let took = began.elapsed();
    ended.store(true, Relaxed);
    assert_eq!(status, Some(0), "{said}");
    // Half of the time for which the receiver holds its answer back.
    assert!(took < Duration::from_secs(30), "{took:?}");
    let acknowledged: Vec<u64> = senders.into_iter().flat_map(|s| s.join().unwrap()).collect();
    let mut held: BTreeMap<u64, u32> = BTreeMap::new();
    for line in export(&settings, &["--samples"]).lines() {
        let line: Value = serde_json::from_str(line).unwrap();
        if let Some(value) = line["value"].as_f64() {
            *held.entry(value as u64).or_default() += 1;
        }
    }
    println!("{} acknowledged, {} held, ended in {took:?}", acknowledged.len(), held.len());
    assert!(acknowledged.len() > 20);
    let lost: Vec<_> = acknowledged.iter().filter(|v| held.get(v) != Some(&1)).collect();
    assert!(lost.is_empty(), "{lost:?}");
}

/// How many syncs a service asked for in `time`, with five readings a second over a
/// broker or none.
fn syncs(time: Duration, load: bool) -> usize {
    let folder = tempfile::tempdir().unwrap();
    let port = free_port();
    let _broker = mosquitto(folder.path(), port);
    let settings = write(
        folder.path(),
        &format!(
            "\n[source.mqtt.house]\nbroker = \"mqtt://127.0.0.1:{port}\"\n\
             subscribe = [{{ filter = \"garden/+station/+channel\", payload = \"number\" }}]\n"
        ),
    );
    let text = std::fs::read_to_string(&settings).unwrap();
    let text = text.replace("commit_interval = \"0 s\"", "commit_interval = \"2 s\"");
    std::fs::write(&settings, text.replace("interval = \"1 min\"", "interval = \"200 ms\""))
        .unwrap();
    let disk = Disk::watch(&folder.path().join("history"), folder.path());
    let program = Program::run_in(&settings, &disk.environment());
    let client = Client::new();
    until("the subscription", || {
        let metrics = client.get(program.address("http"), "/metrics").body;
        metrics.contains("isobarn_source_up{source=\"house\"} 1").then_some(())
    });
    let began = Instant::now();
    if load {
        let mut publisher = Command::new("mosquitto_pub")
            .args(["-h", "127.0.0.1", "-p", &port.to_string(), "-q", "1", "-l"])
            .args(["-t", "garden/ridge/t"])
            .stdin(Stdio::piped())
            .spawn()
            .expect("mosquitto_pub is installed: tests/run --install");
        let mut lines = publisher.stdin.take().unwrap();
        let mut i = 0;
        while began.elapsed() < time {
            writeln!(lines, "{}", f64::from(i) * 0.01).unwrap();
            lines.flush().unwrap();
            i += 1;
            std::thread::sleep(Duration::from_millis(200));
        }
        drop(lines);
        assert!(publisher.wait().unwrap().success());
        until("the readings", || {
            let held = export(&settings, &["--samples"]);
            (held.lines().filter(|l| l.contains("\"ridge\"")).count() >= i as usize).then_some(())
        });
    } else {
        std::thread::sleep(time);
    }
    program.kill();
    Notes::read(&disk.log).syncs()
}

#[test]
fn there_is_at_most_one_sync_in_a_commit_interval() {
    let time = Duration::from_secs(12);
    let (idle, loaded) = (syncs(time, false), syncs(time, true));
    println!("{idle} syncs without readings, {loaded} with 60 of them in {time:?}");
    // Two seconds apart, and what was begun at both ends.
    assert!(loaded > idle, "readings are synced");
    assert!(loaded - idle <= 6 + 3, "{loaded} against {idle}");
}
