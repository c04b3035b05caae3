//! Brokers and receivers that ask for a certificate, each a real one.

use crate::settings::write;
use isobarn_tests::backlog::{self, Backlog};
use isobarn_tests::certificates::Certificates;
use isobarn_tests::peers::mosquitto_with;
use isobarn_tests::program::{Program, command};
use isobarn_tests::wait::{free_port, until};
use observation::Span;
use serde_json::Value;
use std::path::Path;
use std::process::{Command, Stdio};

/// Keys of the settings for one of the certificates; none for a client without one.
fn keys(made: &Certificates, name: Option<&str>) -> String {
    let own = name.map_or(String::new(), |name| {
        format!("certificate_file = {:?}\nkey_file = {:?}\n", made.file(name), made.key(name))
    });
    format!("ca_file = {:?}\n{own}", made.file("authority"))
}

/// A broker that lets in whoever has a certificate of the authority, and nobody else.
fn broker(folder: &Path, made: &Certificates, port: u16) -> isobarn_tests::peers::Peer {
    let listener = format!(
        "cafile {}\ncertfile {}\nkeyfile {}\nrequire_certificate true\n\
         use_identity_as_username true\nallow_anonymous false\n",
        made.file("authority"),
        made.file("listener"),
        made.key("listener")
    );
    mosquitto_with(folder, port, &listener)
}

fn tool(name: &str, made: &Certificates, port: u16, more: &[&str]) -> Command {
    let mut command = Command::new(name);
    command
        .args(["-h", "localhost", "-p", &port.to_string(), "-q", "1"])
        .args(["--cafile", &made.file("authority")])
        .args(["--cert", &made.file("client"), "--key", &made.key("client")])
        .args(more);
    command
}

fn status(settings: &Path, list: &str) -> Value {
    let output = command(&["status", "--json", "--config", settings.to_str().unwrap()]);
    let document: Value = serde_json::from_slice(&output.stdout).unwrap();
    document[list].as_array().unwrap().iter().find(|e| e["name"] == "house").unwrap().clone()
}

#[test]
fn a_broker_that_asks_for_a_certificate_gets_it() {
    for protocol in ["3.1.1", "5"] {
        let folder = tempfile::tempdir().unwrap();
        let made = Certificates::make(folder.path());
        let port = free_port();
        let _broker = broker(folder.path(), &made, port);
        let settings = |name: Option<&str>| {
            let table = format!(
                "\n[source.mqtt.house]\nbroker = \"mqtts://localhost:{port}\"\nprotocol = \"{protocol}\"\n\
                 {}subscribe = [{{ filter = \"+station/+channel\", payload = \"number\" }}]\n",
                keys(&made, name)
            );
            write(folder.path(), &table)
        };
        // Without a certificate, and with one that another authority gave.
        for name in [None, Some("stranger")] {
            let settings = settings(name);
            let program = Program::run(&settings);
            let wanted = if name.is_none() { "asks for a certificate" } else { "not trust" };
            let reason = until("the refusal", || {
                let source = status(&settings, "sources");
                let reason = source["reason"].as_str().unwrap_or_default().to_owned();
                (source["state"] != "up" && reason.contains(wanted)).then_some(reason)
            });
            assert!(reason.contains(&format!("localhost:{port}")), "{reason}");
            assert_eq!(program.terminate().0, Some(0));
        }
        let settings = settings(Some("client"));
        let program = Program::run(&settings);
        until("the subscription", || (status(&settings, "sources")["state"] == "up").then_some(()));
        let sent = tool("mosquitto_pub", &made, port, &["-t", "orchard/t", "-m", "6.25"]);
        assert!({ sent }.status().unwrap().success());
        until("the number", || {
            let latest =
                isobarn_tests::push::Client::new().get(program.address("http"), "/metrics");
            latest
                .body
                .lines()
                .any(|l| l.starts_with("isobarn_air_temperature_celsius{") && l.ends_with(" 6.25"))
                .then_some(())
        });
        assert_eq!(program.terminate().0, Some(0));
    }
}

