//! Single messages at `QoS` 1 straight from stations: the inlet against a bare listener
//! that reads the same packets, group-commits them and acknowledges.

use crate::measure::{Figure, figure, in_turns, length, processor_time};
use crate::service::{CHANNELS, Peer, STATIONS, runtime, start, token};
use crate::store::{Job, pack, writer};
use bytes::BytesMut;
use rumqttc::mqttbytes::QoS;
use rumqttc::mqttbytes::v4::{ConnAck, Connect, ConnectReturnCode, Login, Packet, PubAck, Publish};
use std::net::SocketAddr;
use std::path::Path;
use std::time::Instant;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::mpsc;

/// Messages of one connection that wait for their acknowledgement at most.
const IN_FLIGHT: u64 = 1_000;

/// Publishes with [`IN_FLIGHT`] unacknowledged until `until`; gives those acknowledged.
async fn station(address: SocketAddr, station: usize, until: Instant) -> u64 {
    let mut stream = TcpStream::connect(address).await.expect("a listener");
    stream.set_nodelay(true).expect("a socket");
    let mut out = BytesMut::new();
    let mut connect = Connect::new(format!("load-{station}"));
    connect.login = Some(Login { username: format!("s{station}"), password: token(station) });
    connect.keep_alive = 60;
    connect.write(&mut out).expect("a packet");
    stream.write_all(&out).await.expect("a live peer");
    let mut input = BytesMut::with_capacity(65_536);
    loop {
        if let Ok(Packet::ConnAck(answer)) = Packet::read(&mut input, 65_536) {
            assert_eq!(answer.code, ConnectReturnCode::Success);
            break;
        }
        assert!(stream.read_buf(&mut input).await.expect("a live peer") > 0, "refused");
    }
    let (mut sent, mut acknowledged) = (0_u64, 0_u64);
    while Instant::now() < until {
        out.clear();
        while sent - acknowledged < IN_FLIGHT {
            sent += 1;
            let topic = format!("s{station}/c{}", sent % CHANNELS as u64);
            let payload = format!("{}.{:02}", sent % 30, sent % 90 + 10);
            let mut publish = Publish::new(topic, QoS::AtLeastOnce, payload);
            publish.pkid = (sent % 60_000) as u16 + 1;
            publish.write(&mut out).expect("a packet");
        }
        stream.write_all(&out).await.expect("a live peer");
        assert!(stream.read_buf(&mut input).await.expect("a live peer") > 0, "closed");
        acknowledged += take_acknowledgements(&mut input);
    }
    acknowledged
}

/// Counts the PUBACKs at the front of `input` and takes them away. A PUBACK of MQTT
/// 3.1.1 is always four bytes (MQTT 3.1.1, section 3.4).
pub(crate) fn take_acknowledgements(input: &mut BytesMut) -> u64 {
    let mut count = 0;
    while input.len() >= 4 {
        assert_eq!(input[0], 0x40, "not a PUBACK");
        drop(input.split_to(4));
        count += 1;
    }
    count
}

fn load(address: SocketAddr, process: u32) -> Figure {
    let before = processor_time(process);
    let started = Instant::now();
    let until = started + length();
    let messages: u64 = runtime(1).block_on(async {
        let tasks: Vec<_> =
            (0..STATIONS).map(|s| tokio::spawn(station(address, s, until))).collect();
        let mut sum = 0;
        for task in tasks {
            sum += task.await.expect("a station ends well");
        }
        sum
    });
    figure(messages, started.elapsed(), processor_time(process).saturating_sub(before))
}

/// Prints the rows.
pub(crate) fn compare() {
    let peer = || {
        let folder = tempfile::tempdir().expect("a folder");
        let peer = Peer::start("inlet", folder.path(), "");
        load(peer.address.expect("a listener"), peer.id())
    };
    for (interval, goal) in [("0 s", 0.5), ("1 s", 0.0)] {
        let ours = || {
            let folder = tempfile::tempdir().expect("a folder");
            let program = start(
                folder.path(),
                interval,
                "[source.mqtt_inlet.yard]\nlisten = \"127.0.0.1:0\"",
            );
            load(program.address("yard"), program.id())
        };
        in_turns(&format!("inlet, single messages, commit interval {interval}"), goal, ours, peer);
    }
}

/// Topic `sS/cC` as a number.
pub(crate) fn channel(topic: &str) -> Option<u32> {
    let (station, channel) = topic.strip_prefix('s')?.split_once("/c")?;
    Some(station.parse::<u32>().ok()? * 100 + channel.parse::<u32>().ok()?)
}

async fn serve(mut stream: TcpStream, jobs: mpsc::Sender<Job>) {
    let mut input = BytesMut::with_capacity(65_536);
    let mut out = BytesMut::new();
    let (receipts, mut durable) = mpsc::unbounded_channel::<u64>();
    let mut waiting: std::collections::VecDeque<(u64, Vec<u16>)> =
        std::collections::VecDeque::new();
    let mut number = 0;
    loop {
        tokio::select! {
            read = stream.read_buf(&mut input) => {
                if read.unwrap_or(0) == 0 { return; }
                let mut row = Vec::new();
                let mut packets = Vec::new();
                loop {
                    match Packet::read(&mut input, 65_536) {
                        Ok(Packet::Publish(publish)) => {
                            let value = std::str::from_utf8(&publish.payload).ok().and_then(|p| p.parse().ok());
                            let (Some(channel), Some(value)) = (channel(&publish.topic), value) else { return };
                            pack(&mut row, channel, 0, value);
                            packets.push(publish.pkid);
                        }
                        Ok(Packet::Connect(_)) => {
                            ConnAck::new(ConnectReturnCode::Success, false).write(&mut out).expect("a packet");
                            if stream.write_all(&out).await.is_err() { return; }
                            out.clear();
                        }
                        Ok(_) => {}
                        Err(_) => break,
                    }
                }
                if !packets.is_empty() {
                    number += 1;
                    waiting.push_back((number, packets));
                    if jobs.send(Job::Numbered(row, number, receipts.clone())).await.is_err() { return; }
                }
            }
            Some(reached) = durable.recv() => {
                out.clear();
                while waiting.front().is_some_and(|(n, _)| *n <= reached) {
                    for packet in waiting.pop_front().map(|(_, p)| p).unwrap_or_default() {
                        PubAck::new(packet).write(&mut out).expect("a packet");
                    }
                }
                if stream.write_all(&out).await.is_err() { return; }
            }
        }
    }
}

/// The bare listener.
pub(crate) fn peer(folder: &Path) {
    let jobs = writer(folder);
    runtime(2).block_on(async {
        let listener = TcpListener::bind("127.0.0.1:0").await.expect("a port");
        println!("ready {}", listener.local_addr().expect("an address"));
        loop {
            let (stream, _) = listener.accept().await.expect("a connection");
            drop(stream.set_nodelay(true));
            tokio::spawn(serve(stream, jobs.clone()));
        }
    });
}
