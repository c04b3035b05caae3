//! Stations that connect straight to the inlet, each played by a scripted client.

#![allow(clippy::unwrap_used, clippy::expect_used)]

#[path = "../fixtures/mod.rs"]
mod fixtures;

mod version_5;

use bytes::BytesMut;
use fixtures::peer::Peer;
use fixtures::{House, LONG, commit, end, soon, token, until, values};
use observation::{Refusal, StationIndex};
use rumqttc::mqttbytes::QoS;
use rumqttc::mqttbytes::v4::{
    Connect, ConnectReturnCode, LastWill, Packet, Publish, Subscribe, SubscribeReasonCode,
    Unsubscribe,
};
use std::time::{Duration, Instant};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::task::JoinHandle;

const LISTEN: &str = "listen = \"127.0.0.1:0\"\n";

fn connect(user: &str, client: &str) -> Connect {
    let mut connect = Connect::new(client);
    connect.set_login(user, token(user));
    connect.clean_session = false;
    connect.keep_alive = 60;
    connect
}

async fn inlet(more: &str) -> (House, JoinHandle<adapters::port::End>) {
    let house = House::new("mqtt_inlet", &format!("{LISTEN}{more}"));
    let session = house.start();
    house.up().await;
    (house, session)
}

async fn station(house: &House, user: &str, client: &str) -> (Peer, bool) {
    let mut peer = Peer::dial(house.address().await).await;
    let answer = peer.connect(connect(user, client)).await;
    assert_eq!(answer.code, ConnectReturnCode::Success);
    (peer, answer.session_present)
}

#[tokio::test]
async fn only_a_stations_own_token_lets_it_in() {
    let (house, session) = inlet("").await;
    let mut wrong = connect("orchard", "a");
    wrong.set_login("orchard", token("ridge"));
    let mut stranger = connect("orchard", "a");
    stranger.set_login("nobody", token("orchard"));
    let mut mute = connect("orchard", "a");
    mute.login = None;
    let mut nameless = connect("orchard", "");
    nameless.clean_session = false;
    for (connect, code) in [
        (wrong, ConnectReturnCode::BadUserNamePassword),
        (stranger, ConnectReturnCode::BadUserNamePassword),
        (mute, ConnectReturnCode::NotAuthorized),
        (nameless, ConnectReturnCode::BadClientId),
    ] {
        let mut peer = Peer::dial(house.address().await).await;
        let answer = peer.connect(connect).await;
        assert_eq!((answer.code, answer.session_present), (code, false));
        peer.closed().await;
    }
    assert_eq!(house.ears.count(Refusal::Credentials), 3);
    for (_, _, detail) in house.ears.refused.lock().unwrap().iter() {
        assert!(!detail.contains("token") && !detail.contains("orchard"), "{detail}");
    }
    house.context.stop.cancel();
    end(session).await;
}