#[test]
fn a_forwarder_proves_itself_to_broker_and_receiver() {
    const SMALL: Backlog = Backlog { records: 10, readings: 8, step: Span::seconds(10) };
    let folder = tempfile::tempdir().unwrap();
    let made = Certificates::make(folder.path());
    let port = free_port();
    let _broker = broker(folder.path(), &made, port);
    let subscriber = tool("mosquitto_sub", &made, port, &["-t", "out/#", "-C", "80", "-W", "60"])
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    // A receiver that takes whatever a client with a certificate posts.
    let web = free_port();
    let script = "import http.server, ssl, sys\n\
        class Taker(http.server.BaseHTTPRequestHandler):\n\
        \x20   def do_POST(self):\n\
        \x20       body = self.rfile.read(int(self.headers['Content-Length']))\n\
        \x20       print(body.count(b'\\n'), dict(x[0] for x in self.connection.getpeercert()['subject'])['commonName'], flush=True)\n\
        \x20       self.send_response(204)\n\
        \x20       self.end_headers()\n\
        \x20   def log_message(self, *_): pass\n\
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)\n\
        context.load_cert_chain(sys.argv[2], sys.argv[3])\n\
        context.load_verify_locations(sys.argv[4])\n\
        context.verify_mode = ssl.CERT_REQUIRED\n\
        server = http.server.ThreadingHTTPServer(('127.0.0.1', int(sys.argv[1])), Taker)\n\
        server.socket = context.wrap_socket(server.socket, server_side=True)\n\
        server.serve_forever()\n";
    let mut receiver = Command::new("python3")
        .args(["-c", script, &web.to_string(), &made.file("listener"), &made.key("listener")])
        .arg(made.file("authority"))
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    until("the receiver", || std::net::TcpStream::connect(("127.0.0.1", web)).ok().map(drop));
    let settings = |name: Option<&str>| {
        let keys = keys(&made, name);
        let table = format!(
            "\n[forward.mqtt.house]\nbroker = \"mqtts://localhost:{port}\"\n\
             topic = \"out/{{{{ reading.station }}}}\"\n{keys}\n\
             [forward.http.web]\nurl = \"https://localhost:{web}/in\"\n{keys}\n"
        );
        write(folder.path(), &table)
    };
    let bare = settings(Some("stranger"));
    backlog::write(&bare, SMALL);
    let program = Program::run(&bare);
    let forwarders = |settings: &Path| {
        let output = command(&["status", "--json", "--config", settings.to_str().unwrap()]);
        let document: Value = serde_json::from_slice(&output.stdout).unwrap();
        document["forwarders"].as_array().unwrap().clone()
    };
    until("both refusals", || {
        let all = forwarders(&bare);
        let refused = |f: &Value| {
            f["backlog"] == 80
                && f["reason"].as_str().is_some_and(|r| r.contains("certificate_file"))
        };
        all.iter().all(refused).then_some(())
    });
    assert_eq!(program.terminate().0, Some(0));
    let known = settings(Some("client"));
    let program = Program::run(&known);
    until("empty backlogs", || forwarders(&known).iter().all(|f| f["backlog"] == 0).then_some(()));
    assert_eq!(program.terminate().0, Some(0));
    let through = subscriber.wait_with_output().unwrap();
    assert_eq!(String::from_utf8(through.stdout).unwrap().lines().count(), 80);
    receiver.kill().unwrap();
    let taken = String::from_utf8(receiver.wait_with_output().unwrap().stdout).unwrap();
    let lines: usize = taken
        .lines()
        .map(|line| {
            line.strip_suffix(" croft").expect("the client's name").parse::<usize>().unwrap()
        })
        .sum();
    assert_eq!(lines, 80, "{taken}");
}

#[test]
fn files_that_do_not_belong_together_are_told_by_the_check() {
    let folder = tempfile::tempdir().unwrap();
    let made = Certificates::make(folder.path());
    for (keys, scheme, expected) in [
        (format!("certificate_file = {:?}\n", made.file("client")), "mqtts", "belong together"),
        (format!("key_file = {:?}\n", made.key("client")), "mqtts", "belong together"),
        (
            format!(
                "certificate_file = {:?}\nkey_file = {:?}\n",
                made.file("client"),
                made.key("stranger")
            ),
            "mqtts",
            "`key_file`",
        ),
        (
            format!(
                "certificate_file = {:?}\nkey_file = {:?}\n",
                made.key("client"),
                made.key("client")
            ),
            "mqtts",
            "no certificate in it",
        ),
        (
            format!(
                "certificate_file = {:?}\nkey_file = {:?}\n",
                made.file("client"),
                made.file("client")
            ),
            "mqtts",
            "no private key in it",
        ),
        (keys(&made, Some("client")), "mqtt", "`mqtts://` only"),
    ] {
        let table = format!(
            "\n[source.mqtt.house]\nbroker = \"{scheme}://localhost\"\nca_file = {:?}\n{}\
             subscribe = [{{ filter = \"+station/+channel\", payload = \"number\" }}]\n",
            made.file("authority"),
            keys.lines()
                .filter(|l| !l.starts_with("ca_file"))
                .fold(String::new(), |a, l| a + l + "\n"),
        );
        let settings = write(folder.path(), &table);
        let output = command(&["check", "--config", settings.to_str().unwrap()]);
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(78), "{keys}: {said}");
        assert!(said.contains(expected), "{keys}: {said}");
    }
}
