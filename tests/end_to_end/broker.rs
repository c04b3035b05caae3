//! A real broker with its own client tools as the sender.

use crate::settings::write;
use isobarn_tests::peers::mosquitto;
use isobarn_tests::program::Program;
use isobarn_tests::push::Client;
use isobarn_tests::wait::{free_port, until};
use std::process::Command;

fn publish(port: u16, topic: &str, payload: &str, more: &[&str]) {
    let status = Command::new("mosquitto_pub")
        .args(["-h", "127.0.0.1", "-p", &port.to_string(), "-t", topic, "-m", payload, "-q", "1"])
        .args(more)
        .status()
        .expect("mosquitto_pub is installed: tests/run --install");
    assert!(status.success());
}

fn metric(client: &Client, program: &Program, name: &str, station: &str) -> Option<String> {
    client
        .get(program.address("http"), "/metrics")
        .body
        .lines()
        .find(|l| l.starts_with(&format!("{name}{{")) && l.contains(&format!("\"{station}\"")))
        .and_then(|l| l.rsplit(' ').next())
        .map(str::to_owned)
}

fn every_payload(protocol: &str) {
    let folder = tempfile::tempdir().unwrap();
    let port = free_port();
    let broker = mosquitto(folder.path(), port);
    let settings = write(
        folder.path(),
        &format!(
            r#"
[source.mqtt.house]
broker = "mqtt://127.0.0.1:{port}"
protocol = "{protocol}"
subscribe = [
    {{ filter = "number/+station/+channel", payload = "number" }},
    {{ filter = "flat/+station", payload = "json" }},
    {{ filter = "own/shape", payload = "json", station = "hedge", map = {{ t = "/deep/0/temperature", h = {{ path = "$.deep[0].wet", unit = "1" }} }} }},
    {{ filter = "pack", payload = "senml" }},
    {{ filter = "pairs/+station", payload = "key-value" }},
]
"#
        ),
    );
    let program = Program::run(&settings);
    let client = Client::new();
    let temperature = "isobarn_air_temperature_celsius";
    let humidity = "isobarn_relative_humidity_ratio";
    until("the subscriptions", || {
        (metric(&client, &program, "isobarn_source_up", "house")? == "1").then_some(())
    });
    publish(port, "number/orchard/t", "7.25", &[]);
    publish(port, "flat/orchard", r#"{"h":55.5}"#, &[]);
    publish(port, "own/shape", r#"{"deep":[{"temperature":-3.5,"wet":0.9}]}"#, &[]);
    publish(port, "pack", r#"[{"n":"field/t","u":"K","v":280.15}]"#, &[]);
    publish(port, "pairs/ridge", "t=1.5, h=99", &[]);
    for (name, station, value) in [
        (temperature, "orchard", "7.25"),
        (humidity, "orchard", "0.555"),
        (temperature, "hedge", "-3.5"),
        (humidity, "hedge", "0.9"),
        (temperature, "field", "7"),
        (temperature, "ridge", "1.5"),
        (humidity, "ridge", "0.99"),
    ] {
        until(&format!("{value} from {station}"), || {
            (metric(&client, &program, name, station)? == value).then_some(())
        });
    }

    // A retained message proves nothing; what cannot be read is counted and the rest goes on.
    publish(port, "number/orchard/t", "99", &["-r"]);
    publish(port, "number/orchard/t", "nan", &[]);
    publish(port, "number/orchard/frog", "1", &[]);
    publish(port, "flat/orchard", r#"{"t":1,"t":2}"#, &[]);
    publish(port, "number/orchard/t", "7.5", &[]);
    until("the next good value", || {
        (metric(&client, &program, temperature, "orchard")? == "7.5").then_some(())
    });
    let metrics = client.get(program.address("http"), "/metrics").body;
    for reason in ["not_finite", "unknown_channel", "duplicate_key"] {
        assert!(
            metrics.lines().any(|l| l.starts_with("isobarn_samples_refused_total{")
                && l.contains(&format!("reason=\"{reason}\""))),
            "{reason} is not counted:\n{metrics}"
        );
    }

    // The broker dies and comes back without its memory: we subscribe again.
    broker.kill();
    until("the loss to be shown", || {
        (metric(&client, &program, "isobarn_source_up", "house")? == "0").then_some(())
    });
    std::fs::remove_file(folder.path().join("mosquitto.db")).ok();
    let _broker = mosquitto(folder.path(), port);
    until("the return", || {
        (metric(&client, &program, "isobarn_source_up", "house")? == "1").then_some(())
    });
    publish(port, "number/orchard/t", "7.75", &[]);
    until("a value after the return", || {
        (metric(&client, &program, temperature, "orchard")? == "7.75").then_some(())
    });
}

#[test]
fn every_payload_arrives_by_mqtt_3() {
    every_payload("3.1.1");
}

#[test]
fn every_payload_arrives_by_mqtt_5() {
    every_payload("5");
}

#[test]
fn stations_speak_to_the_inlet_with_the_brokers_own_tools() {
    let folder = tempfile::tempdir().unwrap();
    let settings = write(folder.path(), "\n[source.mqtt_inlet.yard]\nlisten = \"127.0.0.1:0\"\n");
    let program = Program::run(&settings);
    let client = Client::new();
    let port = program.address("yard").port();
    let token = crate::settings::token("orchard");
    publish(port, "orchard/t", "3.25", &["-u", "orchard", "-P", token]);
    publish(port, "orchard", r#"{"h":77}"#, &["-u", "orchard", "-P", token]);
    until("the number", || {
        (metric(&client, &program, "isobarn_air_temperature_celsius", "orchard")? == "3.25")
            .then_some(())
    });
    until("the object", || {
        (metric(&client, &program, "isobarn_relative_humidity_ratio", "orchard")? == "0.77")
            .then_some(())
    });
    let refused = Command::new("mosquitto_pub")
        .args(["-h", "127.0.0.1", "-p", &port.to_string(), "-t", "orchard/t", "-m", "1", "-q", "1"])
        .args(["-u", "orchard", "-P", "a wrong token"])
        .output()
        .unwrap();
    assert!(!refused.status.success(), "a wrong token was accepted");
    until("the refusal to be counted", || {
        client
            .get(program.address("http"), "/metrics")
            .body
            .lines()
            .any(|l| l.contains("reason=\"credentials\""))
            .then_some(())
    });
    assert!(!program.said().contains(token), "a token was printed");
}
