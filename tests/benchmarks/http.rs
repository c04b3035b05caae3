//! Durable SenML packs of 12 samples over 8 connections, against a bare axum handler
//! that parses the same packs with serde and group-commits them.

use crate::measure::{Figure, figure, in_turns, length, processor_time};
use crate::service::{CHANNELS, Peer, STATIONS, now, runtime, start, token};
use crate::store::{Job, pack, writer};
use axum::body::Bytes;
use axum::extract::State;
use axum::http::StatusCode;
use serde::Deserialize;
use std::fmt::Write as _;
use std::net::SocketAddr;
use std::path::Path;
use std::time::Instant;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;
use tokio::sync::{mpsc, oneshot};

/// A request with the pack of one station; the values differ, the length does not.
fn request(station: usize, time: i64) -> String {
    let mut body = format!(
        "[{{\"bn\":\"s{station}/\",\"bt\":{}.{:03},\"bu\":\"Cel\"",
        time / 1_000,
        time % 1_000
    );
    for channel in 0..CHANNELS {
        let open = if channel == 0 { "," } else { "},{" };
        write!(
            body,
            "{open}\"n\":\"c{channel}\",\"v\":{}.{:02}",
            channel + 5,
            (time + channel as i64 * 7) % 90 + 10
        )
        .expect("a string grows");
    }
    body.push_str("}]");
    format!(
        "POST /v1/samples HTTP/1.1\r\nHost: localhost\r\nAuthorization: Bearer {}\r\n\
         Content-Type: application/senml+json\r\nContent-Length: {}\r\n\r\n{body}",
        token(station),
        body.len()
    )
}

/// Closed loop: the next pack after the answer. Gives the packs acknowledged.
async fn connection(address: SocketAddr, station: usize, until: Instant) -> u64 {
    let mut stream = TcpStream::connect(address).await.expect("a listener");
    stream.set_nodelay(true).expect("a socket");
    let mut time = now() - 600_000;
    let mut answer = vec![0_u8; 4_096];
    let mut packs = 0;
    while Instant::now() < until {
        time += 1;
        stream.write_all(request(station, time).as_bytes()).await.expect("a live peer");
        let mut read = 0;
        while !answer[..read].windows(4).any(|w| w == b"\r\n\r\n") {
            let more = stream.read(&mut answer[read..]).await.expect("a live peer");
            assert!(more > 0, "the peer closed");
            read += more;
        }
        let status = &answer[9..12];
        assert!(status == b"204", "{}", String::from_utf8_lossy(&answer[..read]));
        packs += 1;
    }
    packs
}

fn load(address: SocketAddr, process: u32) -> Figure {
    let before = processor_time(process);
    let started = Instant::now();
    let until = started + length();
    let packs: u64 = runtime(1).block_on(async {
        let tasks: Vec<_> =
            (0..STATIONS).map(|s| tokio::spawn(connection(address, s, until))).collect();
        let mut sum = 0;
        for task in tasks {
            sum += task.await.expect("a connection ends well");
        }
        sum
    });
    figure(
        packs * CHANNELS as u64,
        started.elapsed(),
        processor_time(process).saturating_sub(before),
    )
}

/// Prints the rows.
pub(crate) fn compare() {
    let peer = || {
        let folder = tempfile::tempdir().expect("a folder");
        let peer = Peer::start("http", folder.path(), "");
        load(peer.address.expect("a listener"), peer.id())
    };
    for (interval, goal) in [("0 s", 0.6), ("1 s", 0.0)] {
        let ours = || {
            let folder = tempfile::tempdir().expect("a folder");
            let program =
                start(folder.path(), interval, "[source.http.push]\nlisten = \"127.0.0.1:0\"");
            load(program.address("push"), program.id())
        };
        in_turns(&format!("http, packs of 12, commit interval {interval}"), goal, ours, peer);
    }
}

#[derive(Deserialize)]
struct Entry<'a> {
    #[serde(borrow, default)]
    bn: Option<&'a str>,
    #[serde(default)]
    bt: Option<f64>,
    #[serde(borrow)]
    n: &'a str,
    v: f64,
}

async fn handle(State(jobs): State<mpsc::Sender<Job>>, body: Bytes) -> StatusCode {
    let Ok(entries) = serde_json::from_slice::<Vec<Entry<'_>>>(&body) else {
        return StatusCode::BAD_REQUEST;
    };
    let mut row = Vec::with_capacity(entries.len() * 20);
    let mut time = 0.0;
    let mut base = "";
    for entry in &entries {
        time = entry.bt.unwrap_or(time);
        base = entry.bn.unwrap_or(base);
        let Some(channel) = entry.n.strip_prefix('c').and_then(|n| n.parse::<u32>().ok()) else {
            return StatusCode::UNPROCESSABLE_ENTITY;
        };
        let station = u32::from(base.as_bytes().get(1).copied().unwrap_or(b'0') - b'0');
        pack(&mut row, station * 100 + channel, (time * 1_000.0) as i64, entry.v);
    }
    let (receipt, durable) = oneshot::channel();
    if jobs.send(Job::Once(row, receipt)).await.is_err() || durable.await.is_err() {
        return StatusCode::SERVICE_UNAVAILABLE;
    }
    StatusCode::NO_CONTENT
}

/// The bare handler.
pub(crate) fn peer(folder: &Path) {
    let jobs = writer(folder);
    runtime(2).block_on(async {
        let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.expect("a port");
        println!("ready {}", listener.local_addr().expect("an address"));
        let router =
            axum::Router::new().route("/v1/samples", axum::routing::post(handle)).with_state(jobs);
        axum::serve(listener, router).await.expect("the peer serves");
    });
}
