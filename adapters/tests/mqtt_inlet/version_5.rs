//! Stations that speak MQTT 5, each played by a scripted client over another codec.

use super::*;
use fixtures::peer_5::Peer5;
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::SubscribeReasonCode;
use rumqttc::v5::mqttbytes::v5::{
    ConnAck, Connect, ConnectProperties, ConnectReturnCode, DisconnectReasonCode, Filter, LastWill,
    Login, Packet, PingReq, PubAckReason, Publish, PublishProperties, Subscribe, UnsubAckReason,
    Unsubscribe,
};
use tokio::net::TcpStream;

impl Peer5 {
    async fn dial(house: &House) -> Self {
        let stream = TcpStream::connect(house.address().await).await.unwrap();
        Self::new(stream)
    }

    async fn greet(&mut self, connect: Connect, will: Option<LastWill>, user: &str) -> ConnAck {
        let login = Login { username: user.to_owned(), password: token(user) };
        self.send(Packet::Connect(connect, will, Some(login))).await;
        match self.next().await {
            Some(Packet::ConnAck(answer)) => answer,
            other => panic!("{other:?}"),
        }
    }

    async fn publish(&mut self, topic: &str, payload: &str, packet: u16) {
        self.send(Packet::Publish(message(topic, payload, packet))).await;
    }

    async fn acknowledged(&mut self) -> (u16, PubAckReason) {
        match self.next().await {
            Some(Packet::PubAck(ack)) => (ack.pkid, ack.reason),
            other => panic!("{other:?}"),
        }
    }

    /// The reason that the other end gives before it closes.
    async fn goodbye(&mut self) -> DisconnectReasonCode {
        match self.next().await {
            Some(Packet::Disconnect(goodbye)) => {
                assert!(self.next().await.is_none(), "it closes then");
                goodbye.reason_code
            }
            other => panic!("{other:?}"),
        }
    }
}

fn connect(client: &str, clean: bool, expiry: Option<u32>) -> Connect {
    let properties = ConnectProperties {
        session_expiry_interval: expiry,
        receive_maximum: None,
        max_packet_size: None,
        topic_alias_max: None,
        request_response_info: None,
        request_problem_info: None,
        user_properties: vec![("made by".to_owned(), "hand".to_owned())],
        authentication_method: None,
        authentication_data: None,
    };
    Connect {
        keep_alive: 60,
        client_id: client.to_owned(),
        clean_start: clean,
        properties: Some(properties),
    }
}

fn message(topic: &str, payload: &str, packet: u16) -> Publish {
    let qos = if packet == 0 { QoS::AtMostOnce } else { QoS::AtLeastOnce };
    let mut publish = Publish::new(topic, qos, payload.to_owned(), None);
    publish.pkid = packet;
    publish
}

async fn station_5(house: &House, client: &str, clean: bool, expiry: u32) -> (Peer5, bool) {
    let mut peer = Peer5::dial(house).await;
    let answer = peer.greet(connect(client, clean, Some(expiry)), None, "orchard").await;
    assert_eq!(answer.code, ConnectReturnCode::Success);
    (peer, answer.session_present)
}

