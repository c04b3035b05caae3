//! Disks that are full, fail, turn read-only or are slow: nothing acknowledged is lost,
//! the service says what is wrong and goes on by itself where that is safe.

use crate::settings::{token, write};
use isobarn_tests::backlog::{self, Backlog, now};
use isobarn_tests::disk::{Disk, Fault, Filler, Small};
use isobarn_tests::program::{Program, command, export};
use isobarn_tests::push::Client;
use isobarn_tests::sink::{Answer, Sink};
use isobarn_tests::wait::until;
use observation::Span;
use serde_json::Value;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// A sender whose samples have a time each, which identifies them.
struct Sender {
    client: Client,
    start: i64,
    next: i64,
    acknowledged: BTreeMap<i64, f64>,
}

impl Sender {
    fn new() -> Self {
        let start = now().0 / 1_000 - 86_400;
        Self { client: Client::new(), start, next: 0, acknowledged: BTreeMap::new() }
    }

    /// Sends the next sample; goes on to the one after it only once it is acknowledged.
    fn send(&mut self, program: &Program) -> u16 {
        let (time, value) = (self.start + self.next * 10, self.next as f64 * 0.25);
        let body = format!(r#"[{{"n":"orchard/t","u":"Cel","v":{value},"t":{time}}}]"#);
        let status = self.client.senml(program.address("push"), token("orchard"), &body).status;
        if status == 204 {
            self.acknowledged.insert(time, value);
            self.next += 1;
        }
        status
    }

    /// Sends so many, each acknowledged.
    fn send_all(&mut self, program: &Program, count: i64) {
        let end = self.next + count;
        until("receipts", || {
            while self.next < end && self.send(program) == 204 {}
            (self.next == end).then_some(())
        });
    }

    /// Sends until one is refused.
    fn send_until_refused(&mut self, program: &Program) -> u16 {
        for _ in 0..100_000 {
            let status = self.send(program);
            if status != 204 {
                return status;
            }
        }
        panic!("never refused");
    }

    /// What is kept is what was acknowledged, each once, and at most what was sent
    /// without an answer besides.
    fn compare(&self, settings: &Path) {
        let mut kept: BTreeMap<i64, Vec<f64>> = BTreeMap::new();
        for line in export(settings, &["--samples"]).lines() {
            let line: Value = serde_json::from_str(line).unwrap();
            if let (Some(time), Some(value)) = (line["time"].as_str(), line["value"].as_f64()) {
                let time = observation::Time::parse(time).unwrap().0 / 1_000;
                kept.entry(time).or_default().push(value);
            }
        }
        for (time, value) in &self.acknowledged {
            assert_eq!(kept.get(time), Some(&vec![*value]), "{time}: acknowledged");
        }
        assert!(kept.values().all(|v| v.len() == 1), "nothing twice");
        assert!(kept.len() - self.acknowledged.len() <= 1, "only the last one sent is open");
        println!("{} acknowledged, {} kept, each once", self.acknowledged.len(), kept.len());
    }
}

fn health(program: &Program) -> (u16, String) {
    let answer = Client::new().get(program.address("http"), "/health");
    (answer.status, answer.body)
}

fn metric(program: &Program, name: &str) -> Option<f64> {
    let text = Client::new().get(program.address("http"), "/metrics").body;
    let line = text.lines().find_map(|l| l.strip_prefix(name))?;
    line.trim().parse().ok()
}

fn cursor(settings: &Path) -> u64 {
    let store = settings.parent().unwrap().join("history/history.sqlite3");
    let connection = rusqlite::Connection::open(store).unwrap();
    let kept =
        connection.query_row("SELECT ifnull(max(delivered), 0) FROM cursor", [], |r| r.get(0));
    kept.map(i64::cast_unsigned).unwrap()
}

/// SQLite's own check of the whole history.
pub(crate) fn sound(settings: &Path) {
    let store = settings.parent().unwrap().join("history/history.sqlite3");
    let connection = rusqlite::Connection::open(store).unwrap();
    let verdict: String = connection.query_row("PRAGMA integrity_check", [], |r| r.get(0)).unwrap();
    assert_eq!(verdict, "ok");
}

/// A history on a disk of 8 MiB and a receiver.
fn small(test: &str, folder: &Path) -> Option<(Small, Sink, PathBuf)> {
    let test = format!("disks::{test}");
    let small = Small::mount_for(&test, &folder.join("history"), 8 << 20)?;
    let sink = Sink::start(|_| Answer::Status(204, "", ""));
    let table = format!("\n[forward.http.archive]\nurl = \"http://{}/in\"\n", sink.address);
    Some((small, sink, write(folder, &table)))
}

#[test]
fn a_full_disk_stops_receipts_and_nothing_else_and_room_lets_it_go_on() {
    let folder = tempfile::tempdir().unwrap();
    let Some((_small, sink, settings)) =
        small("a_full_disk_stops_receipts_and_nothing_else_and_room_lets_it_go_on", folder.path())
    else {
        return;
    };
    let store = folder.path().join("history");
    sink.script(|_| Answer::Status(503, "", ""));
    let records = 50;
    backlog::write(&settings, Backlog { records, readings: 500, step: Span::seconds(10) });
    let program = Program::run(&settings);
    let mut sender = Sender::new();
    sender.send_all(&program, 50);
    assert_eq!(metric(&program, "isobarn_history_writable"), Some(1.0));

    let filler = Filler::all_but(&store, 256 << 10);
    assert_eq!(sender.send_until_refused(&program), 503);
    let full = sender.next;
    println!("full after {full} samples");
    let (status, body) = health(&program);
    assert_eq!(status, 503, "{body}");
    assert!(body.contains("no space is left"), "{body}");
    assert_eq!(metric(&program, "isobarn_history_writable"), Some(0.0));
    let page = Client::new().get(program.address("http"), "/");
    assert_eq!(page.status, 200);
    assert!(page.body.contains("no space is left"), "the page says so");
    let asked = Client::new().get(program.address("http"), "/v1/readings?station=orchard");
    assert_eq!(asked.status, 200, "{}", asked.body);
    assert_eq!(sender.send(&program), 503, "still");
    assert!(program.said().contains("no space is left"), "{}", program.said());

    // What waited is delivered meanwhile, and how far that came is kept (every 20,000
    // readings while no record is committed): the ballast is
    // there for that.
    sink.script(|_| Answer::Status(204, "", ""));
    until("the cursor", || (cursor(&settings) >= records * 3 / 4).then_some(()));
    let (delivered, cursor) = (sink.lines().len(), cursor(&settings));
    println!("while it is full: {delivered} readings delivered, the cursor at {cursor}");
    assert_eq!(health(&program).0, 503, "still full");

    drop(filler);
    sender.send_all(&program, 20);
    until("health", || (health(&program).0 == 200).then_some(()));
    assert_eq!(metric(&program, "isobarn_history_writable"), Some(1.0));
    let (status, said) = program.terminate();
    assert_eq!(status, Some(0), "{said}");
    sender.compare(&settings);
    sound(&settings);
}

#[test]
fn a_kill_on_a_full_disk_loses_nothing_and_the_next_start_goes_on() {
    let folder = tempfile::tempdir().unwrap();
    let Some((_small, _sink, settings)) =
        small("a_kill_on_a_full_disk_loses_nothing_and_the_next_start_goes_on", folder.path())
    else {
        return;
    };
    let store = folder.path().join("history");
    let program = Program::run(&settings);
    let mut sender = Sender::new();
    sender.send_all(&program, 50);
    let filler = Filler::all_but(&store, 64 << 10);
    assert_eq!(sender.send_until_refused(&program), 503);
    // A copy has no room either, and no half of one is left.
    let copy = store.join("copy.sqlite3");
    let output =
        command(&["backup", "--config", settings.to_str().unwrap(), copy.to_str().unwrap()]);
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(1), "{said}");
    assert!(said.contains("full") && said.contains("copy.sqlite3"), "{said}");
    assert!(!copy.exists());
    program.kill();
    let program = Program::run(&settings);
    assert_eq!(Client::new().get(program.address("http"), "/").status, 200);
    let refused = sender.send_until_refused(&program);
    assert_eq!(refused, 503);
    drop(filler);
    sender.send_all(&program, 20);
    assert_eq!(program.terminate().0, Some(0));
    sender.compare(&settings);
    sound(&settings);
    let ballast = std::fs::metadata(store.join("ballast")).map_or(0, |m| m.len());
    assert!(ballast > 0, "the ballast is there again");
}

