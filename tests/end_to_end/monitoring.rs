//! A real Prometheus reads the metrics; promtool finds nothing to say.

use crate::settings::{token, write};
use isobarn_tests::peers::prometheus;
use isobarn_tests::program::Program;
use isobarn_tests::push::Client;
use isobarn_tests::wait::until;
use serde_json::Value;
use std::io::Write;
use std::process::{Command, Stdio};

fn feed(program: &Program, client: &Client) {
    let body = r#"[{"bn":"orchard/","n":"t","u":"Cel","v":12.34},{"n":"h","u":"%RH","v":81},
        {"n":"p","u":"hPa","v":987.6},{"n":"turns","v":100},{"n":"switches","v":1},{"n":"tips","v":7}]"#;
    assert_eq!(client.senml(program.address("push"), token("orchard"), body).status, 204);
    // Refusals too have their metrics.
    assert_eq!(client.senml(program.address("push"), token("orchard"), "[{").status, 400);
}

#[test]
fn promtool_finds_nothing_to_say() {
    let folder = tempfile::tempdir().unwrap();
    let program = Program::run(&write(folder.path(), ""));
    let client = Client::new();
    feed(&program, &client);
    let answer = client.get(program.address("http"), "/metrics");
    assert_eq!(answer.status, 200);
    assert!(answer.kind.starts_with("text/plain; version=0.0.4"), "{}", answer.kind);
    let mut child = Command::new("promtool")
        .args(["check", "metrics"])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("promtool is installed: tests/run --install");
    child.stdin.take().unwrap().write_all(answer.body.as_bytes()).unwrap();
    let output = child.wait_with_output().unwrap();
    let said = String::from_utf8_lossy(&output.stderr).into_owned()
        + &String::from_utf8_lossy(&output.stdout);
    assert!(output.status.success() && said.trim().is_empty(), "{said}\n{}", answer.body);
}

#[test]
fn a_real_prometheus_scrapes_and_answers_queries() {
    let folder = tempfile::tempdir().unwrap();
    let program = Program::run(&write(folder.path(), ""));
    let client = Client::new();
    feed(&program, &client);
    let prometheus = prometheus(folder.path(), program.address("http"));
    let query = |expression: &str| -> Option<String> {
        let answer = client.get(prometheus.address, &format!("/api/v1/query?query={expression}"));
        let answer: Value = serde_json::from_str(&answer.body).ok()?;
        answer["data"]["result"][0]["value"][1].as_str().map(str::to_owned)
    };
    assert_eq!(until("the scraped value", || query("isobarn_air_temperature_celsius")), "12.34");
    assert_eq!(
        until("the station", || query("isobarn_station_up%7Bstation=%22orchard%22%7D")),
        "1"
    );
    assert_eq!(until("the pressure", || query("isobarn_surface_air_pressure_pascals")), "98760");
    assert_eq!(until("the source", || query("isobarn_source_up%7Bsource=%22push%22%7D")), "1");
}
