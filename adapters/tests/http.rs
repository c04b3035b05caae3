//! Pushes over real sockets: answers, limits, slow and hostile peers.
#![allow(clippy::unwrap_used, clippy::expect_used)]

mod fixtures;

use adapters::port::{Delivery, End, Receipt, State};
use adapters::sources::KINDS;
use config::AdapterTable;
use fixtures::{House, LONG, end, soon, token, until};
use observation::{Message, Refusal, Stated, StationIndex, Time};
use std::net::SocketAddr;
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;
use tokio::sync::mpsc;
use tokio::task::JoinHandle;

const LISTEN: &str = "listen = \"127.0.0.1:0\"\n";

/// A listener whose deliveries are committed at once and kept.
struct Yard {
    house: House,
    address: SocketAddr,
    session: JoinHandle<End>,
    stored: Arc<Mutex<Vec<Message>>>,
}

impl Yard {
    async fn new(settings: &str) -> Self {
        Self::committing(House::new("http", &format!("{LISTEN}{settings}"))).await
    }

    async fn committing(mut house: House) -> Self {
        let stored = Arc::<Mutex<Vec<Message>>>::default();
        let keep = Arc::clone(&stored);
        let mut intake = std::mem::replace(&mut house.intake, mpsc::channel(1).1);
        tokio::spawn(async move {
            while let Some(delivery) = intake.recv().await {
                keep.lock().unwrap().extend(delivery.messages.iter().cloned());
                give(delivery);
            }
        });
        Self::around(house, stored).await
    }

    /// A listener whose deliveries nobody takes.
    async fn deaf(settings: &str) -> Self {
        let house = House::new("http", &format!("{LISTEN}{settings}"));
        Self::around(house, Arc::default()).await
    }

    async fn around(house: House, stored: Arc<Mutex<Vec<Message>>>) -> Self {
        let session = house.start();
        let address = house.address().await;
        Self { house, address, session, stored }
    }

    async fn ask(&self, request: &str) -> Answer {
        ask(self.address, request.as_bytes()).await
    }

    async fn push(&self, owner: &str, body: &str) -> Answer {
        self.ask(&post("/v1/samples", &token(owner), "application/senml+json", body)).await
    }

    fn stored(&self) -> Vec<Message> {
        self.stored.lock().unwrap().clone()
    }

    /// Every status but 204 must leave nothing behind.
    fn nothing_is_stored(&self) {
        assert_eq!(self.stored(), []);
    }
}

fn give(delivery: Delivery) {
    match delivery.receipt {
        Receipt::Once(receipt) => receipt.send(()).unwrap_or_default(),
        other => panic!("not the receipt of a request: {other:?}"),
    }
}

#[derive(Debug)]
struct Answer {
    status: u16,
    head: String,
    body: String,
}

impl Answer {
    fn problem(&self) -> serde_json::Value {
        assert!(self.head.contains("content-type: application/problem+json"), "{self:?}");
        let document: serde_json::Value = serde_json::from_str(&self.body).expect(&self.body);
        assert_eq!(document["status"], self.status);
        assert!(document["title"].as_str().is_some_and(|t| !t.is_empty()));
        document
    }

    fn reason(&self) -> String {
        self.problem()["reason"].as_str().unwrap_or_default().to_owned()
    }

    fn detail(&self) -> String {
        self.problem()["detail"].as_str().unwrap_or_default().to_owned()
    }
}

fn post(path: &str, token: &str, kind: &str, body: &str) -> String {
    format!(
        "POST {path} HTTP/1.1\r\nHost: croft\r\nAuthorization: Bearer {token}\r\nContent-Type: {kind}\r\nContent-Length: {}\r\n\r\n{body}",
        body.len()
    )
}

async fn ask(address: SocketAddr, request: &[u8]) -> Answer {
    let mut stream = TcpStream::connect(address).await.unwrap();
    // The answer may come before everything is sent.
    stream.write_all(request).await.ok();
    answer(&mut stream).await
}