#[tokio::test]
async fn what_is_published_is_acknowledged_after_its_commit_and_in_order() {
    let (mut house, session) = inlet("").await;
    let (mut peer, _) = station(&house, "orchard", "a").await;
    peer.publish("orchard/t", "1.5", 1).await;
    let first = house.delivery().await;
    peer.publish("orchard/t", "", 2).await;
    peer.publish("orchard/frog", "1", 3).await;
    peer.publish("orchard", r#"{"t":2.5,"h":80}"#, 4).await;
    peer.publish("orchard/h", "81", 0).await;
    let mut rest = Vec::new();
    let mut count = 0;
    while count < 2 {
        let delivery = house.delivery().await;
        count += delivery.messages.len();
        rest.push(delivery);
    }
    peer.silent().await;
    commit(&first);
    for packet in 1..=3 {
        assert_eq!(peer.acknowledged().await, packet);
    }
    peer.silent().await;
    rest.iter().for_each(commit);
    assert_eq!(peer.acknowledged().await, 4);
    let message = &first.messages[0];
    assert_eq!((message.station, values(&first.messages)), (StationIndex(0), vec![1.5]));
    assert!(message.early);
    let redelivery = message.redelivery.clone().unwrap();
    assert_eq!((&*redelivery.client, &*redelivery.topic), ("orchard/a", "orchard/t"));
    assert_eq!((redelivery.packet, redelivery.again), (1, false));
    assert_eq!(redelivery.connection, first.sender);
    let messages: Vec<_> = rest.into_iter().flat_map(|d| d.messages).collect();
    assert_eq!(values(&messages), [2.5, 80.0, 81.0]);
    assert_eq!(messages[1].redelivery, None, "QoS 0");
    assert_eq!(house.ears.reasons(), [Refusal::UnknownChannel]);
    house.context.stop.cancel();
    end(session).await;
}

#[tokio::test]
async fn a_pack_may_come_in_either_notation() {
    let accept = "accept = [{ filter = \"packs\", payload = \"senml\" }]";
    let (mut house, session) = inlet(accept).await;
    let (mut peer, _) = station(&house, "orchard", "a").await;
    peer.publish("packs", r#"[{"n":"orchard/t","v":1.5}]"#, 1).await;
    assert_eq!(values(&house.committed().await), [1.5]);
    let cbor = |name: &[u8]| [&b"\x81\xa2\x00\x69"[..], name, b"\x02\xf9\x4c\x60"].concat();
    peer.publish("packs", cbor(b"orchard/t"), 2).await;
    assert_eq!(values(&house.committed().await), [17.5]);
    // A value that is no number, then half a pack: counted and acknowledged.
    peer.publish("packs", [&cbor(b"orchard/t")[..15], b"\x7e\x00"].concat(), 3).await;
    peer.publish("packs", &cbor(b"orchard/t")[..9], 4).await;
    for packet in 1..=4 {
        assert_eq!(peer.acknowledged().await, packet);
    }
    assert_eq!(house.ears.reasons(), [Refusal::NotFinite, Refusal::Malformed]);
    peer.publish("packs", cbor(b"meadow/tt"), 5).await;
    assert_eq!(peer.next().await, None, "not its own station");
    assert_eq!(house.ears.count(Refusal::Credentials), 1);
    house.context.stop.cancel();
    end(session).await;
}

#[tokio::test]
async fn it_is_no_broker() {
    let (house, session) = inlet("").await;
    let mut peer = Peer::dial(house.address().await).await;
    let mut connect = connect("orchard", "a");
    connect.last_will = Some(LastWill::new("ridge/t", "gone", QoS::AtLeastOnce, true));
    assert_eq!(peer.connect(connect).await.code, ConnectReturnCode::Success);
    let mut subscribe = Subscribe::new("#", QoS::AtLeastOnce);
    subscribe.add("orchard/t".to_owned(), QoS::AtMostOnce);
    subscribe.pkid = 5;
    peer.send(Packet::Subscribe(subscribe)).await;
    match peer.next().await {
        Some(Packet::SubAck(answer)) => {
            assert_eq!(answer.pkid, 5);
            assert_eq!(answer.return_codes, vec![SubscribeReasonCode::Failure; 2]);
        }
        other => panic!("{other:?}"),
    }
    let mut unsubscribe = Unsubscribe::new("#");
    unsubscribe.pkid = 6;
    peer.send(Packet::Unsubscribe(unsubscribe)).await;
    assert!(matches!(peer.next().await, Some(Packet::UnsubAck(answer)) if answer.pkid == 6));
    peer.send(Packet::PingReq).await;
    assert_eq!(peer.next().await, Some(Packet::PingResp));
    let mut publish = Publish::new("orchard/t", QoS::ExactlyOnce, "1");
    publish.pkid = 7;
    peer.send(Packet::Publish(publish)).await;
    assert_eq!(peer.next().await, None);
    let told = house.ears.refused.lock().unwrap()[0].clone();
    assert!(told.1 == Refusal::Malformed && told.2.contains("QoS 2"), "{told:?}");
    house.context.stop.cancel();
    end(session).await;
    assert_eq!(house.ears.reasons().len(), 1, "a will is no message");
}

#[tokio::test]
async fn nobody_speaks_for_another_station() {
    let (mut house, session) = inlet("").await;
    for topic in ["ridge/t", "nowhere/t"] {
        let (mut peer, _) = station(&house, "orchard", "a").await;
        peer.publish(topic, "1", 1).await;
        assert_eq!(peer.next().await, None, "{topic}");
    }
    assert_eq!(house.ears.reasons(), [Refusal::Credentials; 2]);
    let refused = house.ears.refused.lock().unwrap().clone();
    assert_eq!(refused[0].2.replace("ridge", "nowhere"), refused[1].2, "the answer tells nothing");

    let (mut peer, _) = station(&house, "hub", "base").await;
    peer.publish("orchard/t", "1", 1).await;
    assert_eq!(values(&house.committed().await), [1.0]);
    peer.publish("hedge/t", "2", 2).await;
    assert_eq!(values(&house.committed().await), [2.0]);
    assert_eq!(peer.acknowledged().await, 1);
    assert_eq!(peer.acknowledged().await, 2);
    peer.publish("ridge/t", "3", 3).await;
    assert_eq!(peer.next().await, None, "not a station of this gateway");
    house.context.stop.cancel();
    end(session).await;
}

#[tokio::test]
async fn a_revoked_token_ends_its_connection() {
    let (mut house, session) = inlet("").await;
    let (mut peer, _) = station(&house, "orchard", "a").await;
    peer.publish("orchard/t", "1", 1).await;
    house.committed().await;
    assert_eq!(peer.acknowledged().await, 1);
    house.context.credentials.replace([]);
    peer.publish("orchard/t", "2", 2).await;
    assert_eq!(peer.next().await, None);
    house.context.stop.cancel();
    end(session).await;
}

#[tokio::test]
async fn a_client_that_keeps_its_session_is_known_again_and_may_redeliver() {
    let (mut house, session) = inlet("").await;
    let (mut first, present) = station(&house, "orchard", "a").await;
    assert!(!present);
    first.publish("orchard/t", "1", 9).await;
    let lost = house.delivery().await;
    // It comes anew while the old connection still hangs: the old one ends.
    let (mut second, present) = station(&house, "orchard", "a").await;
    assert!(present);
    first.closed().await;
    let mut publish = Publish::new("orchard/t", QoS::AtLeastOnce, "1");
    (publish.pkid, publish.dup) = (9, true);
    second.send(Packet::Publish(publish)).await;
    let again = house.committed().await;
    assert_eq!(second.acknowledged().await, 9);
    let (old, new) =
        (lost.messages[0].redelivery.clone().unwrap(), again[0].redelivery.clone().unwrap());
    assert!(new.again && !old.again && new.connection != old.connection);
    assert_eq!((old.client, old.topic, old.packet), (new.client, new.topic, new.packet));

    let (_, present) = station(&house, "ridge", "a").await;
    assert!(!present, "the same identifier of another station is another client");
    let mut clean = connect("orchard", "a");
    clean.clean_session = true;
    let mut peer = Peer::dial(house.address().await).await;
    assert!(!peer.connect(clean).await.session_present);
    let (_, present) = station(&house, "orchard", "a").await;
    assert!(!present, "a clean session forgets the kept one");
    house.context.stop.cancel();
    end(session).await;
}

#[tokio::test]
async fn another_version_is_refused_in_its_own_form() {
    let (house, session) = inlet("").await;
    for version in [3, 6] {
        let mut connect = b"\x10\x0d\x00\x04MQTT\x03\x02\x00\x3c\x00\x01a".to_vec();
        connect[8] = version;
        let mut stream = tokio::net::TcpStream::connect(house.address().await).await.unwrap();
        stream.write_all(&connect).await.unwrap();
        let mut answer = Vec::new();
        soon("the end", stream.read_to_end(&mut answer)).await.unwrap();
        assert_eq!(answer, [0x20, 2, 0, 1], "{version}");
    }
    house.context.stop.cancel();
    end(session).await;
}

#[tokio::test]
async fn garbage_and_endless_packets_end_only_their_connection() {
    let (mut house, session) = inlet("packet_limit = \"4 KiB\"\nhandshake = \"1 s\"").await;
    let (mut good, _) = station(&house, "ridge", "good").await;
    for bytes in [&b"GET / HTTP/1.1\r\n\r\n"[..], b"\x00\x00", b"\xff\xff\xff\xff\xff", b"\xc0\x00"]
    {
        let mut stream = tokio::net::TcpStream::connect(house.address().await).await.unwrap();
        stream.write_all(bytes).await.unwrap();
        let mut answer = Vec::new();
        soon("the end", stream.read_to_end(&mut answer)).await.ok();
        assert!(answer.is_empty(), "{answer:x?}");
    }
    let mut random = fastrand::Rng::with_seed(7);
    for _ in 0..200 {
        let (mut peer, _) = station(&house, "orchard", "fuzz").await;
        let mut publish = Publish::new("orchard/t", QoS::AtLeastOnce, "1.25");
        publish.pkid = 1;
        let mut bytes = BytesMut::new();
        publish.write(&mut bytes).unwrap();
        for _ in 0..3 {
            let place = random.usize(..bytes.len());
            bytes[place] = random.u8(..);
        }
        peer.stream.write_all(&bytes).await.unwrap();
        peer.stream.shutdown().await.ok();
        peer.next().await;
        while house.intake.try_recv().is_ok() {}
    }
    let (mut peer, _) = station(&house, "orchard", "long").await;
    peer.publish("orchard/t", vec![b'1'; 5_000], 1).await;
    assert_eq!(peer.next().await, None);
    assert!(house.ears.count(Refusal::TooLong) >= 1);
    good.publish("ridge/t", "3", 1).await;
    assert_eq!(values(&house.committed().await), [3.0]);
    assert_eq!(good.acknowledged().await, 1);
    house.context.stop.cancel();
    end(session).await;
}

#[tokio::test]
async fn silent_and_surplus_connections_do_not_keep_others_out() {
    let (house, session) = inlet("connections = 2\nhandshake = \"1 s\"").await;
    let address = house.address().await;
    let mut mute = Peer::dial(address).await;
    let mut mute_too = Peer::dial(address).await;
    let mut surplus = Peer::dial(address).await;
    assert_eq!(surplus.next().await, None);
    assert_eq!(house.ears.count(Refusal::Rate), 1);
    let began = Instant::now();
    assert_eq!(mute.next().await, None);
    assert_eq!(mute_too.next().await, None);
    assert!(began.elapsed() < Duration::from_secs(5));
    station(&house, "orchard", "a").await;
    house.context.stop.cancel();
    end(session).await;
}

#[tokio::test]
async fn a_dead_station_is_let_go_after_its_keep_alive_and_a_half() {
    let (house, session) = inlet("").await;
    let mut dying = connect("orchard", "a");
    dying.keep_alive = 1;
    let mut peer = Peer::dial(house.address().await).await;
    peer.connect(dying).await;
    let began = Instant::now();
    assert_eq!(peer.next().await, None);
    let lasted = began.elapsed();
    assert!(lasted > Duration::from_millis(1_300) && lasted < LONG / 2, "{lasted:?}");
    house.context.stop.cancel();
    end(session).await;
}

#[tokio::test]
async fn a_full_window_is_taken_in_few_deliveries_and_acknowledged_in_order() {
    let (mut house, session) = inlet("").await;
    let (mut peer, _) = station(&house, "ridge", "a").await;
    let mut out = BytesMut::new();
    for packet in 1..=2_000_u16 {
        let mut publish = Publish::new("ridge/t", QoS::AtLeastOnce, packet.to_string());
        publish.pkid = packet;
        publish.write(&mut out).unwrap();
    }
    peer.stream.write_all(&out).await.unwrap();
    let (mut got, mut deliveries) = (Vec::new(), 0);
    while got.len() < 2_000 {
        got.extend(values(&house.committed().await));
        deliveries += 1;
    }
    assert_eq!(got, (1..=2_000).map(f64::from).collect::<Vec<_>>());
    assert!(deliveries < 200, "{deliveries} deliveries of 2000 messages");
    for packet in 1..=2_000 {
        assert_eq!(peer.acknowledged().await, packet);
    }
    house.context.stop.cancel();
    end(session).await;
}

#[tokio::test]
async fn a_stop_waits_for_what_is_about_to_be_durable() {
    let (mut house, session) = inlet("").await;
    let (mut peer, _) = station(&house, "ridge", "a").await;
    peer.publish("ridge/t", "1", 1).await;
    let delivery = house.delivery().await;
    house.context.stop.cancel();
    commit(&delivery);
    assert_eq!(peer.acknowledged().await, 1);
    assert_eq!(peer.next().await, None);
    tokio::time::timeout(Duration::from_secs(1), session).await.expect("an end").unwrap();
}

#[tokio::test]
async fn a_taken_address_is_a_fault() {
    let (house, session) = inlet("").await;
    let address = house.address().await;
    let other = House::new("mqtt_inlet", &format!("listen = \"{address}\""));
    let ended = end(other.start()).await;
    assert!(ended.fault && ended.reason.contains(&address.to_string()), "{ended:?}");
    house.context.stop.cancel();
    until("the stop", || session.is_finished().then_some(())).await;
}
