//! What is refused, and in which words.

use crate::fixtures::{soon, token, until};
use crate::{Yard, closed, post};
use observation::Refusal;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;

#[tokio::test]
async fn refusals_are_problem_documents_with_their_word() {
    let yard = Yard::new("").await;
    let good = token("orchard");
    let senml = |body: &str| post("/v1/samples", &good, "application/senml+json", body);
    let deep = format!(r#"[{{"n":"orchard/t","v":1,"x":{}1{}}}]"#, "[".repeat(20), "]".repeat(20));
    let push = |body: &str| post("/v1/push/orchard", &good, "application/json", body);
    for (request, status, reason, says) in [
        (senml("[{]"), 400, "malformed", "byte"),
        (senml(r#"[{"n":"orchard/t","v":NaN}]"#), 400, "not_finite", "NaN"),
        (senml(r#"[{"n":"orchard/t","v":1,"v":2}]"#), 400, "duplicate_key", "`v`"),
        (senml(r#"[{"n":"orchard/t","v":"1"}]"#), 400, "wrong_type", "`v`"),
        (senml(&deep), 400, "nesting", "16"),
        (senml(r#"[{"n":"orchard/frog","v":1}]"#), 422, "unknown_channel", "frog"),
        (
            senml(r#"[{"n":"orchard/t","v":1},{"n":"orchard/h","u":"hPa","v":1}]"#),
            422,
            "unit",
            "hPa",
        ),
        (senml(r#"[{"n":"ridge/t","v":1}]"#), 403, "credentials", "ridge"),
        (senml(r#"[{"n":"cove/t","v":1}]"#), 403, "credentials", "cove"),
        (post("/v1/push/ridge", &good, "application/json", "{}"), 403, "credentials", "ridge"),
        (post("/v1/push/cove", &good, "application/json", "{}"), 403, "credentials", "cove"),
        (push(r#"{"t":1,"frog":2}"#), 422, "unknown_channel", "frog"),
        (push(r#"{"t":17,3}"#), 400, "malformed", "byte"),
        (push(r#"{"t":1} trailing"#), 400, "malformed", "byte"),
        (push(r#"{"t":1,"time":"yesterday"}"#), 400, "malformed", "yesterday"),
        (
            post("/v1/push/orchard?t=1", &good, "application/json", r#"{"t":1}"#),
            400,
            "malformed",
            "query",
        ),
        (
            post("/v1/push/orchard", &good, "application/senml+json", "[]"),
            415,
            "malformed",
            "/v1/samples",
        ),
        (post("/v1/push/orchard", &good, "text/plain", "t=1"), 415, "malformed", "text/plain"),
        (post("/v1/samples", &good, "application/senml+xml", "x"), 415, "malformed", "senml+xml"),
        (
            post("/v1/push/orchard", &good, "application/senml+cbor", "x"),
            415,
            "malformed",
            "/v1/samples",
        ),
        (
            post("/v1/samples", &good, "application/x-www-form-urlencoded", "t=1"),
            415,
            "malformed",
            "senml+json",
        ),
        (post("/v1/nothing", &good, "application/json", "{}"), 404, "malformed", "/v1/nothing"),
        (
            format!("GET /v1/samples HTTP/1.1\r\nHost: c\r\nAuthorization: Bearer {good}\r\n\r\n"),
            405,
            "malformed",
            "GET",
        ),
        (
            format!(
                "PUT /v1/push/orchard HTTP/1.1\r\nHost: c\r\nAuthorization: Bearer {good}\r\n\r\n"
            ),
            405,
            "malformed",
            "PUT",
        ),
    ] {
        let answer = yard.ask(&request).await;
        assert_eq!(
            (answer.status, answer.reason().as_str()),
            (status, reason),
            "{request}\n{answer:?}"
        );
        assert!(answer.detail().contains(says), "{answer:?}");
        let counted = yard.house.ears.refused.lock().unwrap().pop().unwrap();
        assert_eq!(counted.1.word(), reason, "{request}");
        assert!(
            yard.house.ears.refused.lock().unwrap().is_empty(),
            "counted more than once: {request}"
        );
    }
    yard.nothing_is_stored();
}

#[tokio::test]
async fn a_head_request_stores_nothing() {
    let yard = Yard::new("").await;
    let request = format!(
        "HEAD /v1/push/orchard?t=1 HTTP/1.1\r\nHost: c\r\nAuthorization: Bearer {}\r\nConnection: close\r\n\r\n",
        token("orchard")
    );
    let mut stream = TcpStream::connect(yard.address).await.unwrap();
    stream.write_all(request.as_bytes()).await.unwrap();
    let mut text = String::new();
    soon("an answer", stream.read_to_string(&mut text)).await.unwrap();
    assert!(text.starts_with("HTTP/1.1 405 "), "{text}");
    yard.nothing_is_stored();
}

#[tokio::test]
async fn what_is_not_http_is_counted_and_the_listener_goes_on() {
    let yard = Yard::new("").await;
    for garbage in [
        &b"\x16\x03\x01\x02\x00\x01\x00"[..],
        b"hello\r\n\r\n",
        b"GET / HTTP/9.9\r\n\r\n",
        b"\x00\x00\x00\x00\r\n\r\n",
    ] {
        let mut stream = TcpStream::connect(yard.address).await.unwrap();
        stream.write_all(garbage).await.unwrap();
        stream.shutdown().await.ok();
        closed(&mut stream).await;
    }
    let mut stream = TcpStream::connect(yard.address).await.unwrap();
    stream.write_all(b"GET / HTTP/1.1\r\nX: ").await.unwrap();
    stream.write_all("y".repeat(100_000).as_bytes()).await.ok();
    closed(&mut stream).await;
    until("all are counted", || (yard.house.ears.reasons().len() >= 5).then_some(())).await;
    assert_eq!(yard.house.ears.count(Refusal::TooLong), 1, "{:?}", yard.house.ears.reasons());
    assert_eq!(yard.push("orchard", r#"[{"n":"orchard/t","v":1}]"#).await.status, 204);
}