#[test]
fn a_damaged_history_on_a_full_disk_is_saved_with_the_ballast_or_stays_as_it_is() {
    let folder = tempfile::tempdir().unwrap();
    let Some((_small, _sink, settings)) = small(
        "a_damaged_history_on_a_full_disk_is_saved_with_the_ballast_or_stays_as_it_is",
        folder.path(),
    ) else {
        return;
    };
    let store = folder.path().join("history");
    let program = Program::run(&settings);
    let mut sender = Sender::new();
    sender.send_all(&program, 50);
    assert_eq!(program.terminate().0, Some(0));
    let (database, ballast) = (store.join("history.sqlite3"), store.join("ballast"));
    let damage = || {
        let file = std::fs::OpenOptions::new().write(true).open(&database).unwrap();
        std::os::unix::fs::FileExt::write_all_at(&file, &[0; 16], 0).unwrap();
    };
    damage();
    let damaged = std::fs::read(&database).unwrap();

    // Without a ballast there is no room for a new one: the old one stays where it is.
    std::fs::remove_file(&ballast).unwrap();
    let filler = Filler::all_but(&store, 16 << 10);
    let run = ["run", "--config", settings.to_str().unwrap()];
    let (status, said) = Program::start_unready(&settings, &run).wait();
    assert!(status != Some(0) && said.contains("no space is left"), "{status:?} {said}");
    assert_eq!(std::fs::read(&database).unwrap(), damaged);
    drop(filler);

    let program = Program::run(&settings);
    assert!(program.said().contains("a new one was begun"), "{}", program.said());
    sender.send_all(&program, 10);
    assert_eq!(program.terminate().0, Some(0));

    sender.compare(&settings);

    // With one there is.
    damage();
    assert!(std::fs::metadata(&ballast).unwrap().len() > 0);
    let filler = Filler::all_but(&store, 16 << 10);
    let program = Program::run(&settings);
    assert!(program.said().contains("a new one was begun"), "{}", program.said());
    drop(filler);
    sender.send_all(&program, 10);
    assert_eq!(program.terminate().0, Some(0));
    sender.compare(&settings);
    sound(&settings);
}

