//! Rates, sizes and peers that keep connections.

use crate::fixtures::{House, soon, token, until};
use crate::{LISTEN, Yard, answer, ask, closed, fixtures, give, post};
use adapters::sources::KINDS;
use config::AdapterTable;
use observation::Refusal;
use std::sync::Arc;
use std::time::{Duration, Instant};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;

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
