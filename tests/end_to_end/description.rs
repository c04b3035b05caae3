//! What the service says of its own paths is true of the listener for pushes: each
//! example is taken, each method that is not described is refused, each refusal that is
//! described is given and no other.

use crate::settings::{token, write};
use isobarn_tests::disk::{Disk, Fault};
use isobarn_tests::program::Program;
use isobarn_tests::push::Client;
use serde_json::Value;
use std::collections::BTreeSet;
use std::io::{Read, Write};
use std::net::{SocketAddr, TcpStream};

/// One request as text, and the answer to it.
fn raw(address: SocketAddr, request: &str) -> (u16, String) {
    let mut stream = TcpStream::connect(address).unwrap();
    stream.write_all(request.as_bytes()).unwrap();
    let mut answer = String::new();
    stream.read_to_string(&mut answer).unwrap();
    let status = answer.get(9..12).and_then(|s| s.parse().ok());
    (status.unwrap_or_else(|| panic!("{request}: {answer}")), answer)
}

fn ask(address: SocketAddr, method: &str, target: &str, headers: &str, body: &str) -> u16 {
    let length = body.len();
    let request = format!(
        "{method} {target} HTTP/1.1\r\nHost: house\r\nConnection: close\r\n\
         Content-Length: {length}\r\n{headers}\r\n{body}"
    );
    let (status, answer) = raw(address, &request);
    if status != 204 {
        assert!(answer.contains("application/problem+json"), "{answer}");
    }
    status
}

fn bearer(station: &str) -> String {
    format!("Authorization: Bearer {}\r\n", token(station))
}

