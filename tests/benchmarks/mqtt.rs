//! `QoS` 1 from a broker: the MQTT source against a bare rumqttc client that group-commits
//! before it acknowledges. A stand-in plays the broker's side for both, since a real
//! broker would be the limit.

use crate::inlet::{channel, take_acknowledgements};
use crate::measure::{Figure, figure, in_turns, length, processor_time};
use crate::service::{CHANNELS, Peer, STATIONS, runtime, start};
use crate::store::{Job, pack, writer};
use bytes::BytesMut;
use rumqttc::mqttbytes::QoS;
use rumqttc::mqttbytes::v4::{
    ConnAck, ConnectReturnCode, Packet, Publish, SubAck, SubscribeReasonCode,
};
use rumqttc::{AsyncClient, Event, Incoming, MqttOptions};
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::{Duration, Instant};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::mpsc;

/// Messages in flight to the client at most, as a broker would allow.
const IN_FLIGHT: u64 = 1_000;

/// Plays a broker to one client: accepts everything, then publishes as fast as it is
/// acknowledged while `open` is set, counting acknowledgements.
async fn stand_in(mut stream: TcpStream, acknowledged: Arc<AtomicU64>, open: Arc<AtomicBool>) {
    drop(stream.set_nodelay(true));
    let mut input = BytesMut::with_capacity(65_536);
    let mut out = BytesMut::new();
    let mut subscribed = false;
    while !subscribed {
        match Packet::read(&mut input, 65_536) {
            Ok(Packet::Connect(_)) => {
                ConnAck::new(ConnectReturnCode::Success, false).write(&mut out).expect("a packet");
            }
            Ok(Packet::Subscribe(wanted)) => {
                let codes =
                    wanted.filters.iter().map(|f| SubscribeReasonCode::Success(f.qos)).collect();
                SubAck::new(wanted.pkid, codes).write(&mut out).expect("a packet");
                subscribed = true;
            }
            Ok(_) => {}
            Err(_) => {
                if stream.read_buf(&mut input).await.unwrap_or(0) == 0 {
                    return;
                }
            }
        }
        if stream.write_all(&out).await.is_err() {
            return;
        }
        out.clear();
    }
    let (mut sent, mut done) = (0_u64, 0_u64);
    while !open.load(Ordering::Relaxed) {
        tokio::time::sleep(Duration::from_millis(5)).await;
    }
    while open.load(Ordering::Relaxed) {
        out.clear();
        while sent - done < IN_FLIGHT {
            sent += 1;
            let topic = format!("s{}/c{}", sent % STATIONS as u64, sent % CHANNELS as u64);
            let payload = format!("{}.{:02}", sent % 30, sent % 90 + 10);
            let mut publish = Publish::new(topic, QoS::AtLeastOnce, payload);
            publish.pkid = (sent % 60_000) as u16 + 1;
            publish.write(&mut out).expect("a packet");
        }
        if stream.write_all(&out).await.is_err() {
            return;
        }
        if stream.read_buf(&mut input).await.unwrap_or(0) == 0 {
            return;
        }
        let count = take_acknowledgements(&mut input);
        done += count;
        acknowledged.fetch_add(count, Ordering::Relaxed);
    }
}

/// Feeds whoever `connect` starts and measures it.
fn load<S>(connect: impl FnOnce(u16) -> (S, u32)) -> Figure {
    let runtime = runtime(1);
    let listener = runtime.block_on(TcpListener::bind("127.0.0.1:0")).expect("a port");
    let port = listener.local_addr().expect("an address").port();
    let acknowledged = Arc::new(AtomicU64::new(0));
    let open = Arc::new(AtomicBool::new(false));
    let connected = Arc::new(AtomicBool::new(false));
    runtime.spawn({
        let (acknowledged, open, connected) =
            (Arc::clone(&acknowledged), Arc::clone(&open), Arc::clone(&connected));
        async move {
            while let Ok((stream, _)) = listener.accept().await {
                connected.store(true, Ordering::Relaxed);
                tokio::spawn(stand_in(stream, Arc::clone(&acknowledged), Arc::clone(&open)));
            }
        }
    });
    let (subject, process) = connect(port);
    isobarn_tests::wait::until("the client", || connected.load(Ordering::Relaxed).then_some(()));
    std::thread::sleep(Duration::from_millis(300));
    let before = processor_time(process);
    let started = Instant::now();
    open.store(true, Ordering::Relaxed);
    std::thread::sleep(length());
    let figure = figure(
        acknowledged.load(Ordering::Relaxed),
        started.elapsed(),
        processor_time(process).saturating_sub(before),
    );
    open.store(false, Ordering::Relaxed);
    drop(subject);
    runtime.shutdown_background();
    figure
}

/// Prints the rows.
pub(crate) fn compare() {
    let peer = || {
        let folder = tempfile::tempdir().expect("a folder");
        load(|port| {
            let peer = Peer::start("mqtt", folder.path(), &port.to_string());
            let id = peer.id();
            (peer, id)
        })
    };
    for (interval, goal) in [("0 s", 0.5), ("1 s", 0.0)] {
        let ours = || {
            let folder = tempfile::tempdir().expect("a folder");
            load(|port| {
                let source = format!(
                    "[source.mqtt.house]\nbroker = \"mqtt://127.0.0.1:{port}\"\n\
                     subscribe = [{{ filter = \"+station/+channel\", payload = \"number\" }}]"
                );
                let program = start(folder.path(), interval, &source);
                let id = program.id();
                (program, id)
            })
        };
        in_turns(&format!("mqtt, single messages, commit interval {interval}"), goal, ours, peer);
    }
}

/// The bare client. It polls in one task and never waits there; acknowledgements are
/// tried from the same task after their commit.
pub(crate) fn peer(folder: &Path, port: &str) {
    let jobs = writer(folder);
    let mut options =
        MqttOptions::new("bare", "127.0.0.1", port.parse().expect("a port of the stand-in"));
    options.set_manual_acks(true).set_clean_session(false).set_max_packet_size(65_536, 65_536);
    runtime(2).block_on(async {
        let (client, mut events) = AsyncClient::new(options, 8_192);
        client.try_subscribe("+/+", QoS::AtLeastOnce).expect("room for a request");
        println!("ready");
        let (receipts, mut durable) = mpsc::unbounded_channel::<u64>();
        let mut waiting = std::collections::VecDeque::new();
        let mut number = 0;
        loop {
            tokio::select! {
                event = events.poll() => match event {
                    Ok(Event::Incoming(Incoming::Publish(publish))) => {
                        let value = std::str::from_utf8(&publish.payload).ok().and_then(|p| p.parse().ok());
                        let (Some(channel), Some(value)) = (channel(&publish.topic), value) else { continue };
                        let mut row = Vec::with_capacity(20);
                        pack(&mut row, channel, 0, value);
                        number += 1;
                        waiting.push_back((number, publish));
                        if jobs.send(Job::Numbered(row, number, receipts.clone())).await.is_err() { return; }
                    }
                    Ok(_) => {}
                    Err(_) => return,
                },
                Some(reached) = durable.recv() => {
                    while waiting.front().is_some_and(|(n, _)| *n <= reached) {
                        let (n, publish) = waiting.pop_front().expect("looked at above");
                        if client.try_ack(&publish).is_err() {
                            // The request channel is full: poll, then go on.
                            waiting.push_front((n, publish));
                            receipts.send(reached).expect("the receiver is in this task");
                            break;
                        }
                    }
                }
            }
        }
    });
}