#[tokio::test]
async fn what_is_published_is_acknowledged_after_its_commit_and_refusals_say_so() {
    let (mut house, session) = inlet("packet_limit = \"4 KiB\"").await;
    let mut peer = Peer5::dial(&house).await;
    let will = LastWill::new("ridge/t", "gone", QoS::AtLeastOnce, true, None);
    let answer = peer.greet(connect("a", true, None), Some(will), "orchard").await;
    assert_eq!((answer.code, answer.session_present), (ConnectReturnCode::Success, false));
    let offer = answer.properties.unwrap();
    assert_eq!((offer.max_qos, offer.max_packet_size), (Some(1), Some(4_096)));
    assert_eq!(offer.receive_max, Some(16_384));
    assert_eq!(offer.wildcard_subscription_available, Some(0));
    assert_eq!(offer.topic_alias_max, None, "none is offered");

    // With properties of every type, and none.
    let mut first = message("orchard/t", "1.5", 1);
    first.properties = Some(PublishProperties {
        payload_format_indicator: Some(1),
        message_expiry_interval: Some(60),
        topic_alias: None,
        response_topic: Some("orchard/answer".to_owned()),
        correlation_data: Some(vec![0, 255].into()),
        user_properties: vec![("k".to_owned(), "v".to_owned()), ("k".to_owned(), "w".to_owned())],
        subscription_identifiers: Vec::new(),
        content_type: Some("text/plain".to_owned()),
    });
    peer.send(Packet::Publish(first)).await;
    let delivery = house.delivery().await;
    peer.publish("orchard/frog", "1", 2).await;
    peer.publish("orchard/h", "80", 3).await;
    peer.publish("orchard/h", "81", 0).await;
    assert!(tokio::time::timeout(fixtures::MOMENT, peer.next()).await.is_err(), "not yet durable");
    commit(&delivery);
    assert_eq!(peer.acknowledged().await, (1, PubAckReason::Success));
    assert_eq!(peer.acknowledged().await, (2, PubAckReason::PayloadFormatInvalid));
    let mut got = values(&delivery.messages);
    while got.len() < 3 {
        got.extend(values(&house.committed().await));
    }
    assert_eq!(got, [1.5, 80.0, 81.0]);
    assert_eq!(peer.acknowledged().await, (3, PubAckReason::Success));
    assert_eq!(house.ears.reasons(), [Refusal::UnknownChannel]);

    let mut subscribe = Subscribe::new(Filter::new("#", QoS::AtLeastOnce), None);
    subscribe.filters.push(Filter::new("orchard/t", QoS::AtMostOnce));
    subscribe.pkid = 5;
    peer.send(Packet::Subscribe(subscribe)).await;
    match peer.next().await {
        Some(Packet::SubAck(answer)) => {
            assert_eq!(answer.pkid, 5);
            assert_eq!(answer.return_codes, [SubscribeReasonCode::NotAuthorized; 2]);
        }
        other => panic!("{other:?}"),
    }
    let mut unsubscribe = Unsubscribe::new("#", None);
    unsubscribe.pkid = 6;
    peer.send(Packet::Unsubscribe(unsubscribe)).await;
    match peer.next().await {
        Some(Packet::UnsubAck(answer)) => {
            assert_eq!(
                (answer.pkid, answer.reasons),
                (6, vec![UnsubAckReason::NoSubscriptionExisted])
            );
        }
        other => panic!("{other:?}"),
    }
    peer.send(Packet::PingReq(PingReq)).await;
    assert!(matches!(peer.next().await, Some(Packet::PingResp(_))));
    house.context.stop.cancel();
    assert_eq!(peer.goodbye().await, DisconnectReasonCode::ServerShuttingDown);
    end(session).await;
}

#[tokio::test]
async fn who_is_turned_away_learns_why() {
    let (house, session) = inlet("packet_limit = \"4 KiB\"").await;
    let mut method = connect("a", true, None);
    method.properties.as_mut().unwrap().authentication_method = Some("other".to_owned());
    let long = connect(&"x".repeat(300), true, None);
    for (connect, login, code) in [
        (
            connect("a", true, None),
            Some(("orchard", "wrong")),
            ConnectReturnCode::BadUserNamePassword,
        ),
        (connect("a", true, None), None, ConnectReturnCode::NotAuthorized),
        (method, None, ConnectReturnCode::BadAuthenticationMethod),
        (long, Some(("orchard", "")), ConnectReturnCode::ClientIdentifierNotValid),
    ] {
        let mut peer = Peer5::dial(&house).await;
        let login = login.map(|(user, password)| Login {
            username: user.to_owned(),
            password: if password.is_empty() { token(user) } else { password.to_owned() },
        });
        peer.send(Packet::Connect(connect, None, login)).await;
        match peer.next().await {
            Some(Packet::ConnAck(answer)) => assert_eq!(answer.code, code),
            other => panic!("{other:?} instead of {code:?}"),
        }
        assert!(peer.next().await.is_none());
    }
    assert_eq!(house.ears.count(Refusal::Credentials), 3);

    // In the middle of a connection: QoS 2, an alias, too large, another's topic.
    let mut twice = message("orchard/t", "1", 7);
    twice.qos = QoS::ExactlyOnce;
    let mut alias = message("orchard/t", "1", 7);
    alias.properties = Some(PublishProperties { topic_alias: Some(1), ..Default::default() });
    for (publish, code) in [
        (twice, DisconnectReasonCode::QoSNotSupported),
        (alias, DisconnectReasonCode::TopicAliasInvalid),
        (message("orchard/t", &"1".repeat(5_000), 7), DisconnectReasonCode::PacketTooLarge),
        (message("ridge/t", "1", 7), DisconnectReasonCode::NotAuthorized),
        (message("", "1", 7), DisconnectReasonCode::MalformedPacket),
    ] {
        let (mut peer, _) = station_5(&house, "a", true, 0).await;
        peer.send(Packet::Publish(publish)).await;
        assert_eq!(peer.goodbye().await, code);
    }
    let (mut peer, _) = station_5(&house, "a", true, 0).await;
    house.context.credentials.replace([]);
    peer.send(Packet::PingReq(PingReq)).await;
    assert!(matches!(peer.next().await, Some(Packet::PingResp(_))));
    assert_eq!(peer.goodbye().await, DisconnectReasonCode::NotAuthorized);
    house.context.stop.cancel();
    end(session).await;
}

