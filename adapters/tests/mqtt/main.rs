//! What goes wrong between a broker and its client, each played by a scripted broker.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::too_many_lines)]

#[path = "../fixtures/mod.rs"]
mod fixtures;

mod encrypted;
mod version_5;

use adapters::port::{End, State};
use fixtures::peer::Peer;
use fixtures::{House, commit, end, soon, until, values};
use observation::{Refusal, StationIndex};
use rumqttc::mqttbytes::QoS;
use rumqttc::mqttbytes::v4::{ConnAck, ConnectReturnCode, Packet, Publish};
use std::time::Duration;
use tokio::io::AsyncReadExt;
use tokio::net::TcpListener;

const NUMBERS: &str =
    r#"subscribe = [{ filter = "garden/+station/+channel", payload = "number" }]"#;

async fn broker(more: &str) -> (TcpListener, String) {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let port = listener.local_addr().unwrap().port();
    (listener, format!("broker = \"mqtt://127.0.0.1:{port}\"\n{more}"))
}

// Scenario 1.
#[tokio::test]
async fn every_connection_subscribes_anew_whatever_the_broker_remembers() {
    let (listener, text) = broker(NUMBERS).await;
    let mut house = House::new("mqtt", &text);
    for round in 1..=3_u16 {
        let session = house.start();
        let mut peer = Peer::accept(&listener).await;
        let (connect, filters) = peer.welcome(round > 1).await;
        assert_eq!(connect.client_id, "isobarn-example");
        assert!(!connect.clean_session);
        assert_eq!(filters, ["garden/+/+"]);
        peer.publish("garden/orchard/t", "4.25", round).await;
        let messages = house.committed().await;
        assert_eq!(values(&messages), [4.25]);
        assert_eq!(messages[0].station, StationIndex(0));
        assert_eq!(peer.acknowledged().await, round);
        drop(peer);
        let End { reason, fault, .. } = end(session).await;
        assert!(reason.contains("mqtt://127.0.0.1:") && !fault, "{reason}");
    }
}

#[tokio::test]
async fn a_refused_subscription_is_a_fault_that_names_its_filter() {
    let two = r#"user = "croft"
subscribe = [{ filter = "garden/+station/+channel", payload = "number" }, { filter = "secret/#", payload = "senml" }]"#;
    let (listener, text) = broker(two).await;
    let mut house = House::new("mqtt", &text);
    let session = house.start();
    let mut peer = Peer::accept(&listener).await;
    peer.greet(false).await;
    peer.grant(|filter| filter.starts_with("garden")).await;
    let state = until("a state", || house.ears.last_state()).await;
    let State::Fault(reason) = state else { panic!("{state:?}") };
    assert!(reason.contains("`secret/#`") && reason.contains("`croft`"), "{reason}");
    peer.publish("garden/ridge/h", "71", 0).await;
    assert_eq!(values(&house.committed().await), [71.0], "the rest goes on");
    drop(peer);
    end(session).await;

    let session = house.start();
    let mut peer = Peer::accept(&listener).await;
    peer.greet(false).await;
    peer.grant(|_| false).await;
    let end = end(session).await;
    assert!(end.fault && !end.useful && end.reason.contains("`garden/+/+`"), "{end:?}");
}

#[tokio::test]
async fn a_refused_connection_is_a_fault_that_says_what_to_mend() {
    let (listener, text) = broker(NUMBERS).await;
    let house = House::new("mqtt", &text);
    let session = house.start();
    let mut peer = Peer::accept(&listener).await;
    peer.next().await.unwrap();
    let code = ConnectReturnCode::BadUserNamePassword;
    peer.send(Packet::ConnAck(ConnAck { session_present: false, code })).await;
    let end = end(session).await;
    assert!(end.fault && end.reason.contains("password"), "{end:?}");
}

// Scenario 2: the pause between sessions belongs to whoever runs them; a session must end
// at once, as useless, and say where it wanted to go.
#[tokio::test]
async fn without_a_listener_the_session_ends_at_once_and_earns_no_shorter_pause() {
    let (listener, text) = broker(NUMBERS).await;
    drop(listener);
    let house = House::new("mqtt", &text);
    for _ in 0..5 {
        let end = end(house.start()).await;
        assert!(!end.useful && !end.fault, "{end:?}");
        assert!(
            end.reason.contains("mqtt://127.0.0.1:") && end.reason.contains("refused"),
            "{end:?}"
        );
    }
    assert!(house.ears.states.lock().unwrap().is_empty(), "never up");
}