#[test]
fn the_paths_for_pushes_are_as_they_are_described() {
    let folder = tempfile::tempdir().unwrap();
    let program = Program::run(&write(folder.path(), ""));
    let push = program.address("push");
    let text = Client::new().get(program.address("http"), "/v1/openapi.json").body;
    let description: Value = serde_json::from_str(&text).unwrap();
    let paths = description["paths"].as_object().unwrap();
    let mut examples = 0;
    let mut told = BTreeSet::new();
    let mut pushes = 0;
    for (path, item) in paths.iter().filter(|(_, item)| !item["servers"].is_null()) {
        pushes += 1;
        let target = path.replace("{station}", "orchard");
        for method in ["get", "post", "put", "delete", "patch"] {
            let operation = &item[method];
            if operation.is_null() {
                let status = ask(push, &method.to_uppercase(), &target, &bearer("orchard"), "");
                assert_eq!(status, 405, "{method} {path} is not described");
                continue;
            }
            told.extend(operation["responses"].as_object().unwrap().keys().cloned());
            let bodies = operation["requestBody"]["content"].as_object();
            for (kind, media) in bodies.into_iter().flatten() {
                let body = match &media["example"] {
                    Value::Null => continue,
                    Value::String(text) => text.clone(),
                    other => other.to_string(),
                };
                let headers = format!("{}Content-Type: {kind}\r\n", bearer("orchard"));
                assert_eq!(ask(push, "POST", &target, &headers, &body), 204, "{path} {body}");
                examples += 1;
            }
            if method == "get" {
                let values = &item["parameters"][1]["example"];
                let query: Vec<String> = values
                    .as_object()
                    .unwrap()
                    .iter()
                    .map(|(name, value)| format!("{name}={}", value.as_str().unwrap()))
                    .collect();
                let target = format!("{target}?{}", query.join("&"));
                assert_eq!(ask(push, "GET", &target, &bearer("orchard"), ""), 204, "{target}");
                examples += 1;
            }
        }
    }
    println!("{pushes} paths, {examples} examples taken");
    assert_eq!((pushes, examples), (2, 5));

    // Each refusal that is described is given; 503 by the test below.
    let senml = "Content-Type: application/senml+json\r\n";
    let own = format!("{}{senml}", bearer("orchard"));
    let mut given = BTreeSet::from(["204".to_owned(), "503".to_owned()]);
    for (expected, headers, body) in [
        (400, own.as_str(), "[{"),
        (401, senml, "[]"),
        (403, &own, r#"[{"n":"ridge/t","v":1}]"#),
        (413, &own, &format!("[{}]", " ".repeat(70_000))),
        (415, &format!("{own}Content-Encoding: gzip\r\n"), "[]"),
        (422, &own, r#"[{"n":"orchard/frog","v":1}]"#),
    ] {
        assert_eq!(ask(push, "POST", "/v1/samples", headers, body), expected, "{body:.60}");
        given.insert(expected.to_string());
    }
    // Whoever guesses at tokens is slowed down.
    let guess = format!("Authorization: Bearer guessed\r\n{senml}");
    let too_fast = (0..1_000).any(|_| {
        let status = ask(push, "POST", "/v1/samples", &guess, "[]");
        assert!([401, 429].contains(&status), "{status}");
        status == 429
    });
    assert!(too_fast, "tokens may be guessed without end");
    given.insert("429".to_owned());
    assert_eq!(given, told);
    assert_eq!(program.terminate().0, Some(0));
}

#[test]
fn while_nothing_can_be_committed_every_way_in_says_so_as_described() {
    let folder = tempfile::tempdir().unwrap();
    let settings = write(folder.path(), "");
    let disk = Disk::watch(&folder.path().join("history"), folder.path());
    let program = Program::run_in(&settings, &disk.faults_only());
    let push = program.address("push");
    let text = Client::new().get(program.address("http"), "/v1/openapi.json").body;
    let description: Value = serde_json::from_str(&text).unwrap();
    let senml = format!("{}Content-Type: application/senml+json\r\n", bearer("orchard"));
    disk.begin(Fault::Full);
    for (path, method, target, headers, body) in [
        ("/v1/samples", "POST", "/v1/samples", &senml, r#"[{"n":"orchard/t","v":7.25}]"#),
        (
            "/v1/push/{station}",
            "POST",
            "/v1/push/orchard",
            &format!("{}Content-Type: application/json\r\n", bearer("orchard")),
            r#"{"t":7.5}"#,
        ),
        ("/v1/push/{station}", "GET", "/v1/push/orchard?t=7.75", &bearer("orchard"), ""),
    ] {
        let told = &description["paths"][path][method.to_lowercase()]["responses"]["503"];
        let name = told["$ref"].as_str().and_then(|r| r.strip_prefix("#/components/responses/"));
        let told = &description["components"]["responses"][name.expect(path)];
        let schema = &told["content"]["application/problem+json"]["schema"];
        let fields = schema["properties"].as_object().unwrap_or_else(|| panic!("{told}"));
        let length = body.len();
        let request = format!(
            "{method} {target} HTTP/1.1\r\nHost: house\r\nConnection: close\r\n\
             Content-Length: {length}\r\n{headers}\r\n{body}"
        );
        let (status, answer) = raw(push, &request);
        assert_eq!(status, 503, "{method} {target}: {answer}");
        let (head, body) = answer.split_once("\r\n\r\n").unwrap();
        assert!(head.to_lowercase().contains("content-type: application/problem+json"), "{head}");
        let said: Value = serde_json::from_str(body).unwrap_or_else(|e| panic!("{e}: {answer}"));
        assert_eq!(said["status"], 503, "{said}");
        for name in schema["required"].as_array().unwrap() {
            assert!(!said[name.as_str().unwrap()].is_null(), "{name} is missing: {said}");
        }
        for name in told["headers"].as_object().unwrap().keys().filter(|n| *n == "Retry-After") {
            assert!(head.to_lowercase().contains(&name.to_lowercase()), "{name}: {head}");
        }
        for name in said.as_object().unwrap().keys() {
            assert!(fields.contains_key(name), "`{name}` is not described: {said}");
        }
    }
    disk.end(Fault::Full);
    let status = || ask(push, "POST", "/v1/samples", &senml, r#"[{"n":"orchard/t","v":8}]"#);
    isobarn_tests::wait::until("room", || (status() == 204).then_some(()));
    assert_eq!(program.terminate().0, Some(0));
}