#[tokio::test]
async fn a_session_lives_as_long_as_its_client_asks() {
    let (mut house, session) = inlet("").await;
    let (mut first, present) = station_5(&house, "a", false, 3_600).await;
    assert!(!present);
    first.publish("orchard/t", "1", 9).await;
    let lost = house.delivery().await;
    // It comes anew while the old connection still hangs: the old one ends, and says why.
    let (mut second, present) = station_5(&house, "a", false, 3_600).await;
    assert!(present);
    assert_eq!(first.goodbye().await, DisconnectReasonCode::SessionTakenOver);
    let mut publish = message("orchard/t", "1", 9);
    publish.dup = true;
    second.send(Packet::Publish(publish)).await;
    let again = house.committed().await;
    assert_eq!(second.acknowledged().await.0, 9);
    let (old, new) =
        (lost.messages[0].redelivery.clone().unwrap(), again[0].redelivery.clone().unwrap());
    assert!(new.again && !old.again && new.connection != old.connection);
    assert_eq!((old.client, old.topic, old.packet), (new.client, new.topic, new.packet));

    // At its goodbye a client may end its session after all (section 3.14.2.2.2).
    second.stream.write_all(b"\xe0\x07\x00\x05\x11\x00\x00\x00\x00").await.unwrap();
    assert!(second.next().await.is_none());
    let (_, present) = station_5(&house, "a", false, 3_600).await;
    assert!(!present, "its client ended it");
    // A clean start forgets, and is a kept session itself where it says so.
    assert!(!station_5(&house, "a", true, 3_600).await.1);
    let (mut third, present) = station_5(&house, "a", false, 0).await;
    assert!(present);
    third.stream.write_all(b"\xe0\x00").await.unwrap();
    assert!(third.next().await.is_none());
    assert!(!station_5(&house, "a", false, 3_600).await.1, "it ended with its connection");
    // The same session in either version.
    let (_, present) = station(&house, "orchard", "a").await;
    assert!(present);

    // A client without an identifier is given one, each another.
    let mut given = Vec::new();
    for _ in 0..2 {
        let mut peer = Peer5::dial(&house).await;
        let answer = peer.greet(connect("", false, Some(60)), None, "orchard").await;
        assert!(!answer.session_present);
        given.push(answer.properties.unwrap().assigned_client_identifier.unwrap());
    }
    assert!(given[0] != given[1] && !given[0].is_empty(), "{given:?}");
    let (_, present) = station_5(&house, &given[0], false, 60).await;
    assert!(present, "it may come back under it");
    house.context.stop.cancel();
    end(session).await;
}

#[tokio::test]
async fn garbage_ends_only_its_connection() {
    let (mut house, session) = inlet("packet_limit = \"4 KiB\"\nhandshake = \"1 s\"").await;
    let mut good = station_5(&house, "good", true, 0).await.0;
    let mut random = fastrand::Rng::with_seed(11);
    let mut subscribe = Subscribe::new(Filter::new("#", QoS::AtLeastOnce), None);
    subscribe.pkid = 3;
    let mut dressed = message("orchard/t", "1.25", 1);
    dressed.properties = Some(PublishProperties {
        content_type: Some("text/plain".to_owned()),
        ..Default::default()
    });
    let login = || Some(Login { username: "orchard".to_owned(), password: token("orchard") });
    let hello = Packet::Connect(connect("fuzz", true, Some(1)), None, login());
    for round in 0..600 {
        let mut peer = Peer5::dial(&house).await;
        let mut bytes = BytesMut::new();
        let packet = match round % 3 {
            0 => hello.clone(),
            1 => Packet::Publish(dressed.clone()),
            _ => Packet::Subscribe(subscribe.clone()),
        };
        if round % 3 > 0 {
            hello.write(&mut bytes, None).unwrap();
        }
        let from = bytes.len();
        packet.write(&mut bytes, None).unwrap();
        for _ in 0..3 {
            let place = random.usize(from..bytes.len());
            bytes[place] = random.u8(..);
        }
        bytes.truncate(random.usize(from..=bytes.len()));
        peer.stream.write_all(&bytes).await.ok();
        peer.stream.shutdown().await.ok();
        let mut answer = Vec::new();
        soon("the end", peer.stream.read_to_end(&mut answer)).await.ok();
        while house.intake.try_recv().is_ok() {}
    }
    good.publish("orchard/t", "3", 1).await;
    assert_eq!(values(&house.committed().await), [3.0]);
    assert_eq!(good.acknowledged().await, (1, PubAckReason::Success));
    house.context.stop.cancel();
    end(session).await;
}