// Scenario 3.
#[tokio::test]
async fn a_takeover_battle_earns_growing_pauses_and_names_its_likely_cause() {
    let (listener, text) = broker(NUMBERS).await;
    let mut house = House::new("mqtt", &text);
    for _ in 0..5 {
        let session = house.start();
        let mut peer = Peer::accept(&listener).await;
        peer.welcome(true).await;
        // Even a message does not make a short session a good one.
        peer.publish("garden/orchard/t", "1", 0).await;
        house.committed().await;
        drop(peer);
        let end = end(session).await;
        assert!(!end.useful, "{end:?}");
        assert!(
            end.reason.contains("`isobarn-example`") && end.reason.contains("client_id"),
            "{end:?}"
        );
    }
}

// Scenario 4.
#[tokio::test]
async fn retained_messages_without_a_time_prove_nothing_and_redeliveries_are_marked() {
    let more = r#"subscribe = [{ filter = "garden/+station/+channel", payload = "number" }, { filter = "packs", payload = "senml" }]"#;
    let (listener, text) = broker(more).await;
    let mut house = House::new("mqtt", &text);
    let mut connections = Vec::new();
    for again in [false, true] {
        let session = house.start();
        let mut peer = Peer::accept(&listener).await;
        peer.welcome(again).await;
        let retained = |topic: &str, payload: &str, packet| {
            let mut publish = Publish::new(topic, QoS::AtLeastOnce, payload);
            publish.pkid = packet;
            publish.retain = true;
            Packet::Publish(publish)
        };
        peer.send(retained("garden/orchard/t", "99", 1)).await;
        let pack = r#"[{"n":"ridge/t","t":1790000000,"v":3.5}]"#;
        peer.send(retained("packs", pack, 2)).await;
        let mut publish = Publish::new("garden/orchard/t", QoS::AtLeastOnce, "4");
        publish.pkid = 3;
        publish.dup = again;
        peer.send(Packet::Publish(publish)).await;
        let mut messages = Vec::new();
        while messages.len() < 2 {
            messages.extend(house.committed().await);
        }
        assert_eq!(values(&messages), [3.5, 4.0]);
        let redelivery = messages[1].redelivery.clone().unwrap();
        assert_eq!((redelivery.packet, redelivery.again), (3, again));
        assert_eq!((&*redelivery.topic, &*redelivery.client), ("garden/orchard/t", ""));
        connections.push(redelivery.connection);
        for packet in 1..=3 {
            assert_eq!(peer.acknowledged().await, packet);
        }
        drop(peer);
        end(session).await;
    }
    assert_ne!(connections[0], connections[1]);
    assert_eq!(house.ears.reasons(), [Refusal::Retained, Refusal::Retained]);
}

// Scenario 5.
#[tokio::test]
async fn nothing_is_acknowledged_before_its_commit_nor_out_of_order() {
    let (listener, text) = broker(NUMBERS).await;
    let mut house = House::new("mqtt", &text);
    let session = house.start();
    let mut peer = Peer::accept(&listener).await;
    peer.welcome(false).await;
    peer.publish("garden/orchard/t", "1", 11).await;
    let first = house.delivery().await;
    // Refused, and therefore owed at once: but not before what came first.
    peer.publish("garden/orchard/t", "frost", 12).await;
    peer.publish("garden/orchard/t", "2", 13).await;
    let second = house.delivery().await;
    peer.silent().await;
    commit(&first);
    assert_eq!(peer.acknowledged().await, 11);
    assert_eq!(peer.acknowledged().await, 12);
    peer.silent().await;
    commit(&second);
    assert_eq!(peer.acknowledged().await, 13);
    house.context.stop.cancel();
    assert_eq!(peer.next().await, Some(Packet::Disconnect));
    end(session).await;
}

#[tokio::test]
async fn a_lost_delivery_ends_the_session_without_acknowledgement() {
    let (listener, text) = broker(NUMBERS).await;
    let mut house = House::new("mqtt", &text);
    let session = house.start();
    let mut peer = Peer::accept(&listener).await;
    peer.welcome(false).await;
    peer.publish("garden/orchard/t", "1", 1).await;
    match house.delivery().await.receipt {
        adapters::port::Receipt::UpTo(watermark, _) => watermark.fail(),
        other => panic!("{other:?}"),
    }
    assert_eq!(peer.next().await, None);
    assert!(end(session).await.reason.contains("could not be stored"));
}