/// A service whose disk the test rules.
fn ruled(folder: &Path) -> (Disk, PathBuf, Program) {
    let settings = write(folder, "");
    let disk = Disk::watch(&folder.join("history"), folder);
    let program = Program::run_in(&settings, &disk.faults_only());
    (disk, settings, program)
}

#[test]
fn writes_that_fail_are_repeated_until_they_go_through() {
    for fault in [Fault::Full, Fault::Write, Fault::ReadOnly] {
        let folder = tempfile::tempdir().unwrap();
        let (disk, settings, program) = ruled(folder.path());
        let mut sender = Sender::new();
        sender.send_all(&program, 20);
        disk.begin(fault);
        assert_eq!(sender.send(&program), 503, "{fault:?}");
        let (status, body) = health(&program);
        assert_eq!(status, 503, "{fault:?}: {body}");
        assert!(body.contains("nothing can be committed"), "{fault:?}: {body}");
        assert_eq!(sender.send(&program), 503, "{fault:?}");
        disk.end(fault);
        sender.send_all(&program, 20);
        until("health", || (health(&program).0 == 200).then_some(()));
        let (status, said) = program.terminate();
        assert_eq!(status, Some(0), "{fault:?}: {said}");
        sender.compare(&settings);
        sound(&settings);
    }
}

#[test]
fn a_sync_that_fails_ends_the_process_without_a_receipt_and_the_next_start_has_the_rest() {
    let folder = tempfile::tempdir().unwrap();
    let (disk, settings, program) = ruled(folder.path());
    let mut sender = Sender::new();
    sender.send_all(&program, 20);
    disk.begin(Fault::Sync);
    let status = sender.send(&program);
    assert_ne!(status, 204, "no receipt after a sync that failed");
    assert!(!disk.end(Fault::Sync), "the sync was reached");
    let (status, said) = program.wait();
    assert_eq!(status, Some(1), "{said}");
    assert!(said.contains("cannot be synced"), "{said}");
    let program = Program::run(&settings);
    sender.send_all(&program, 20);
    assert_eq!(program.terminate().0, Some(0));
    sender.compare(&settings);
    sound(&settings);
}

#[test]
fn a_disk_that_cannot_be_written_at_the_start_ends_it_with_the_reason() {
    let folder = tempfile::tempdir().unwrap();
    let Some((small, _sink, settings)) =
        small("a_disk_that_cannot_be_written_at_the_start_ends_it_with_the_reason", folder.path())
    else {
        return;
    };
    let program = Program::run(&settings);
    let mut sender = Sender::new();
    sender.send_all(&program, 5);
    assert_eq!(program.terminate().0, Some(0));
    small.read_only();
    let path = settings.to_str().unwrap();
    let (status, said) = Program::start_unready(&settings, &["run", "--config", path]).wait();
    assert_eq!(status, Some(1), "{said}");
    assert!(said.contains("history") && said.to_lowercase().contains("read-only"), "{said}");
    // What is there can still be read, and saved.
    sender.compare(&settings);
    let copy = folder.path().join("copy.sqlite3");
    for arguments in
        [vec!["status", "--config", path], vec!["backup", "--config", path, copy.to_str().unwrap()]]
    {
        let output = command(&arguments);
        let said = String::from_utf8_lossy(&output.stderr);
        assert!(output.status.success(), "{arguments:?}: {said}");
    }
}

#[test]
fn a_slow_disk_gives_late_receipts_or_503_and_the_page_answers_at_once() {
    let folder = tempfile::tempdir().unwrap();
    let (disk, settings, program) = ruled(folder.path());
    let mut sender = Sender::new();
    sender.send_all(&program, 5);
    disk.begin(Fault::Slow);
    let pages = std::thread::scope(|scope| {
        let asking = scope.spawn(|| {
            let client = Client::new();
            (0..20)
                .map(|_| {
                    std::thread::sleep(std::time::Duration::from_millis(50));
                    client.get(program.address("http"), "/v1/latest").status
                })
                .collect::<Vec<_>>()
        });
        let statuses: Vec<u16> = (0..4).map(|_| sender.send(&program)).collect();
        println!("receipts on a slow disk: {statuses:?}");
        assert!(statuses.iter().all(|s| [204, 503].contains(s)), "{statuses:?}");
        asking.join().unwrap()
    });
    assert!(pages.iter().all(|s| *s == 200), "{pages:?}");
    disk.end(Fault::Slow);
    sender.send_all(&program, 5);
    assert_eq!(program.terminate().0, Some(0));
    sender.compare(&settings);
}
