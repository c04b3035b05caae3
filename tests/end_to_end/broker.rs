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

/// A second client under the same identifier, as where a settings file was copied.
#[test]
fn a_twin_is_named_and_when_it_goes_everything_goes_on() {
    let folder = tempfile::tempdir().unwrap();
    let port = free_port();
    let _broker = mosquitto(folder.path(), port);
    let table = format!(
        "\n[source.mqtt.house]\nbroker = \"mqtt://127.0.0.1:{port}\"\nclient_id = \"croft\"\n\
         subscribe = [{{ filter = \"number/+station/+channel\", payload = \"number\" }}]\n"
    );
    let settings = write(folder.path(), &table);
    let program = Program::run(&settings);
    let client = Client::new();
    let up = |value: &str| {
        (metric(&client, &program, "isobarn_source_up", "house")? == value).then_some(())
    };
    until("the subscription", || up("1"));
    // It comes back as often as it is thrown out, once in a second.
    let mut twin = Command::new("mosquitto_sub")
        .args(["-h", "127.0.0.1", "-p", &port.to_string(), "-i", "croft", "-c", "-q", "1"])
        .args(["-t", "elsewhere"])
        .spawn()
        .expect("mosquitto_sub is installed: tests/run --install");
    let reason = until("the battle to be told", || {
        let output = isobarn_tests::program::command(&[
            "status",
            "--json",
            "--config",
            settings.to_str().unwrap(),
        ]);
        let document: serde_json::Value = serde_json::from_slice(&output.stdout).ok()?;
        let source = document["sources"]
            .as_array()?
            .iter()
            .find(|s| s["name"] == "house" && s["sessions"].as_u64() > Some(1))?;
        let reason = source["reason"].as_str()?;
        reason.contains("client_id").then(|| reason.to_owned())
    });
    assert!(reason.contains("`croft`"), "{reason}");
    twin.kill().unwrap();
    twin.wait().unwrap();
    until("the return", || up("1"));
    publish(port, "number/orchard/t", "8.25", &[]);
    until("the number", || {
        (metric(&client, &program, "isobarn_air_temperature_celsius", "orchard")? == "8.25")
            .then_some(())
    });
    assert_eq!(program.terminate().0, Some(0));
}

#[test]
fn stations_speak_to_the_inlet_with_the_brokers_own_tools() {
    let folder = tempfile::tempdir().unwrap();
    let settings = write(folder.path(), "\n[source.mqtt_inlet.yard]\nlisten = \"127.0.0.1:0\"\n");
    let program = Program::run(&settings);
    let client = Client::new();
    let port = program.address("yard").port();
    let token = crate::settings::token("orchard");
    for (version, number, share) in [("mqttv311", "3.25", "77"), ("mqttv5", "3.5", "78")] {
        let login = ["-u", "orchard", "-P", token, "-V", version];
        publish(port, "orchard/t", number, &login);
        publish(port, "orchard", &format!("{{\"h\":{share}}}"), &login);
        until("the number", || {
            (metric(&client, &program, "isobarn_air_temperature_celsius", "orchard")? == number)
                .then_some(())
        });
        until("the object", || {
            (metric(&client, &program, "isobarn_relative_humidity_ratio", "orchard")?
                == format!("0.{share}"))
            .then_some(())
        });
        let refused = Command::new("mosquitto_pub")
            .args(["-h", "127.0.0.1", "-p", &port.to_string(), "-t", "orchard/t", "-m", "1"])
            .args(["-q", "1", "-V", version, "-u", "orchard", "-P", "a wrong token"])
            .output()
            .unwrap();
        assert!(!refused.status.success(), "a wrong token was accepted");
        // QoS 2 is not spoken: the tool learns it before it sends, or by the end.
        let twice = Command::new("timeout")
            .args(["5", "mosquitto_pub", "-h", "127.0.0.1", "-p", &port.to_string()])
            .args(["-t", "orchard/t", "-m", "99", "-q", "2"])
            .args(login)
            .output()
            .unwrap();
        // By MQTT 5 it knows beforehand, says so and ends without an error of its own.
        let said = String::from_utf8_lossy(&twice.stderr).into_owned();
        assert!(!twice.status.success() || said.contains("QoS not supported"), "{twice:?}");
        let shown = metric(&client, &program, "isobarn_air_temperature_celsius", "orchard");
        assert_eq!(shown.as_deref(), Some(number), "QoS 2 was accepted");
    }
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

#[test]
fn an_independent_client_of_mqtt_5_learns_what_became_of_each_message() {
    let folder = tempfile::tempdir().unwrap();
    let settings = write(folder.path(), "\n[source.mqtt_inlet.yard]\nlisten = \"127.0.0.1:0\"\n");
    let program = Program::run(&settings);
    let client = Client::new();
    let port = program.address("yard").port().to_string();
    let python = std::env::var("ISOBARN_TESTS_PYTHON").unwrap_or_else(|_| "python3".into());
    let station = |password: &str| {
        let script = concat!(env!("CARGO_MANIFEST_DIR"), "/end_to_end/station.py");
        let output = Command::new("timeout")
            .args(["60", &python, script, &port, "orchard", password])
            .output()
            .expect("python with paho-mqtt: tests/run --install");
        let text = String::from_utf8(output.stdout).unwrap();
        assert!(!text.is_empty(), "{}", String::from_utf8_lossy(&output.stderr));
        text.lines().map(str::to_owned).collect::<Vec<_>>()
    };
    let said = station(crate::settings::token("orchard"));
    assert_eq!(
        said,
        [
            "connected 0 0",
            "offer 1 16384",
            "published orchard/t 4.5 0",
            "published orchard {\"h\":66} 0",
            // Payload format invalid: counted, and not to be sent again.
            "published orchard/t warm 153",
            "published orchard/frog 1 153",
            "connected 0 1",
            "offer 1 16384",
        ]
    );
    // Durable before it was acknowledged: it can be seen at once.
    for (name, value) in
        [("isobarn_air_temperature_celsius", "4.5"), ("isobarn_relative_humidity_ratio", "0.66")]
    {
        until(name, || (metric(&client, &program, name, "orchard")? == value).then_some(()));
    }
    // Bad user name or password.
    assert_eq!(station("a wrong token")[0], "connected 134 0");
}