// Scenario 6.
#[tokio::test]
async fn an_oversized_message_is_named_and_given_up_after_the_second_time() {
    let (listener, text) = broker(NUMBERS).await;
    let mut house = House::new("mqtt", &text);
    for round in 1..=2 {
        let session = house.start();
        let mut peer = Peer::accept(&listener).await;
        assert!(!peer.welcome(true).await.0.clean_session);
        peer.publish("garden/orchard/t", vec![b'1'; 300 << 10], 1).await;
        let end = end(session).await;
        assert!(!end.useful, "{end:?}");
        assert!(end.reason.contains("262144") && end.reason.contains("garden/+/+"), "{end:?}");
        assert_eq!(end.reason.contains("clean"), round == 2, "{end:?}");
        assert_eq!(house.ears.count(Refusal::TooLong), round);
    }
    let session = house.start();
    let mut peer = Peer::accept(&listener).await;
    assert!(peer.welcome(false).await.0.clean_session, "the third starts clean");
    peer.publish("garden/ridge/t", "5", 1).await;
    assert_eq!(values(&house.committed().await), [5.0]);
    assert_eq!(peer.acknowledged().await, 1);
    drop(peer);
    end(session).await;
    let session = house.start();
    let mut peer = Peer::accept(&listener).await;
    assert!(!peer.welcome(false).await.0.clean_session, "and the fourth is kept again");
    house.context.stop.cancel();
    end(session).await;
}

// Scenario 7: nothing of one connection reaches the next.
#[tokio::test]
async fn an_acknowledgement_never_reaches_a_later_connection() {
    let (listener, text) = broker(NUMBERS).await;
    let mut house = House::new("mqtt", &text);
    let session = house.start();
    let mut peer = Peer::accept(&listener).await;
    peer.welcome(false).await;
    for packet in 1..=50 {
        peer.publish("garden/orchard/t", "1", packet).await;
    }
    let mut late = Vec::new();
    let mut count = 0;
    while count < 50 {
        let delivery = house.delivery().await;
        count += delivery.messages.len();
        late.push(delivery);
    }
    drop(peer);
    end(session).await;
    let session = house.start();
    let mut peer = Peer::accept(&listener).await;
    peer.welcome(false).await;
    late.iter().for_each(commit);
    peer.publish("garden/orchard/t", "2", 77).await;
    house.committed().await;
    assert_eq!(peer.acknowledged().await, 77);
    peer.silent().await;
    house.context.stop.cancel();
    end(session).await;
}

// Scenario 8.
#[tokio::test(start_paused = true)]
async fn a_mute_peer_ends_the_session_wherever_it_falls_silent() {
    let began = tokio::time::Instant::now();
    let (listener, text) = broker(NUMBERS).await;
    let house = House::new("mqtt", &text);
    let ended = async |session: tokio::task::JoinHandle<End>| {
        tokio::time::timeout(Duration::from_secs(120), session).await.expect("an end").unwrap()
    };

    let session = house.start();
    let mut peer = Peer::accept(&listener).await;
    let End { reason, useful, .. } = ended(session).await;
    assert!(reason.contains("attempt to connect") && !useful, "{reason}");
    peer.stream.read_u8().await.unwrap();
    drop(peer);

    let session = house.start();
    let mut peer = Peer::accept(&listener).await;
    peer.greet(false).await;
    let reason = ended(session).await.reason;
    assert!(reason.contains("answer to the subscription"), "{reason}");

    let session = house.start();
    let mut peer = Peer::accept(&listener).await;
    peer.welcome(false).await;
    let live = tokio::time::Instant::now();
    let reason = ended(session).await.reason;
    assert!(reason.contains("no sign of life for 45 s"), "{reason}");
    assert!(live.elapsed() < Duration::from_secs(50), "{:?}", live.elapsed());
    assert!(began.elapsed() < Duration::from_secs(90), "{:?}", began.elapsed());
}

// Scenario 9.
#[tokio::test]
async fn empty_and_foreign_payloads_are_counted_once_or_not_at_all() {
    let (listener, text) = broker(NUMBERS).await;
    let mut house = House::new("mqtt", &text);
    let session = house.start();
    let mut peer = Peer::accept(&listener).await;
    peer.welcome(false).await;
    peer.publish("garden/orchard/t", "", 1).await;
    peer.publish("garden/orchard/t", [0xff], 2).await;
    peer.publish("garden/stranger/t", "1", 3).await;
    peer.publish("garden/orchard/frog", "1", 4).await;
    peer.publish("elsewhere", "1", 5).await;
    peer.publish("garden/orchard/t", vec![b'1'; 70_000], 6).await;
    peer.publish("garden/orchard/t", "NaN", 7).await;
    peer.publish("garden/orchard/t", "6", 8).await;
    assert_eq!(values(&house.committed().await), [6.0]);
    for packet in 1..=8 {
        assert_eq!(peer.acknowledged().await, packet);
    }
    assert_eq!(
        house.ears.reasons(),
        [
            Refusal::Malformed,
            Refusal::UnknownStation,
            Refusal::UnknownChannel,
            Refusal::UnknownStation,
            Refusal::TooLong,
            Refusal::NotFinite,
        ]
    );
    let refused = house.ears.refused.lock().unwrap().clone();
    assert_eq!(refused[1].0, None, "a stranger gets no label of its own");
    assert_eq!(refused[2].0, Some(StationIndex(0)));
    assert!(refused[2].2.contains("garden/orchard/frog"), "{:?}", refused[2]);
    house.context.stop.cancel();
    end(session).await;
}

