//! A station that was away for an hour sends its backlog one message at a time, each
//! after the receipt for the one before: the default commit interval must not throttle it.

use crate::measure::{Figure, figure, in_turns, processor_time};
use crate::service::{runtime, start, token};
use bytes::BytesMut;
use rumqttc::mqttbytes::QoS;
use rumqttc::mqttbytes::v4::{Connect, Login, Packet, Publish};
use std::time::Instant;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;

/// An hour at one message in two seconds.
const BACKLOG: u64 = 1_800;

fn drain(interval: &str) -> Figure {
    let folder = tempfile::tempdir().expect("a folder");
    let program =
        start(folder.path(), interval, "[source.mqtt_inlet.yard]\nlisten = \"127.0.0.1:0\"");
    let address = program.address("yard");
    let before = processor_time(program.id());
    let mut started = Instant::now();
    runtime(1).block_on(async {
        let mut stream = TcpStream::connect(address).await.expect("a listener");
        stream.set_nodelay(true).expect("a socket");
        let mut out = BytesMut::new();
        let mut connect = Connect::new("late");
        connect.login = Some(Login { username: "s0".into(), password: token(0) });
        connect.keep_alive = 60;
        connect.write(&mut out).expect("a packet");
        stream.write_all(&out).await.expect("a live peer");
        let mut input = BytesMut::with_capacity(4_096);
        while !matches!(Packet::read(&mut input, 4_096), Ok(Packet::ConnAck(_))) {
            assert!(stream.read_buf(&mut input).await.expect("a live peer") > 0, "refused");
        }
        started = Instant::now();
        for message in 0..BACKLOG {
            out.clear();
            let mut publish =
                Publish::new("s0/c0", QoS::AtLeastOnce, format!("{}.5", message % 30));
            publish.pkid = message as u16 + 1;
            publish.write(&mut out).expect("a packet");
            stream.write_all(&out).await.expect("a live peer");
            while !matches!(Packet::read(&mut input, 4_096), Ok(Packet::PubAck(_))) {
                assert!(stream.read_buf(&mut input).await.expect("a live peer") > 0, "closed");
            }
        }
    });
    figure(BACKLOG, started.elapsed(), processor_time(program.id()).saturating_sub(before))
}

/// Prints the row.
pub(crate) fn compare() {
    in_turns(
        "catch-up, one message at a time, default interval against interval 0",
        0.5,
        || drain("1 s"),
        || drain("0 s"),
    );
}
