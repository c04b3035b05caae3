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

#[test]
fn the_demo_shows_readings_that_came_three_ways_and_ends_well() {
    let folder = tempfile::tempdir().unwrap();
    let program = demo(folder.path(), &["--minutes", "1"]);
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
    let program = demo(folder.path(), &[]);
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

    let program = demo(folder.path(), &[]);
    let settings = folder.path().join("isobarn.toml");
    let number = program.id();
    let samples = export(&settings, &["--samples"]);
    assert!(samples.contains(r#""value":17.3"#), "the push is gone after a kill");
    signal(number, "INT");
    let (status, said) = program.wait();
    assert_eq!(status, Some(0), "{said}");
}