/// Reads one answer, to the end of the body that its length announces.
async fn answer(stream: &mut TcpStream) -> Answer {
    soon("an answer", async {
        let mut input = Vec::new();
        let head = loop {
            if let Some(at) = input.windows(4).position(|w| w == b"\r\n\r\n") {
                break at + 4;
            }
            let n = stream.read_buf(&mut input).await.expect("an answer");
            assert!(n > 0, "closed without an answer: {:?}", String::from_utf8_lossy(&input));
        };
        let text = String::from_utf8(input[..head].to_vec()).unwrap().to_lowercase();
        let length: usize = text
            .lines()
            .find_map(|l| l.strip_prefix("content-length: "))
            .map_or(0, |n| n.parse().unwrap());
        while input.len() < head + length {
            assert!(stream.read_buf(&mut input).await.unwrap() > 0);
        }
        let status = text.split(' ').nth(1).unwrap().parse().unwrap();
        let body = String::from_utf8(input[head..].to_vec()).unwrap();
        Answer { status, head: text, body }
    })
    .await
}

/// Waits until the peer has closed.
async fn closed(stream: &mut TcpStream) {
    let mut sink = [0; 1_024];
    soon("the end of the connection", async {
        while let Ok(1..) = stream.read(&mut sink).await {}
    })
    .await;
}

