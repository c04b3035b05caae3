//! The clock of the machine set while the service runs and forwards: libfaketime shows
//! the program another wall clock, and leaves the monotonic one alone.

use crate::forwarding::{delivered, same_as_logged};
use crate::settings::{token, write};
use isobarn_tests::program::{Program, command, command_with_input, export};
use isobarn_tests::push::Client;
use isobarn_tests::sink::{Answer, Sink};
use isobarn_tests::wait::until;
use observation::{Span, Time};
use serde_json::Value;
use std::ffi::OsString;
use std::path::{Path, PathBuf};

/// Where Debian's package puts it, whatever the machine.
fn library() -> PathBuf {
    std::fs::read_dir("/usr/lib")
        .unwrap()
        .flatten()
        .map(|entry| entry.path().join("faketime/libfaketimeMT.so.1"))
        .find(|path| path.is_file())
        .expect("libfaketime is installed: tests/run --install")
}

/// The environment of a program that is shown another wall clock.
fn shown(file: &Path) -> [(&'static str, OsString); 5] {
    [
        ("LD_PRELOAD", library().into_os_string()),
        ("FAKETIME_TIMESTAMP_FILE", file.as_os_str().to_owned()),
        ("FAKETIME_NO_CACHE", OsString::from("1")),
        ("FAKETIME_DONT_FAKE_MONOTONIC", OsString::from("1")),
        ("DONT_FAKE_MONOTONIC", OsString::from("1")),
    ]
}

/// Sets the program's clock to so many seconds beside the true one, at a stroke.
fn set(file: &Path, seconds: i64) {
    let new = file.with_extension("new");
    std::fs::write(&new, format!("{seconds:+}")).unwrap();
    std::fs::rename(&new, file).unwrap();
}

fn steps(settings: &Path) -> Vec<(Time, Time)> {
    let instant = |value: &Value| Time::parse(value.as_str().unwrap()).unwrap();
    export(settings, &["--samples"])
        .lines()
        .map(|line| serde_json::from_str::<Value>(line).unwrap())
        .filter(|line| line.get("clock_step").is_some())
        .map(|line| (instant(&line["received"]), instant(&line["clock_step"])))
        .collect()
}

#[test]
fn a_clock_set_back_and_forward_is_logged_and_everything_still_passes_on_once() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("faketime");
    let sink = Sink::willing();
    let table = format!("\n[forward.http.archive]\nurl = \"http://{}/in\"\n", sink.address);
    let settings = write(folder.path(), &table);
    // Two hours behind, so that nothing lies in the future of this test's own clock.
    set(&file, -7_200);
    let environment = shown(&file);
    let program = Program::run_in(&settings, &environment);
    let client = Client::new();
    let push = |value: f64| {
        let body = format!("[{{\"n\":\"hedge/t\",\"v\":{value}}}]");
        let answer = client.senml(program.address("push"), token("hedge"), &body);
        assert_eq!(answer.status, 204, "{answer:?}");
    };
    push(4.25);
    assert_eq!(steps(&settings), []);
    let hour = Span::hours(1);
    let mut seen = Vec::new();
    for (offset, expected, value) in
        [(-10_800, -hour.0, 4.5), (-3_600, 2 * hour.0, 4.75), (-7_200, -hour.0, 5.0)]
    {
        set(&file, offset);
        push(value);
        until("the step in the log", || (steps(&settings).len() > seen.len()).then_some(()));
        seen = steps(&settings);
        let (old, new) = *seen.last().unwrap();
        let stepped = (new - old).0;
        // What passes between the old clock's last look and the new one's first is no step.
        assert!((stepped - expected).abs() < 5_000, "{stepped} ms instead of {expected}");
    }
    push(5.25);
    assert_eq!(steps(&settings).len(), 3, "nothing else is a step");
    let health = client.get(program.address("http"), "/health");
    assert_eq!(health.status, 200, "{health:?}");

    // Every reading is delivered, once, in the order of the log.
    until("an empty backlog", || {
        let output = command(&["status", "--json", "--config", settings.to_str().unwrap()]);
        let document: Value = serde_json::from_slice(&output.stdout).unwrap();
        (document["forwarders"][0]["backlog"] == 0).then_some(())
    });
    assert_eq!(program.terminate().0, Some(0));
    let (all, twice, ordered) = delivered(&sink);
    assert_eq!((twice, ordered), (0, true));
    same_as_logged(&settings, &all);

    // What was dated by a clock that was wrong is told, and replay makes the same of it.
    let everything = export(&settings, &["--from", "2020-01-01T00:00:00Z"]);
    let told = everything
        .lines()
        .map(|line| serde_json::from_str::<Value>(line).unwrap())
        .filter(|row| row["reasons"].as_array().is_some_and(|r| r.contains(&"clock".into())))
        .count();
    assert!(told > 0, "{everything}");
    same_in_replay(&settings, &everything);
}

