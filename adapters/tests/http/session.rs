//! Receipts, the end of a session, and its settings.

use crate::fixtures::{House, LONG, end, token};
use crate::{LISTEN, Yard, answer, closed, fixtures, give, post};
use adapters::port::State;
use adapters::sources::KINDS;
use config::AdapterTable;
use std::sync::Arc;
use std::time::{Duration, Instant};
use tokio::io::AsyncWriteExt;
use tokio::net::TcpStream;
use tokio::sync::mpsc;

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
        ("listen = \"here\"\n", "IP address with a port"),
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
