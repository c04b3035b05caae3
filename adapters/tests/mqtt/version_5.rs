//! Brokers that speak MQTT 5.

use super::*;
use bytes::{Bytes, BytesMut};
use fixtures::peer_5::Peer5;
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::{
    ConnAck, Connect, ConnectReturnCode, Packet, Publish, SubAck, SubscribeReasonCode,
};
use tokio::io::AsyncWriteExt;

impl Peer5 {
    async fn welcome(listener: &TcpListener) -> (Self, Connect) {
        let (stream, _) = soon("a connection", listener.accept()).await.unwrap();
        let mut peer = Self::new(stream);
        let Some(Packet::Connect(connect, _, _)) = peer.next().await else { panic!("no CONNECT") };
        let code = ConnectReturnCode::Success;
        let ack = ConnAck { session_present: false, code, properties: None };
        peer.send(Packet::ConnAck(ack)).await;
        let Some(Packet::Subscribe(subscribe)) = peer.next().await else { panic!("no SUBSCRIBE") };
        let ack = SubAck {
            pkid: subscribe.pkid,
            return_codes: vec![SubscribeReasonCode::Success(QoS::AtLeastOnce)],
            properties: None,
        };
        peer.send(Packet::SubAck(ack)).await;
        (peer, connect)
    }
}

#[tokio::test]
async fn the_session_is_kept_bounded_and_acknowledged_after_the_commit() {
    let (listener, text) = broker(&format!("protocol = \"5\"\n{NUMBERS}")).await;
    let mut house = House::new("mqtt", &text);
    let session = house.start();
    let (mut peer, connect) = Peer5::welcome(&listener).await;
    let properties = connect.properties.unwrap();
    assert!(!connect.clean_start);
    assert_eq!(properties.max_packet_size, Some(262_144));
    assert!(properties.receive_maximum.is_some_and(|n| n > 0));
    assert!(properties.session_expiry_interval.is_some_and(|n| n > 3_600));
    let count = 3_000;
    let mut out = BytesMut::new();
    for packet in 1..=count {
        let payload = Bytes::from(packet.to_string());
        let mut publish = Publish::new("garden/ridge/t", QoS::AtLeastOnce, payload, None);
        publish.pkid = packet;
        publish.write(&mut out).unwrap();
    }
    peer.stream.write_all(&out).await.unwrap();
    let mut got = Vec::new();
    while got.len() < usize::from(count) {
        got.extend(values(&house.committed().await));
    }
    assert_eq!(got, (1..=count).map(f64::from).collect::<Vec<_>>());
    for packet in 1..=count {
        match peer.next().await {
            Some(Packet::PubAck(ack)) => assert_eq!(ack.pkid, packet),
            other => panic!("{other:?}"),
        }
    }
    house.context.stop.cancel();
    end(session).await;
}

#[tokio::test]
async fn a_takeover_is_named_whether_the_library_reads_the_goodbye_or_not() {
    let (listener, text) = broker(&format!("protocol = \"5\"\n{NUMBERS}")).await;
    let house = House::new("mqtt", &text);
    // MQTT 5.0, section 3.14: reason 0x8E, with the length of no properties or without.
    for goodbye in [&[0xe0, 2, 0x8e, 0][..], &[0xe0, 1, 0x8e]] {
        let session = house.start();
        let (mut peer, _) = Peer5::welcome(&listener).await;
        peer.stream.write_all(goodbye).await.unwrap();
        drop(peer);
        let end = end(session).await;
        assert!(!end.useful && end.reason.contains("`isobarn-example`"), "{end:?}");
        assert_eq!(end.reason.contains("taken over"), goodbye.len() == 4, "{end:?}");
    }
}
