//! A listener that has run out of file descriptors says so, rests, and goes on by itself.
//! The only test of its program, because the limit is that of the whole process.
#![allow(clippy::unwrap_used, clippy::expect_used)]

mod fixtures;

use adapters::port::{Receipt, State};
use fixtures::{House, end, soon, token, until};
use std::net::TcpStream;
use std::process::Command;
use tokio::io::{AsyncReadExt, AsyncWriteExt};

/// Lowers the limit of open files of this process; needs no rights.
fn allow_files(most: u32) {
    let process = std::process::id().to_string();
    let limit = format!("--nofile={most}:");
    let done = Command::new("prlimit").args(["--pid", &process, &limit]).status();
    assert!(done.expect("prlimit of util-linux").success());
}

#[tokio::test]
async fn a_listener_without_descriptors_rests_and_goes_on() {
    let mut house = House::new("http", "listen = \"127.0.0.1:0\"\n");
    let session = house.start();
    let address = house.address().await;
    allow_files(96);
    // Nothing is accepted meanwhile: this thread does not give way until all are taken.
    let mut all = Vec::new();
    while let Ok(stream) = TcpStream::connect(address) {
        all.push(stream);
        assert!(all.len() < 96, "the limit does not hold");
    }
    assert!(all.len() > 20, "{} connections", all.len());
    until("the fault is told", || {
        matches!(house.ears.last_state(), Some(State::Fault(why)) if why.contains(&address.to_string()))
            .then_some(())
    })
    .await;
    drop(all);
    until("it is up again", || (house.ears.last_state() == Some(State::Up)).then_some(())).await;

    let mut stream = tokio::net::TcpStream::connect(address).await.unwrap();
    let body = r#"[{"n":"orchard/t","v":1}]"#;
    let request = format!(
        "POST /v1/samples HTTP/1.1\r\nHost: c\r\nAuthorization: Bearer {}\r\nConnection: close\r\nContent-Length: {}\r\n\r\n{body}",
        token("orchard"),
        body.len()
    );
    stream.write_all(request.as_bytes()).await.unwrap();
    let delivery = house.delivery().await;
    let Receipt::Once(receipt) = delivery.receipt else { panic!("not a request's receipt") };
    receipt.send(()).unwrap();
    let mut text = String::new();
    soon("an answer", stream.read_to_string(&mut text)).await.unwrap();
    assert!(text.starts_with("HTTP/1.1 204 "), "{text}");
    house.context.stop.cancel();
    end(session).await;
}
