//! A push is durable before it is answered, readable at once, and there after a kill.

use crate::settings::{token, write};
use isobarn_tests::program::{Program, export};
use isobarn_tests::push::Client;
use isobarn_tests::wait::until;

#[test]
fn a_push_is_readable_at_once_and_survives_a_kill() {
    let folder = tempfile::tempdir().unwrap();
    let settings = write(folder.path(), "");
    let program = Program::run(&settings);
    let client = Client::new();
    let answer = client.senml(
        program.address("push"),
        token("orchard"),
        r#"[{"n":"orchard/t","u":"Cel","v":17.3}]"#,
    );
    assert_eq!(answer.status, 204, "{}", answer.body);
    let page = program.address("http");
    let metric = until("the metric", || {
        let metrics = client.get(page, "/metrics").body;
        metrics
            .lines()
            .find(|l| l.starts_with("isobarn_air_temperature_celsius{"))
            .map(str::to_owned)
    });
    assert!(metric.ends_with(" 17.3"), "{metric}");
    assert!(metric.contains(r#"station="orchard""#), "{metric}");
    let latest = client.get(page, "/v1/latest");
    assert_eq!(latest.status, 200);
    assert!(latest.body.contains("17.3"), "{}", latest.body);
    program.kill();

    let program = Program::run(&settings);
    program.kill();
    let samples = export(&settings, &["--samples"]);
    let kept: Vec<&str> = samples.lines().filter(|l| l.contains(r#""channel":"t""#)).collect();
    assert_eq!(kept.len(), 1, "{samples}");
    assert!(kept[0].contains("17.3"), "{samples}");
    assert!(samples.lines().last().unwrap().starts_with(r#"{"received":"#), "{samples}");
}

#[test]
fn the_same_push_by_eight_at_once_is_kept_once_and_another_value_is_a_conflict() {
    let folder = tempfile::tempdir().unwrap();
    let settings = write(folder.path(), "");
    let program = Program::run(&settings);
    let address = program.address("push");
    let now = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH).unwrap().as_secs();
    let body = format!(r#"[{{"n":"orchard/t","u":"Cel","v":4.5,"t":{now}}}]"#);
    let threads: Vec<_> = (0..8)
        .map(|_| {
            let body = body.clone();
            std::thread::spawn(move || Client::new().senml(address, token("orchard"), &body).status)
        })
        .collect();
    for thread in threads {
        assert_eq!(thread.join().unwrap(), 204);
    }
    let other = format!(r#"[{{"n":"orchard/t","u":"Cel","v":4.6,"t":{now}}}]"#);
    assert_eq!(Client::new().senml(address, token("orchard"), &other).status, 204);
    let metrics = Client::new().get(program.address("http"), "/metrics").body;
    let refused = metrics
        .lines()
        .find(|l| {
            l.starts_with("isobarn_samples_refused_total") && l.contains(r#"reason="conflict""#)
        })
        .unwrap_or_else(|| panic!("no conflict was counted:\n{metrics}"));
    assert!(refused.ends_with(" 1"), "{refused}");
    let (status, _) = program.terminate();
    assert_eq!(status, Some(0));
    let samples = export(&settings, &["--samples"]);
    let kept: Vec<&str> = samples.lines().filter(|l| l.contains(r#""channel":"t""#)).collect();
    assert_eq!(kept.len(), 1, "{samples}");
    assert!(kept[0].contains("4.5"), "the first stays: {samples}");
}

#[test]
fn a_mapped_push_in_the_senders_own_shape_is_understood() {
    let folder = tempfile::tempdir().unwrap();
    let settings = write(
        folder.path(),
        r#"
[source.http.push.map.hedge]
t = { path = "$.screen.temperature", unit = "[degF]" }
h = "/screen/humidity"
"#,
    );
    let program = Program::run(&settings);
    let client = Client::new();
    let push = program.address("push");
    let answer = client.post(
        push,
        "/v1/push/hedge",
        "application/json",
        token("hedge"),
        r#"{"screen":{"temperature":50.0,"humidity":81.5}}"#,
    );
    assert_eq!(answer.status, 204, "{}", answer.body);
    let answer = client.post(
        push,
        "/v1/push/field",
        "application/x-www-form-urlencoded",
        token("field"),
        "t=11.25&h=",
    );
    assert_eq!(answer.status, 204, "{}", answer.body);
    let metrics = client.get(program.address("http"), "/metrics").body;
    let value = |station: &str, name: &str| {
        metrics
            .lines()
            .find(|l| {
                l.starts_with(&format!("isobarn_{name}{{")) && l.contains(&format!("\"{station}\""))
            })
            .and_then(|l| l.rsplit(' ').next())
            .map(str::to_owned)
    };
    assert_eq!(value("hedge", "air_temperature_celsius").as_deref(), Some("10"));
    assert_eq!(value("hedge", "relative_humidity_ratio").as_deref(), Some("0.815"));
    assert_eq!(value("field", "air_temperature_celsius").as_deref(), Some("11.25"));
    assert_eq!(value("field", "relative_humidity_ratio"), None, "an empty key is a gap");
}