#[tokio::test]
async fn samples_are_stored_and_answered_with_204() {
    let yard = Yard::new("").await;
    let pack = r#"[{"bn":"orchard/","bt":1772344800,"n":"t","u":"[degF]","v":50},{"n":"h","v":81},{"n":"sequence","v":4}]"#;
    let answer = yard.push("orchard", pack).await;
    assert_eq!((answer.status, answer.body.as_str()), (204, ""));
    let stored = yard.stored();
    assert_eq!(stored.len(), 1);
    let message = &stored[0];
    assert_eq!(
        (message.station, message.sequence, message.early),
        (StationIndex(0), Some(4), false)
    );
    let numbers: Vec<_> = message.samples.iter().map(|s| s.value.number()).collect();
    assert_eq!(numbers, [Some(10.0), Some(81.0)]);
    assert_eq!(message.samples[0].stated, Stated::At(Time(1_772_344_800_000)));
    for kind in
        ["application/json", "application/senml+json; charset=utf-8", "Application/SENML+JSON"]
    {
        let request = post("/v1/samples", &token("orchard"), kind, r#"[{"n":"orchard/t","v":1}]"#);
        assert_eq!(yard.ask(&request).await.status, 204, "{kind}");
    }
    // A gateway speaks for its stations in one pack, which is one delivery.
    let answer = yard.push("hub", r#"[{"n":"orchard/t","v":1},{"n":"hedge/t","v":2}]"#).await;
    assert_eq!(answer.status, 204);
    let stations: Vec<_> = yard.stored().iter().skip(4).map(|m| m.station).collect();
    assert_eq!(stations, [StationIndex(0), StationIndex(2)]);
    assert_eq!(yard.house.ears.reasons(), []);
}

#[tokio::test]
async fn mapped_pushes_come_as_query_form_or_json() {
    let yard = Yard::new("[source.http.test.map.ridge]\nt = { path = \"$.air.f\", unit = \"[degF]\" }\nh = \"/air/rh\"\nsequence = \"/n\"\n").await;
    let (orchard, ridge) = (token("orchard"), token("ridge"));
    let get = format!(
        "GET /v1/push/orchard?t=17.3&h=&sequence=9 HTTP/1.1\r\nHost: c\r\nAuthorization: bearer {orchard}\r\n\r\n"
    );
    let query_post = format!(
        "POST /v1/push/orchard?t=17.4 HTTP/1.1\r\nHost: c\r\nAuthorization: Bearer {orchard}\r\nContent-Length: 0\r\n\r\n"
    );
    let unsaid = |body: &str| {
        format!(
            "POST /v1/push/orchard HTTP/1.1\r\nHost: c\r\nAuthorization: Bearer {orchard}\r\nContent-Length: {}\r\n\r\n{body}",
            body.len()
        )
    };
    for request in [
        get,
        query_post,
        post("/v1/push/orchard", &orchard, "application/x-www-form-urlencoded", "t=17.5"),
        post("/v1/push/orchard", &orchard, "application/json", r#"{"t":17.6,"time":1772344800}"#),
        unsaid("t=17.7"),
        unsaid(r#" {"t":17.8}"#),
        post(
            "/v1/push/ridge",
            &ridge,
            "application/json",
            r#"{"air":{"f":32,"rh":90},"n":3,"other":[1]}"#,
        ),
    ] {
        let answer = yard.ask(&request).await;
        assert_eq!(answer.status, 204, "{request}: {answer:?}");
    }
    let stored = yard.stored();
    let numbers: Vec<Vec<f64>> = stored
        .iter()
        .map(|m| m.samples.iter().filter_map(|s| s.value.number()).collect())
        .collect();
    assert_eq!(
        numbers,
        [vec![17.3], vec![17.4], vec![17.5], vec![17.6], vec![17.7], vec![17.8], vec![90.0, 0.0]]
    );
    assert_eq!((stored[0].sequence, stored[6].sequence), (Some(9), Some(3)));
    // Nothing but gaps: answered, and nothing to store.
    assert_eq!(
        yard.ask(&post("/v1/push/orchard", &orchard, "application/json", r#"{"t":null}"#))
            .await
            .status,
        204
    );
    assert_eq!(yard.stored().len(), 7);
}

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
        (post("/v1/samples", &good, "application/senml+cbor", "x"), 415, "malformed", "cbor"),
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
async fn a_station_faster_than_its_rate_is_told_when_to_come_again() {
    let mut property = fixtures::property::alder_croft();
    property.stations[0].rate = 0.2;
    let property = Arc::new(property);
    let mut house = House::new("http", LISTEN);
    let kind = KINDS.iter().find(|k| k.name == "http").unwrap();
    let built = (kind.build)(&AdapterTable::from_text("http", "test", LISTEN), &property);
    house.source = Arc::from(built.unwrap_or_else(|faults| panic!("{faults:?}")));
    let yard = Yard::committing(house).await;
    let pack = r#"[{"n":"orchard/t","v":1},{"n":"orchard/h","v":1}]"#;
    // Two samples are there at once; the next two take ten seconds.
    assert_eq!(yard.push("orchard", pack).await.status, 204);
    let answer = yard.push("orchard", pack).await;
    assert_eq!((answer.status, answer.reason().as_str()), (429, "rate"));
    assert!(answer.head.contains("retry-after: 10\r\n"), "{answer:?}");
    assert_eq!(yard.house.ears.count(Refusal::Rate), 1);
    // One station's haste is not another's.
    assert_eq!(yard.push("ridge", r#"[{"n":"ridge/t","v":1}]"#).await.status, 204);
    assert_eq!(yard.stored().len(), 2);
}

#[tokio::test]
async fn bodies_without_end_and_packed_ones_are_refused_early() {
    let yard = Yard::new("").await;
    let head = format!(
        "POST /v1/samples HTTP/1.1\r\nHost: c\r\nAuthorization: Bearer {}\r\n",
        token("orchard")
    );
    // Announced: refused before a byte of it is read.
    let announced =
        ask(yard.address, format!("{head}Content-Length: 99999999999\r\n\r\n[").as_bytes()).await;
    assert_eq!((announced.status, announced.reason().as_str()), (413, "too_long"));

    // Chunked and endless: refused as soon as the limit is passed.
    let mut stream = TcpStream::connect(yard.address).await.unwrap();
    stream.write_all(format!("{head}Transfer-Encoding: chunked\r\n\r\n").as_bytes()).await.unwrap();
    let (mut read, mut write) = stream.into_split();
    let sender = tokio::spawn(async move {
        let chunk = format!("400\r\n{}\r\n", " ".repeat(0x400));
        let mut sent = 0_usize;
        while write.write_all(chunk.as_bytes()).await.is_ok() && sent < 64 << 20 {
            sent += chunk.len();
        }
        sent
    });
    let mut text = vec![0; 12];
    soon("an answer", read.read_exact(&mut text)).await.unwrap();
    assert_eq!(text, b"HTTP/1.1 413");
    drop(read);
    let sent = soon("the end of the sender", sender).await.unwrap();
    assert!(sent < 64 << 20, "read on for {sent} bytes");

    // Packed: never unpacked. The first bytes of a gzip stream.
    for encoding in ["gzip", "deflate", "br", "zstd", "gzip, identity", "x-unknown"] {
        let request =
            format!("{head}Content-Encoding: {encoding}\r\nContent-Length: 3\r\n\r\n\x1f\x08\x00");
        let answer = ask(yard.address, request.as_bytes()).await;
        assert_eq!(answer.status, 415, "{encoding}");
        assert!(answer.detail().contains("content encoding"), "{answer:?}");
    }
    let identity = format!(
        "{head}Content-Encoding: identity\r\nContent-Length: 25\r\n\r\n[{{\"n\":\"orchard/t\",\"v\":1}}]"
    );
    assert_eq!(ask(yard.address, identity.as_bytes()).await.status, 204);
    // Exactly the limit is taken, one byte more is not.
    let pack = r#"[{"n":"orchard/t","v":1}]"#;
    let fill = |n: usize| format!("{pack}{}", " ".repeat(n - pack.len()));
    assert_eq!(yard.push("orchard", &fill(65_536)).await.status, 204);
    assert_eq!(yard.push("orchard", &fill(65_537)).await.status, 413);
    assert_eq!(yard.stored().len(), 2);
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

#[tokio::test]
async fn slow_and_silent_peers_are_ended_in_time() {
    let yard = Yard::new("headers_within = \"1 s\"\nbody_within = \"2 s\"\nidle = \"1 s\"\n").await;
    let head =
        post("/v1/samples", &token("orchard"), "application/json", r#"[{"n":"orchard/t","v":1}]"#);
    let slow = |part: String, every: u64| async move {
        let mut stream = TcpStream::connect(yard.address).await.unwrap();
        let began = Instant::now();
        for byte in part.bytes() {
            if stream.write_all(&[byte]).await.is_err() {
                break;
            }
            let mut sink = [0; 1];
            match tokio::time::timeout(Duration::from_millis(every), stream.read(&mut sink)).await {
                Err(_) => {}
                Ok(Ok(n)) if n > 0 => panic!("answered"),
                Ok(_) => break,
            }
        }
        closed(&mut stream).await;
        began.elapsed()
    };
    let silent = async {
        let mut stream = TcpStream::connect(yard.address).await.unwrap();
        let began = Instant::now();
        closed(&mut stream).await;
        began.elapsed()
    };
    let idle = async {
        let mut stream = TcpStream::connect(yard.address).await.unwrap();
        stream.write_all(head.as_bytes()).await.unwrap();
        assert_eq!(answer(&mut stream).await.status, 204);
        let began = Instant::now();
        closed(&mut stream).await;
        began.elapsed()
    };
    // The headers in one piece, then the body byte by byte.
    let body = async {
        let mut stream = TcpStream::connect(yard.address).await.unwrap();
        let (front, _) = head.split_at(head.len() - 20);
        stream.write_all(front.as_bytes()).await.unwrap();
        let began = Instant::now();
        closed(&mut stream).await;
        began.elapsed()
    };
    let (headers, silent, idle, body) = tokio::join!(slow(head.clone(), 100), silent, idle, body);
    for (what, took, least, most) in [
        ("headers", headers, 900, 3_000),
        ("silent", silent, 900, 3_000),
        ("idle", idle, 900, 3_000),
        ("body", body, 1_900, 4_000),
    ] {
        let took = took.as_millis();
        assert!((least..most).contains(&took), "{what}: {took} ms");
    }
    // Two requests that never became whole; silence is no refusal.
    until("both are counted", || (yard.house.ears.count(Refusal::Fragment) == 2).then_some(()))
        .await;
    assert_eq!(yard.house.ears.reasons().len(), 2);
}

#[tokio::test]
async fn two_hundred_idle_sockets_do_not_keep_a_push_out() {
    let yard = Yard::new("").await;
    let mut idle = Vec::new();
    for i in 0..200 {
        let mut stream = TcpStream::connect(yard.address).await.unwrap();
        if i % 2 == 0 {
            stream.write_all(b"P").await.ok();
        }
        idle.push(stream);
    }
    let began = Instant::now();
    assert_eq!(yard.push("orchard", r#"[{"n":"orchard/t","v":1}]"#).await.status, 204);
    assert!(began.elapsed() < Duration::from_secs(1), "{:?}", began.elapsed());
    // The first of them had to go, the last are still there.
    closed(&mut idle[0]).await;
    let mut byte = [0; 1];
    let last = idle.last_mut().unwrap();
    assert!(tokio::time::timeout(Duration::from_millis(100), last.read(&mut byte)).await.is_err());
}

#[tokio::test]
async fn connections_that_are_being_answered_are_not_given_up_for_a_newcomer() {
    let mut yard = Yard::deaf("connections = 2\n").await;
    let request =
        post("/v1/samples", &token("orchard"), "application/json", r#"[{"n":"orchard/t","v":1}]"#);
    let mut busy = Vec::new();
    let mut held = Vec::new();
    for _ in 0..2 {
        let mut stream = TcpStream::connect(yard.address).await.unwrap();
        stream.write_all(request.as_bytes()).await.unwrap();
        held.push(yard.house.delivery().await);
        busy.push(stream);
    }
    let mut third = TcpStream::connect(yard.address).await.unwrap();
    closed(&mut third).await;
    until("it is counted", || (yard.house.ears.count(Refusal::Rate) == 1).then_some(())).await;
    held.into_iter().for_each(give);
    for mut stream in busy {
        assert_eq!(answer(&mut stream).await.status, 204);
    }
}

#[tokio::test]
async fn the_answer_waits_for_the_commit_and_is_503_without_one() {
    let mut yard = Yard::deaf("").await;
    let request =
        post("/v1/samples", &token("orchard"), "application/json", r#"[{"n":"orchard/t","v":1}]"#);
    let mut stream = TcpStream::connect(yard.address).await.unwrap();

    // Held, then committed.
    stream.write_all(request.as_bytes()).await.unwrap();
    let delivery = yard.house.delivery().await;
    let mut byte = [0; 1];
    let early = tokio::time::timeout(Duration::from_millis(300), stream.peek(&mut byte)).await;
    assert!(early.is_err(), "answered before the commit");
    give(delivery);
    assert_eq!(answer(&mut stream).await.status, 204);

    // Dropped without a word.
    stream.write_all(request.as_bytes()).await.unwrap();
    drop(yard.house.delivery().await);
    let dropped = answer(&mut stream).await;
    assert_eq!(dropped.status, 503);
    assert!(dropped.head.contains("retry-after: "), "{dropped:?}");

    // Never committed.
    let began = Instant::now();
    stream.write_all(request.as_bytes()).await.unwrap();
    let held = yard.house.delivery().await;
    let late = answer(&mut stream).await;
    let took = began.elapsed().as_millis();
    assert!(
        late.status == 503 && (1_900..4_000).contains(&took),
        "{} after {took} ms",
        late.status
    );
    drop(held);
    // The disk's fault is no refusal of what was sent.
    assert_eq!(yard.house.ears.reasons(), []);
}

#[tokio::test]
async fn a_full_intake_is_503_too() {
    let mut house = House::with_room("http", LISTEN, 1);
    let intake = std::mem::replace(&mut house.intake, mpsc::channel(1).1);
    let yard = Yard::around(house, Arc::default()).await;
    let pack = r#"[{"n":"orchard/t","v":1}]"#;
    let (first, second) = tokio::join!(yard.push("orchard", pack), yard.push("orchard", pack));
    assert_eq!((first.status, second.status), (503, 503));
    drop(intake);
    assert_eq!(yard.push("orchard", pack).await.status, 503);
}

#[tokio::test]
async fn eight_identical_pushes_at_once_are_all_handed_over_and_answered() {
    let yard = Yard::new("").await;
    let pack =
        r#"[{"bn":"orchard/","n":"t","v":17.3},{"n":"boot","vs":"b7"},{"n":"sequence","v":41}]"#;
    let pushes = (0..8).map(|_| yard.push("orchard", pack));
    for answer in futures_util::future::join_all(pushes).await {
        assert_eq!(answer.status, 204);
    }
    // Which of them counts is decided behind the intake, by what the sender stated.
    let stored = yard.stored();
    assert_eq!(stored.len(), 8);
    assert!(stored.iter().all(|m| m.sequence == Some(41) && m.boot.as_deref() == Some("b7")));
}

#[tokio::test]
async fn a_kept_connection_carries_many_requests_under_one_number() {
    let mut yard = Yard::deaf("").await;
    let mut stream = TcpStream::connect(yard.address).await.unwrap();
    let request =
        post("/v1/samples", &token("orchard"), "application/json", r#"[{"n":"orchard/t","v":1}]"#);
    let mut senders = Vec::new();
    for _ in 0..3 {
        stream.write_all(request.as_bytes()).await.unwrap();
        let delivery = yard.house.delivery().await;
        senders.push(delivery.sender);
        give(delivery);
        assert_eq!(answer(&mut stream).await.status, 204);
    }
    assert!(senders.windows(2).all(|w| w[0] == w[1]), "{senders:?}");
    let mut other = TcpStream::connect(yard.address).await.unwrap();
    other.write_all(request.as_bytes()).await.unwrap();
    assert_ne!(yard.house.delivery().await.sender, senders[0]);
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

#[tokio::test]
async fn a_session_stops_within_a_second_whatever_is_open() {
    let mut yard = Yard::deaf("").await;
    let _silent = TcpStream::connect(yard.address).await.unwrap();
    let mut half = TcpStream::connect(yard.address).await.unwrap();
    half.write_all(b"POST /v1/samples HTTP/1.1\r\n").await.unwrap();
    let request =
        post("/v1/samples", &token("orchard"), "application/json", r#"[{"n":"orchard/t","v":1}]"#);
    let mut waiting = TcpStream::connect(yard.address).await.unwrap();
    waiting.write_all(request.as_bytes()).await.unwrap();
    let delivery = yard.house.delivery().await;
    let mut never = TcpStream::connect(yard.address).await.unwrap();
    never.write_all(request.as_bytes()).await.unwrap();
    let held = yard.house.delivery().await;

    let began = Instant::now();
    yard.house.context.stop.cancel();
    // What is committed while it stops is still answered.
    give(delivery);
    assert_eq!(answer(&mut waiting).await.status, 204);
    let end = end(yard.session).await;
    assert!(began.elapsed() < Duration::from_secs(1), "{:?}", began.elapsed());
    assert!(!end.fault, "{end:?}");
    drop(held);
    closed(&mut never).await;
    assert!(TcpStream::connect(yard.address).await.is_err(), "it still listens");
}

#[tokio::test]
async fn an_address_that_is_taken_is_a_fault_that_names_it() {
    let taken = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
    let address = taken.local_addr().unwrap();
    let house = House::new("http", &format!("listen = \"{address}\"\n"));
    let end = end(house.start()).await;
    assert!(end.fault && !end.useful && end.reason.contains(&address.to_string()), "{end:?}");
    assert!(!house.ears.states.lock().unwrap().contains(&State::Up));
}

#[test]
fn settings_are_checked_with_their_places() {
    let kind = KINDS.iter().find(|k| k.name == "http").unwrap();
    let property = Arc::new(fixtures::property::alder_croft());
    let build =
        |text: &str| (kind.build)(&AdapterTable::from_text("http", "push", text), &property);
    assert!(build(kind.example).is_ok());
    for (text, says) in [
        ("", "listen"),
        ("listen = \"here\"\n", "socket address"),
        ("listen = \"127.0.0.1:0\"\nlissten = 1\n", "lissten"),
        ("listen = \"127.0.0.1:0\"\nconnections = 0\n", "connections"),
        ("listen = \"127.0.0.1:0\"\nidle = \"1 h\"\n", "10 min"),
        ("listen = \"127.0.0.1:0\"\n[source.http.push.map.orchid]\nt = \"/t\"\n", "orchid"),
        ("listen = \"127.0.0.1:0\"\n[source.http.push.map.orchard]\nfrog = \"/t\"\n", "frog"),
        ("listen = \"127.0.0.1:0\"\n[source.http.push.map.orchard]\nt = \"t\"\n", "RFC 6901"),
        (
            "listen = \"127.0.0.1:0\"\n[source.http.push.map.orchard]\nt = { path = \"$.t\", unit = \"hPa\" }\n",
            "hPa",
        ),
        (
            "listen = \"127.0.0.1:0\"\n[source.http.push.map.orchard]\nt = { path = \"$.t\", units = \"K\" }\n",
            "units",
        ),
    ] {
        let faults = build(text).err().unwrap_or_else(|| panic!("taken: {text}"));
        assert_eq!(faults.len(), 1, "{text}: {faults:?}");
        assert!(faults[0].to_string().contains(says), "{text}: {}", faults[0]);
        assert!(text.is_empty() || faults[0].line_column().is_some(), "{text}");
    }
    assert!(LONG > Duration::from_secs(1));
}
