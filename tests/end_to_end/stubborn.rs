//! Bad input and bad manners: counted, told shortly, and the service goes on.

use crate::settings::{token, write};
use isobarn_tests::program::Program;
use isobarn_tests::push::Client;
use isobarn_tests::wait::until;
use std::io::Write;
use std::net::TcpStream;

#[test]
fn garbage_gets_the_status_the_contract_names_and_stores_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let program = Program::run(&write(folder.path(), ""));
    let client = Client::new();
    let push = program.address("push");
    let good = token("orchard");
    let deep = "[".repeat(5_000);
    let long = format!(r#"[{{"n":"orchard/t","vs":"{}"}}]"#, "x".repeat(200_000));
    for (status, body) in [
        (400, "["),
        (400, ""),
        (400, r#"[{"n":"orchard/t","v":NaN}]"#),
        (400, r#"[{"n":"orchard/t","v":1e999}]"#),
        (400, r#"[{"n":"orchard/t","v":1,"v":2}]"#),
        (400, r#"[{"n":"orchard/t","v":1}] trailing"#),
        (400, r#"[{"n":"orchard/t","v":"17.3"}]"#),
        (400, deep.as_str()),
        (413, long.as_str()),
        (422, r#"[{"n":"orchard/frog","v":1}]"#),
        (422, r#"[{"n":"orchard/t","u":"hPa","v":1}]"#),
        (403, r#"[{"n":"hedge/t","u":"Cel","v":1}]"#),
        (403, r#"[{"n":"nowhere/t","u":"Cel","v":1}]"#),
    ] {
        let answer = client.senml(push, good, body);
        let shown = &body[..body.len().min(60)];
        assert_eq!(answer.status, status, "{shown}: {}", answer.body);
        assert!(answer.kind.starts_with("application/problem+json"), "{shown}: {}", answer.kind);
    }
    let body = r#"[{"n":"orchard/t","u":"Cel","v":1}]"#;
    assert_eq!(client.senml(push, "wrong", body).status, 401);
    assert_eq!(client.post(push, "/v1/samples", "text/plain", good, body).status, 415);
    assert_eq!(client.post(push, "/v2/samples", "application/senml+json", good, body).status, 404);
    let half = r#"[{"n":"orchard/t","u":"Cel","v":1},{"n":"orchard/frog","v":1}]"#;
    assert_eq!(client.senml(push, good, half).status, 422, "a pack is whole or nothing");
    let (status, said) = program.terminate();
    assert_eq!(status, Some(0), "{said}");
    let settings = folder.path().join("isobarn.toml");
    let samples = isobarn_tests::program::export(&settings, &["--samples"]);
    assert!(!samples.contains("\"channel\""), "something was stored:\n{samples}");
}

#[test]
fn ten_thousand_bad_pushes_are_a_few_lines_and_no_secret_is_among_them() {
    let folder = tempfile::tempdir().unwrap();
    let program = Program::run(&write(folder.path(), ""));
    let push = program.address("push");
    let threads: Vec<_> = (0..4)
        .map(|_| {
            std::thread::spawn(move || {
                let client = Client::new();
                for i in 0..2_500 {
                    let (token, body) = if i % 25 == 0 {
                        ("a-secret-that-is-wrong", "[]")
                    } else {
                        (token("orchard"), r#"[{"n":"orchard/t","v":"bad"}]"#)
                    };
                    // A kept connection may be closed just when the next push begins.
                    let answer = (0..3)
                        .map(|_| client.senml(push, token, body))
                        .find(|a| a.status != 0)
                        .expect("an answer within three tries");
                    assert!(
                        matches!(answer.status, 400 | 401 | 429),
                        "{}: {}",
                        answer.status,
                        answer.body
                    );
                }
            })
        })
        .collect();
    for thread in threads {
        thread.join().unwrap();
    }
    let metrics = Client::new().get(program.address("http"), "/metrics").body;
    let (status, said) = program.terminate();
    assert_eq!(status, Some(0));
    assert!(said.lines().count() < 20, "{} lines:\n{said}", said.lines().count());
    for secret in [token("orchard"), "a-secret-that-is-wrong"] {
        assert!(!said.contains(secret) && !metrics.contains(secret), "a secret was printed");
    }
}

#[test]
fn idle_and_dripping_connections_do_not_keep_a_station_out() {
    let folder = tempfile::tempdir().unwrap();
    let program = Program::run(&write(folder.path(), ""));
    let push = program.address("push");
    let mut idle: Vec<TcpStream> = (0..200).filter_map(|_| TcpStream::connect(push).ok()).collect();
    for (i, connection) in idle.iter_mut().enumerate() {
        if i % 2 == 0 {
            drop(connection.write_all(b"P"));
        }
    }
    let client = Client::new();
    until("a push among idle connections", || {
        let body = r#"[{"n":"orchard/t","u":"Cel","v":1}]"#;
        (client.senml(push, token("orchard"), body).status == 204).then_some(())
    });
}

#[test]
fn markup_in_names_and_values_stays_text_on_the_page() {
    let folder = tempfile::tempdir().unwrap();
    let program = Program::run(&write(folder.path(), ""));
    let client = Client::new();
    let answer = client.senml(
        program.address("push"),
        token("orchard"),
        r#"[{"n":"orchard/<script>alert(1)</script>","v":1}]"#,
    );
    assert!(matches!(answer.status, 400 | 422), "{}", answer.status);
    let page = client.get(program.address("http"), "/");
    assert_eq!(page.status, 200);
    assert!(!page.body.contains("<script>alert"), "{}", page.body);
}
