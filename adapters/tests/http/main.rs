//! Pushes over real sockets: answers, limits, slow and hostile peers.
#![allow(clippy::unwrap_used, clippy::expect_used)]

#[path = "../fixtures/mod.rs"]
mod fixtures;

mod limits;
mod pushes;
mod refusals;
mod session;
mod tokens;

use adapters::port::{Delivery, End, Receipt};
use fixtures::{House, soon, token};
use observation::Message;
use std::net::SocketAddr;
use std::sync::{Arc, Mutex};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;
use tokio::sync::mpsc;
use tokio::task::JoinHandle;

const LISTEN: &str = "listen = \"127.0.0.1:0\"\n";

/// A listener whose deliveries are committed at once and kept.
struct Yard {
    house: House,
    address: SocketAddr,
    session: JoinHandle<End>,
    stored: Arc<Mutex<Vec<Message>>>,
}

impl Yard {
    async fn new(settings: &str) -> Self {
        Self::committing(House::new("http", &format!("{LISTEN}{settings}"))).await
    }

    async fn committing(mut house: House) -> Self {
        let stored = Arc::<Mutex<Vec<Message>>>::default();
        let keep = Arc::clone(&stored);
        let mut intake = std::mem::replace(&mut house.intake, mpsc::channel(1).1);
        tokio::spawn(async move {
            while let Some(delivery) = intake.recv().await {
                keep.lock().unwrap().extend(delivery.messages.iter().cloned());
                give(delivery);
            }
        });
        Self::around(house, stored).await
    }

    /// A listener whose deliveries nobody takes.
    async fn deaf(settings: &str) -> Self {
        let house = House::new("http", &format!("{LISTEN}{settings}"));
        Self::around(house, Arc::default()).await
    }

    async fn around(house: House, stored: Arc<Mutex<Vec<Message>>>) -> Self {
        let session = house.start();
        let address = house.address().await;
        Self { house, address, session, stored }
    }

    async fn ask(&self, request: &str) -> Answer {
        ask(self.address, request.as_bytes()).await
    }

    async fn push(&self, owner: &str, body: &str) -> Answer {
        self.ask(&post("/v1/samples", &token(owner), "application/senml+json", body)).await
    }

    fn stored(&self) -> Vec<Message> {
        self.stored.lock().unwrap().clone()
    }

    /// Every status but 204 must leave nothing behind.
    fn nothing_is_stored(&self) {
        assert_eq!(self.stored(), []);
    }
}

fn give(delivery: Delivery) {
    match delivery.receipt {
        Receipt::Once(receipt) => receipt.send(()).unwrap_or_default(),
        other => panic!("not the receipt of a request: {other:?}"),
    }
}

#[derive(Debug)]
struct Answer {
    status: u16,
    head: String,
    body: String,
}

impl Answer {
    fn problem(&self) -> serde_json::Value {
        assert!(self.head.contains("content-type: application/problem+json"), "{self:?}");
        let document: serde_json::Value = serde_json::from_str(&self.body).expect(&self.body);
        assert_eq!(document["status"], self.status);
        assert!(document["title"].as_str().is_some_and(|t| !t.is_empty()));
        document
    }

    fn reason(&self) -> String {
        self.problem()["reason"].as_str().unwrap_or_default().to_owned()
    }

    fn detail(&self) -> String {
        self.problem()["detail"].as_str().unwrap_or_default().to_owned()
    }
}

fn post(path: &str, token: &str, kind: &str, body: &str) -> String {
    format!(
        "POST {path} HTTP/1.1\r\nHost: croft\r\nAuthorization: Bearer {token}\r\nContent-Type: {kind}\r\nContent-Length: {}\r\n\r\n{body}",
        body.len()
    )
}

async fn ask(address: SocketAddr, request: &[u8]) -> Answer {
    let mut stream = TcpStream::connect(address).await.unwrap();
    // The answer may come before everything is sent.
    stream.write_all(request).await.ok();
    answer(&mut stream).await
}

/// Reads one answer, to the end of the body that its length announces.
async fn answer(stream: &mut TcpStream) -> Answer {
    soon("an answer", async {
        let mut input = Vec::new();
        let head = loop {
            if let Some(at) = input.windows(4).position(|w| w == b"\r\n\r\n") {
                break at + 4;
            }
            let n = stream.read_buf(&mut input).await.expect("an answer");
            assert!(n > 0, "closed without an answer: {:?}", String::from_utf8_lossy(&input));
        };
        let text = String::from_utf8(input[..head].to_vec()).unwrap().to_lowercase();
        let length: usize = text
            .lines()
            .find_map(|l| l.strip_prefix("content-length: "))
            .map_or(0, |n| n.parse().unwrap());
        while input.len() < head + length {
            assert!(stream.read_buf(&mut input).await.unwrap() > 0);
        }
        let status = text.split(' ').nth(1).unwrap().parse().unwrap();
        let body = String::from_utf8(input[head..].to_vec()).unwrap();
        Answer { status, head: text, body }
    })
    .await
}

/// Waits until the peer has closed.
async fn closed(stream: &mut TcpStream) {
    let mut sink = [0; 1_024];
    soon("the end of the connection", async {
        while let Ok(1..) = stream.read(&mut sink).await {}
    })
    .await;
}
