//! What is pushed is stored and answered with 204.

use crate::fixtures::token;
use crate::{Yard, answer, ask, give, post};
use observation::{Stated, StationIndex, Time};
use tokio::io::AsyncWriteExt;
use tokio::net::TcpStream;

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

/// 17.5 in half precision.
const HALF: &[u8] = &[0xf9, 0x4c, 0x60];

/// `[{"n":"orchard/NAME","v":VALUE}]` in CBOR, the value as its bytes.
fn cbor(name: &str, value: &[u8]) -> Vec<u8> {
    let name = format!("orchard/{name}");
    let length = 0x60 + u8::try_from(name.len()).unwrap();
    [&[0x81, 0xa2, 0x00, length], name.as_bytes(), &[0x02], value].concat()
}

#[tokio::test]
async fn packs_in_cbor_are_taken_and_refused_as_those_in_json() {
    let yard = Yard::new("").await;
    let push = |kind: &str, body: &[u8]| {
        let kind =
            if kind.is_empty() { String::new() } else { format!("Content-Type: {kind}\r\n") };
        let head = format!(
            "POST /v1/samples HTTP/1.1\r\nHost: c\r\nAuthorization: Bearer {}\r\n{kind}Content-Length: {}\r\n\r\n",
            token("orchard"),
            body.len()
        );
        [head.as_bytes(), body].concat()
    };
    for kind in ["application/senml+cbor", "Application/SenML+CBOR; x=y", ""] {
        let answer = ask(yard.address, &push(kind, &cbor("t", HALF))).await;
        assert_eq!(answer.status, 204, "{kind}: {answer:?}");
    }
    let stored = yard.stored();
    let numbers: Vec<_> = stored.iter().map(|m| m.samples[0].value.number()).collect();
    assert_eq!(numbers, [Some(17.5); 3]);
    let cbor_type = "application/senml+cbor";
    let long = [cbor("t", HALF), vec![0; 65_536]].concat();
    for (request, status, reason, says) in [
        (push(cbor_type, &cbor("t", &[0xf9, 0x7e, 0])), 400, "not_finite", "`v`"),
        (push(cbor_type, &cbor("t", &[0x61, b'1'])), 400, "wrong_type", "`v`: expected a number"),
        (push(cbor_type, &cbor("t", &[0x01, 0x00])), 400, "malformed", "byte 16"),
        (push(cbor_type, &cbor("t", &[])), 400, "malformed", "ends"),
        (push(cbor_type, &cbor("frog", HALF)), 422, "unknown_channel", "frog"),
        (push(cbor_type, br#"[{"n":"orchard/t","v":1}]"#), 400, "wrong_type", "pack"),
        (push("application/senml+json", &cbor("t", HALF)), 400, "malformed", "UTF-8"),
        (push(cbor_type, &long), 413, "too_long", "65536"),
    ] {
        let answer = ask(yard.address, &request).await;
        assert_eq!((answer.status, answer.reason().as_str()), (status, reason), "{answer:?}");
        assert!(answer.detail().contains(says), "{answer:?}");
    }
    assert_eq!(yard.stored().len(), 3, "a refused pack leaves nothing behind");
    assert_eq!(yard.house.ears.reasons().len(), 8, "each is counted once");
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
