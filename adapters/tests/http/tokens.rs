//! Who may speak for a station.

use crate::fixtures::token;
use crate::{Yard, answer, post};
use observation::Refusal;
use tokio::io::AsyncWriteExt;
use tokio::net::TcpStream;

#[tokio::test]
async fn a_token_stands_in_one_authorization_header_only() {
    let yard = Yard::new("").await;
    let good = token("orchard");
    let with = |headers: &str, query: &str| {
        format!(
            "POST /v1/push/orchard{query} HTTP/1.1\r\nHost: c\r\n{headers}Content-Type: application/json\r\nContent-Length: 7\r\n\r\n{{\"t\":1}}"
        )
    };
    for (headers, query) in [
        (String::new(), String::new()),
        (String::new(), format!("?token={good}")),
        (format!("Authorization: {good}\r\n"), String::new()),
        (format!("Authorization: Basic {good}\r\n"), String::new()),
        (format!("Authorization: Bearer{good}\r\n"), String::new()),
        ("Authorization: Bearer \r\n".to_owned(), String::new()),
        ("Authorization: Bearer wrong-token\r\n".to_owned(), String::new()),
        (format!("Authorization: Bearer {good}x\r\n"), String::new()),
        (
            format!("Authorization: Bearer {good}\r\nAuthorization: Bearer {good}\r\n"),
            String::new(),
        ),
        (format!("Authorization: Bearer {}\r\n", "x".repeat(2_000)), String::new()),
        (format!("X-Token: {good}\r\n"), String::new()),
    ] {
        let answer = yard.ask(&with(&headers, &query)).await;
        assert_eq!(answer.status, 401, "{headers}");
        assert!(answer.head.contains("www-authenticate: bearer"), "{answer:?}");
        // It says no more than that.
        assert_eq!(answer.detail(), "");
    }
    assert_eq!(yard.house.ears.count(Refusal::Credentials), 11);
    yard.nothing_is_stored();
    assert_eq!(yard.ask(&with(&format!("Authorization: Bearer {good}\r\n"), "")).await.status, 204);
}

#[tokio::test]
async fn a_hundred_failures_say_nothing_of_the_token_and_then_it_is_429() {
    let yard = Yard::new("").await;
    let secret = "secret-of-nobody-4711";
    let mut stream = TcpStream::connect(yard.address).await.unwrap();
    let mut seen = String::new();
    for i in 0..300 {
        let request = post("/v1/push/orchard", secret, "application/json", r#"{"t":1}"#);
        stream.write_all(request.as_bytes()).await.unwrap_or_else(|e| panic!("after {i}: {e}"));
        let answer = answer(&mut stream).await;
        seen.push_str(&answer.head);
        seen.push_str(&answer.body);
        match answer.status {
            401 => assert!(i < 290, "never too many"),
            429 => {
                assert!(i >= 200, "{i}");
                assert!(answer.head.contains("retry-after: 1"), "{answer:?}");
                assert!(answer.head.contains("connection: close"), "{answer:?}");
                break;
            }
            other => panic!("{other}"),
        }
    }
    for (_, _, detail) in yard.house.ears.refused.lock().unwrap().iter() {
        seen.push_str(detail);
    }
    assert!(!seen.contains(secret) && !seen.contains("4711"));
    assert!(yard.house.ears.count(Refusal::Rate) == 1);
    // The right token of another at the same address is heard all the same.
    assert_eq!(yard.push("orchard", r#"[{"n":"orchard/t","v":1}]"#).await.status, 204);
}

#[tokio::test]
async fn a_revoked_token_ends_at_once_even_on_a_kept_connection() {
    let yard = Yard::new("").await;
    let mut stream = TcpStream::connect(yard.address).await.unwrap();
    let request =
        post("/v1/samples", &token("orchard"), "application/json", r#"[{"n":"orchard/t","v":1}]"#);
    stream.write_all(request.as_bytes()).await.unwrap();
    assert_eq!(answer(&mut stream).await.status, 204);
    yard.house.context.credentials.replace([]);
    stream.write_all(request.as_bytes()).await.unwrap();
    assert_eq!(answer(&mut stream).await.status, 401);
}