#[test]
fn a_clock_that_runs_ahead_for_a_while_ages_no_backlog() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("faketime");
    let sink = Sink::start(|_| Answer::Status(503, "", "not now"));
    let table = format!(
        "\n[forward.http.archive]\nurl = \"http://{}/in\"\nbacklog_age = \"1 d\"\n",
        sink.address
    );
    let settings = write(folder.path(), &table);
    set(&file, 0);
    let program = Program::run_in(&settings, &shown(&file));
    let client = Client::new();
    let push = |value: f64| {
        let body = format!("[{{\"n\":\"hedge/t\",\"v\":{value}}}]");
        assert_eq!(client.senml(program.address("push"), token("hedge"), &body).status, 204);
    };
    for value in [4.25, 4.5, 4.75] {
        push(value);
    }
    // Forty days ahead, and the receiver still does not take anything.
    set(&file, 40 * 86_400);
    push(5.0);
    until("the step in the log", || (steps(&settings).len() == 1).then_some(()));
    let asked = sink.asked().len();
    until("another attempt", || (sink.asked().len() > asked + 1).then_some(()));
    set(&file, 0);
    push(5.25);
    until("the step back", || (steps(&settings).len() == 2).then_some(()));
    sink.script(|_| Answer::Status(204, "", ""));
    until("what was pushed", || {
        let lines = sink.lines().join("\n");
        ["4.25", "4.5", "4.75", "5.25"]
            .iter()
            .all(|v| lines.contains(&format!("\"value\":{v},")))
            .then_some(())
    });
    let output = command(&["status", "--json", "--config", settings.to_str().unwrap()]);
    let document: Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(document["forwarders"][0]["given_up"], 0);
    assert_eq!(program.terminate().0, Some(0));
}

/// What was sampled gives the same readings once more.
fn same_in_replay(settings: &Path, everything: &str) {
    let samples = export(settings, &["--samples"]);
    let path = settings.to_str().unwrap();
    let arguments = ["replay", "--config", path, "--input", "-", "--final"];
    let replayed = command_with_input(&arguments, samples.as_bytes());
    assert_eq!(String::from_utf8(replayed.stdout).unwrap(), everything);
}

#[test]
fn what_came_before_the_clock_was_set_is_kept_and_said_to_be_uncertain() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("faketime");
    let settings = write(folder.path(), "");
    // A small board without a clock of its own begins in 1970.
    let since_1970 = isobarn_tests::backlog::now().0 / 1_000;
    set(&file, 3_600 - since_1970);
    let program = Program::run_in(&settings, &shown(&file));
    let client = Client::new();
    let push = |value: f64, time: Option<i64>| {
        let time = time.map_or(String::new(), |time| format!(",\"t\":{time}"));
        let body = format!("[{{\"n\":\"hedge/t\",\"v\":{value}{time}}}]");
        client.senml(program.address("push"), token("hedge"), &body).status
    };
    assert_eq!(push(4.25, None), 204);
    // One that knows the time is believed once the server does too.
    let known = since_1970 - 60;
    assert_eq!(push(4.5, Some(known)), 204);
    set(&file, 0);
    assert_eq!(push(4.75, None), 204);
    until("the step in the log", || (steps(&settings).len() == 1).then_some(()));
    let rows = || -> Vec<Value> {
        export(&settings, &["--from", "1970-01-01T00:00:00Z", "--station", "hedge"])
            .lines()
            .map(|line| serde_json::from_str(line).unwrap())
            .filter(|row: &Value| row["value"].is_number())
            .collect()
    };
    let of =
        |rows: &[Value], value: f64| rows.iter().find(|row| row["value"] == value).unwrap().clone();
    until("all three", || (rows().len() == 3).then_some(()));
    let uncertain =
        until("the doubt", || Some(of(&rows(), 4.25)).filter(|row| row["flag"] == "doubtful"));
    assert_eq!(uncertain["reasons"], serde_json::json!(["clock"]));
    assert!(uncertain["time"].as_str().unwrap().starts_with("1970-01-01T01"), "{uncertain}");
    assert_eq!(
        (&uncertain["flag"], &uncertain["reasons"][0]),
        (&"doubtful".into(), &"clock".into())
    );
    assert_eq!(of(&rows(), 4.5)["time"], Time(known * 1_000).to_string());
    assert_eq!(of(&rows(), 4.75)["reasons"], serde_json::json!([]));
    let latest = client.get(program.address("http"), "/v1/latest").body;
    assert!(latest.contains("4.75") && !latest.contains("4.25"), "{latest}");
    assert_eq!(program.terminate().0, Some(0));
    same_in_replay(&settings, &export(&settings, &["--from", "1970-01-01T00:00:00Z"]));
}
