//! The demo: three invented stations, three ways in, one real service.

use isobarn_tests::program::{Program, export, signal};
use isobarn_tests::push::Client;
use isobarn_tests::wait::until;
use std::path::Path;
use std::sync::{Mutex, PoisonError};

/// Two demos that begin at the same moment may choose the same ports.
static CHOOSING: Mutex<()> = Mutex::new(());

fn demo(folder: &Path, more: &[&str]) -> Program {
    let _alone = CHOOSING.lock().unwrap_or_else(PoisonError::into_inner);
    let directory = folder.to_str().unwrap();
    Program::start(folder, &[&["demo", "--directory", directory], more].concat())
}

/// Without a past, which takes a while.
fn bare(folder: &Path, more: &[&str]) -> Program {
    demo(folder, &[&["--past", "0"], more].concat())
}

#[test]
fn the_demo_shows_readings_that_came_three_ways_and_ends_well() {
    let folder = tempfile::tempdir().unwrap();
    let program = bare(folder.path(), &["--minutes", "1"]);
    let client = Client::new();
    let page = program.address("http");
    let sources = until("samples by every way", || {
        let metrics = client.get(page, "/metrics").body;
        let accepted: Vec<String> = metrics
            .lines()
            .filter(|l| l.starts_with("isobarn_samples_total{") && l.contains("accepted"))
            .filter(|l| !l.ends_with(" 0"))
            .map(str::to_owned)
            .collect();
        (accepted.len() == 3).then_some(accepted)
    });
    assert_eq!(sources.len(), 3);
    let latest = client.get(page, "/v1/latest").body;
    let stations: serde_json::Value =
        serde_json::from_str(&client.get(page, "/v1/stations").body).unwrap();
    assert!(!latest.is_empty());
    assert_eq!(stations.as_array().or(stations["stations"].as_array()).map(Vec::len), Some(3));
    let (status, said) = program.wait();
    assert_eq!(status, Some(0), "{said}");
    assert!(said.contains("invented"), "{said}");
    assert!(said.contains("/metrics"), "{said}");
}

#[test]
fn a_push_to_the_demo_survives_a_kill_of_it() {
    let folder = tempfile::tempdir().unwrap();
    let program = bare(folder.path(), &[]);
    let said = program.said();
    // The demo says how to push by hand; the test follows what it says.
    let word = |after: &str| {
        said.split(after)
            .nth(1)
            .and_then(|rest| rest.split(['\'', '"', ' ', '\n']).next())
            .unwrap_or_else(|| panic!("no {after:?} in\n{said}"))
            .to_owned()
    };
    let token = word("Authorization: Bearer ");
    let station = word("/v1/push/");
    let client = Client::new();
    let answer = client.post(
        program.address("push"),
        &format!("/v1/push/{station}"),
        "application/json",
        &token,
        r#"{"t":17.3}"#,
    );
    assert_eq!(answer.status, 204, "{}", answer.body);
    let page = program.address("http");
    until("the value in the metrics", || {
        client
            .get(page, "/metrics")
            .body
            .lines()
            .any(|l| l.starts_with("isobarn_air_temperature_celsius{") && l.ends_with(" 17.3"))
            .then_some(())
    });
    assert!(client.get(page, "/v1/latest").body.contains("17.3"));
    program.kill();

    let program = bare(folder.path(), &[]);
    let settings = folder.path().join("isobarn.toml");
    let number = program.id();
    let samples = export(&settings, &["--samples"]);
    assert!(samples.contains(r#""value":17.3"#), "the push is gone after a kill");
    signal(number, "INT");
    let (status, said) = program.wait();
    assert_eq!(status, Some(0), "{said}");
}

#[test]
fn an_invented_past_is_summed_up_kept_and_not_made_twice() {
    let folder = tempfile::tempdir().unwrap();
    let program = demo(folder.path(), &["--past", "3"]);
    assert!(program.said().contains("the past 3 days are invented"), "{}", program.said());
    let client = Client::new();
    let page = program.address("http");
    let days = client.get(page, "/v1/summaries?by=day&quantity=air_temperature&station=yard").body;
    let days: serde_json::Value = serde_json::from_str(&days).unwrap();
    let rows = days["summaries"].as_array().unwrap();
    let whole: Vec<&serde_json::Value> = rows
        .iter()
        .filter(|day| day["count"].is_number() && day["count"] == day["expected"])
        .collect();
    assert!(whole.len() >= 2, "{days:#}");
    let sheet = client.get(page, "/?range=48h&station=orchard").body;
    let morning = sheet.split("id=\"morning\"").nth(1).expect("a morning sheet");
    let cells = morning.split("<tbody>").nth(1).unwrap().split("</tbody>").next().unwrap();
    // Three stations; none of them has a thermometer above grass.
    assert_eq!(cells.matches("<tr>").count(), 3, "{cells}");
    assert_eq!(cells.matches("<td").count(), 3 * 8, "{cells}");
    assert!(cells.contains("\u{a0}V"), "a battery at its lowest: {cells}");
    assert!(cells.contains("\u{b0}C") && cells.contains("m/s") && cells.contains("mm"), "{cells}");
    let settings = folder.path().join("isobarn.toml");
    let end = whole[0]["to"].as_str().unwrap().to_owned();
    let before = export(&settings, &["--to", &end]);
    assert!(before.lines().count() > 10_000, "{}", before.lines().count());
    // The fault of the past goes on in the present.
    assert!(folder.path().join("invented-fault.txt").exists());
    let number = program.id();
    signal(number, "INT");
    assert_eq!(program.wait().0, Some(0));

    let program = demo(folder.path(), &["--past", "3"]);
    assert!(!program.said().contains("are invented and judged"), "{}", program.said());
    assert_eq!(export(&settings, &["--to", &end]), before);
    drop(program);
}