// Scenario 10.
#[tokio::test]
async fn a_broker_that_returns_without_its_memory_is_taken_up_again() {
    let (listener, text) = broker(NUMBERS).await;
    let address = listener.local_addr().unwrap();
    let mut house = House::new("mqtt", &text);
    let session = house.start();
    let mut peer = Peer::accept(&listener).await;
    peer.welcome(true).await;
    drop((peer, listener));
    end(session).await;
    for _ in 0..20 {
        assert!(!end(house.start()).await.reason.is_empty());
    }
    let listener = TcpListener::bind(address).await.unwrap();
    let session = house.start();
    let mut peer = Peer::accept(&listener).await;
    peer.welcome(false).await;
    peer.publish("garden/orchard/t", "8", 1).await;
    assert_eq!(values(&house.committed().await), [8.0]);
    assert_eq!(peer.acknowledged().await, 1);
    house.context.stop.cancel();
    end(session).await;
}

#[tokio::test]
async fn what_waits_is_handed_over_together_and_marked_as_early() {
    let (listener, text) = broker(NUMBERS).await;
    let mut house = House::new("mqtt", &text);
    let session = house.start();
    let mut peer = Peer::accept(&listener).await;
    peer.welcome(true).await;
    for packet in 1..=1_000 {
        peer.publish("garden/orchard/t", format!("{packet}"), packet).await;
    }
    let (mut got, mut deliveries) = (Vec::new(), 0);
    while got.len() < 1_000 {
        let messages = house.committed().await;
        assert!(messages.iter().all(|m| m.early));
        got.extend(values(&messages));
        deliveries += 1;
    }
    assert_eq!(got, (1..=1_000).map(f64::from).collect::<Vec<_>>());
    assert!(deliveries < 500, "{deliveries} deliveries of 1000 messages");
    for packet in 1..=1_000 {
        assert_eq!(peer.acknowledged().await, packet);
    }
    house.context.stop.cancel();
    end(session).await;
}

#[tokio::test(start_paused = true)]
async fn a_store_that_does_not_keep_up_ends_the_session_after_half_the_keep_alive() {
    let (listener, text) = broker(NUMBERS).await;
    let mut house = House::with_room("mqtt", &text, 1);
    let session = house.start();
    let mut peer = Peer::accept(&listener).await;
    peer.welcome(false).await;
    peer.publish("garden/orchard/t", "1", 1).await;
    let held =
        until("a full intake", || (house.context.intake.capacity() == 0).then_some(())).await;
    let began = tokio::time::Instant::now();
    peer.publish("garden/orchard/t", "2", 2).await;
    let End { reason, .. } =
        tokio::time::timeout(Duration::from_secs(60), session).await.expect("an end").unwrap();
    let () = held;
    assert!(reason.contains("does not keep up"), "{reason}");
    let waited = began.elapsed();
    assert!(waited >= Duration::from_secs(15) && waited < Duration::from_secs(22), "{waited:?}");
    assert_eq!(values(&house.committed().await), [1.0]);
    while let Some(packet) = peer.next().await {
        assert!(!matches!(packet, Packet::PubAck(_)), "{packet:?}");
    }
}

#[tokio::test]
async fn a_stop_acknowledges_what_is_durable_and_takes_less_than_a_second() {
    let (listener, text) = broker(NUMBERS).await;
    let mut house = House::new("mqtt", &text);
    let session = house.start();
    let mut peer = Peer::accept(&listener).await;
    peer.welcome(false).await;
    peer.publish("garden/orchard/t", "1", 1).await;
    let delivery = house.delivery().await;
    house.context.stop.cancel();
    commit(&delivery);
    assert_eq!(peer.acknowledged().await, 1);
    assert_eq!(peer.next().await, Some(Packet::Disconnect));
    let ended = tokio::time::timeout(Duration::from_secs(1), session).await;
    assert!(ended.is_ok(), "a stop took more than a second");
}
