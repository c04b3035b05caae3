//! What every kind of source owes, run over the list of kinds. A kind without a far end
//! here fails: whoever adds one adds it to [`Far`].

#![allow(clippy::unwrap_used, clippy::expect_used)]

mod fixtures;

use adapters::port::{Delivery, End, Receipt};
use adapters::sources::KINDS;
use config::AdapterTable;
use fixtures::peer::Peer;
use fixtures::{House, MOMENT, soon, token, values};
use rumqttc::mqttbytes::v4::{Connect, ConnectReturnCode};
use std::sync::Arc;
use std::time::{Duration, Instant};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio::task::JoinHandle;
use tokio_serial::{SerialPort, SerialStream};

/// Most bytes by which an endless input may make the program grow.
const GROWTH: u64 = 24 << 20;

/// The other end of a source.
enum Far {
    Client(TcpStream),
    Broker(Peer),
    Station(Peer),
    Cable(SerialStream),
}

struct Bench {
    house: House,
    session: JoinHandle<End>,
    far: Far,
}

impl Bench {
    /// A running source of the kind with a far end that is connected but, if `mute`, has
    /// not said a word.
    async fn open(kind: &str, mute: bool) -> Self {
        match kind {
            "http" => {
                let house = House::new(kind, "listen = \"127.0.0.1:0\"\nheaders_within = \"1 s\"");
                let session = house.start();
                let stream = TcpStream::connect(house.address().await).await.unwrap();
                Self { house, session, far: Far::Client(stream) }
            }
            "mqtt" => {
                let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
                let port = listener.local_addr().unwrap().port();
                let text = format!(
                    "broker = \"mqtt://127.0.0.1:{port}\"\nkeep_alive = \"5 s\"\n\
                     subscribe = [{{ filter = \"+station/+channel\", payload = \"number\" }}]"
                );
                let house = House::new(kind, &text);
                let session = house.start();
                let mut peer = Peer::accept(&listener).await;
                peer.welcome(false).await;
                Self { house, session, far: Far::Broker(peer) }
            }
            "mqtt_inlet" => {
                let house = House::new(kind, "listen = \"127.0.0.1:0\"\nhandshake = \"1 s\"");
                let session = house.start();
                let mut peer = Peer::dial(house.address().await).await;
                if !mute {
                    let mut connect = Connect::new("a");
                    connect.set_login("orchard", token("orchard"));
                    let answer = peer.connect(connect).await;
                    assert_eq!(answer.code, ConnectReturnCode::Success);
                }
                Self { house, session, far: Far::Station(peer) }
            }
            "serial" => {
                let (station, ours) = SerialStream::pair().unwrap();
                let name = ours.name().unwrap();
                drop(ours);
                let text = format!(
                    "device = \"{name}\"\nbaud = 115200\nlines = \"key-value\"\n\
                     station = \"orchard\"\nacknowledge = true"
                );
                let house = House::new(kind, &text);
                let session = house.start();
                house.up().await;
                Self { house, session, far: Far::Cable(station) }
            }
            other => panic!("the contract knows no far end for `{other}`"),
        }
    }

    async fn say_one(&mut self) {
        match &mut self.far {
            Far::Client(stream) => {
                let body = r#"[{"n":"orchard/t","v":4.5}]"#;
                let request = format!(
                    "POST /v1/samples HTTP/1.1\r\nHost: croft\r\nAuthorization: Bearer {}\r\n\
                     Content-Type: application/senml+json\r\nContent-Length: {}\r\n\r\n{body}",
                    token("orchard"),
                    body.len()
                );
                stream.write_all(request.as_bytes()).await.unwrap();
            }
            Far::Broker(peer) | Far::Station(peer) => peer.publish("orchard/t", "4.5", 7).await,
            Far::Cable(station) => {
                station.write_all(b"\nsequence=7 t=4.5\n").await.unwrap();
            }
        }
    }

    /// The next bytes of a receipt.
    async fn receipt(&mut self) -> Vec<u8> {
        let mut bytes = vec![0; 64];
        let count = match &mut self.far {
            Far::Client(stream) => stream.read(&mut bytes).await.unwrap(),
            Far::Broker(peer) | Far::Station(peer) => peer.stream.read(&mut bytes).await.unwrap(),
            Far::Cable(station) => station.read(&mut bytes).await.unwrap(),
        };
        bytes.truncate(count);
        bytes
    }

    /// Sends something that never ends, up to `most` bytes; how many went out.
    async fn say_endlessly(&mut self, most: usize) -> usize {
        let chunk = vec![b'1'; 64 << 10];
        let mut sent = 0;
        let (stream, start): (&mut (dyn tokio::io::AsyncWrite + Send + Unpin), Vec<u8>) =
            match &mut self.far {
                Far::Client(stream) => {
                    let head = format!(
                        "POST /v1/samples HTTP/1.1\r\nHost: croft\r\nAuthorization: Bearer {}\r\n\
                         Content-Type: application/senml+json\r\n\
                         Transfer-Encoding: chunked\r\n\r\n8000000\r\n",
                        token("orchard")
                    );
                    (stream, head.into_bytes())
                }
                // A PUBLISH of 256 MiB, as long as the protocol allows.
                Far::Broker(peer) | Far::Station(peer) => {
                    (&mut peer.stream, b"\x32\xff\xff\xff\x7f\x00\x09orchard/t\x00\x07".to_vec())
                }
                Far::Cable(station) => (station, b"\n".to_vec()),
            };
        if stream.write_all(&start).await.is_err() {
            return sent;
        }
        while sent < most {
            // A far end that no longer reads has ended it too.
            match tokio::time::timeout(Duration::from_secs(2), stream.write_all(&chunk)).await {
                Ok(Ok(())) => sent += chunk.len(),
                _ => break,
            }
        }
        sent
    }

    /// Waits until our end let go of this connection.
    async fn let_go(&mut self) {
        let over = async {
            match &mut self.far {
                Far::Client(stream) => {
                    let mut rest = Vec::new();
                    stream.read_to_end(&mut rest).await.ok();
                }
                Far::Broker(peer) | Far::Station(peer) => {
                    let mut rest = Vec::new();
                    peer.stream.read_to_end(&mut rest).await.ok();
                }
                Far::Cable(_) => {}
            }
        };
        soon("the end of the connection", over).await;
    }
}

fn settle(delivery: Delivery) {
    match delivery.receipt {
        Receipt::Unasked => panic!("a receipt was owed"),
        Receipt::Once(sender) => sender.send(()).expect("somebody waits"),
        Receipt::UpTo(watermark, number) => watermark.reach(number),
    }
}

fn resident() -> u64 {
    let status = std::fs::read_to_string("/proc/self/statm").unwrap();
    status.split(' ').nth(1).unwrap().parse::<u64>().unwrap() * 4_096
}

#[test]
fn every_example_is_accepted_and_every_unknown_key_is_refused_with_its_place() {
    let property = Arc::new(fixtures::property::alder_croft());
    let mut names: Vec<_> = KINDS.iter().map(|k| k.name).collect();
    names.sort_unstable();
    names.dedup();
    assert_eq!(names.len(), KINDS.len(), "two kinds of one name");
    for kind in KINDS {
        let table = AdapterTable::from_text(kind.name, "example", kind.example);
        let built = (kind.build)(&table, &property);
        assert!(built.is_ok(), "{}: {:?}", kind.name, built.err());
        let text = format!("{}\nlisten_to_frogs = true\n", kind.example);
        let table = AdapterTable::from_text(kind.name, "example", &text);
        let faults = (kind.build)(&table, &property).err().expect(kind.name);
        let fault = faults.iter().find(|f| f.message().contains("listen_to_frogs"));
        let fault = fault.unwrap_or_else(|| panic!("{}: {faults:?}", kind.name));
        // One line more: the header of the table.
        let line =
            kind.example.trim_end().lines().count() + usize::from(kind.example.ends_with('\n'));
        let place = fault.line_column().expect("a place");
        assert!(place.0 > line && place.0 <= line + 3, "{}: line {}", kind.name, place.0);
    }
}

/// What is missing in `text`, all of it with what to write.
fn missing(kind: &str, text: &str) -> usize {
    let found = KINDS.iter().find(|k| k.name == kind).unwrap();
    let table = AdapterTable::from_text(kind, "yard", text);
    let property = Arc::new(fixtures::property::alder_croft());
    let faults = (found.build)(&table, &property).err().unwrap_or_default();
    let missing = faults.iter().filter(|f| f.message().contains("` is missing"));
    let each = missing.map(|f| assert!(f.help().is_some(), "{kind}: {f}"));
    each.count()
}

#[test]
fn of_every_key_that_is_missing_it_is_said_how_it_is_written() {
    for kind in KINDS {
        assert!(missing(kind.name, "") > 0, "{} needs nothing", kind.name);
    }
    for (kind, text) in [
        ("mqtt", "broker = \"mqtt://127.0.0.1:1883\"\nsubscribe = [{ payload = \"number\" }]"),
        ("mqtt", "broker = \"mqtt://127.0.0.1:1883\"\nsubscribe = [{ filter = \"a/+station\" }]"),
        ("mqtt_inlet", "listen = \"127.0.0.1:0\"\naccept = [{ payload = \"number\" }]"),
        ("http", "listen = \"127.0.0.1:0\"\nmap = { orchard = { t = { unit = \"Cel\" } } }"),
        ("serial", "device = \"/dev/x\"\nbaud = 9600"),
    ] {
        assert_eq!(missing(kind, text), 1, "{kind}: {text}");
    }
}

#[test]
fn every_delivered_example_of_the_settings_builds_its_sources() {
    let folder = std::path::Path::new(concat!(env!("CARGO_MANIFEST_DIR"), "/../config/examples"));
    let mut built = Vec::new();
    for file in std::fs::read_dir(folder).unwrap().flatten() {
        if file.path().extension().is_none_or(|e| e != "toml") {
            continue;
        }
        let settings = config::load(&file.path(), &[]).unwrap_or_else(|f| panic!("{f}"));
        let property = Arc::new(settings.property);
        for table in &settings.sources {
            let kind = KINDS.iter().find(|k| k.name == table.kind).expect("a known kind");
            if let Err(faults) = (kind.build)(table, &property) {
                panic!("{}: {}", file.path().display(), faults[0]);
            }
            built.push(kind.name);
        }
    }
    for kind in KINDS {
        assert!(built.contains(&kind.name), "no example shows `{}`", kind.name);
    }
}

#[tokio::test]
async fn every_stop_takes_less_than_a_second() {
    for kind in KINDS {
        let mut bench = Bench::open(kind.name, false).await;
        bench.say_one().await;
        let held = bench.house.delivery().await;
        let began = Instant::now();
        bench.house.context.stop.cancel();
        let end = tokio::time::timeout(Duration::from_secs(5), bench.session).await;
        assert!(end.is_ok(), "{} does not stop", kind.name);
        let took = began.elapsed();
        assert!(took < Duration::from_secs(1), "{} took {took:?}", kind.name);
        drop(held);
    }
}

#[tokio::test]
async fn nothing_is_receipted_before_its_commit_and_everything_after() {
    for kind in KINDS {
        let mut bench = Bench::open(kind.name, false).await;
        bench.say_one().await;
        let delivery = bench.house.delivery().await;
        assert_eq!(values(&delivery.messages), [4.5], "{}", kind.name);
        let early = tokio::time::timeout(MOMENT, bench.receipt()).await;
        assert!(early.is_err(), "{} receipted before the commit: {early:?}", kind.name);
        settle(delivery);
        let receipt = soon("a receipt", bench.receipt()).await;
        let expected: &[u8] = match bench.far {
            Far::Client(_) => b"HTTP/1.1 204",
            Far::Broker(_) | Far::Station(_) => b"\x40\x02\x00\x07",
            Far::Cable(_) => b"+7\r\n",
        };
        assert!(receipt.starts_with(expected), "{}: {receipt:?}", kind.name);
        bench.house.context.stop.cancel();
        soon("the stop", bench.session).await.unwrap();
    }
}

#[tokio::test]
async fn a_lost_commit_is_never_receipted() {
    for kind in KINDS {
        let mut bench = Bench::open(kind.name, false).await;
        bench.say_one().await;
        match bench.house.delivery().await.receipt {
            Receipt::Unasked => panic!("a receipt was owed"),
            Receipt::Once(sender) => drop(sender),
            Receipt::UpTo(watermark, _) => watermark.fail(),
        }
        match bench.far {
            Far::Client(_) => {
                let answer = soon("an answer", bench.receipt()).await;
                assert!(answer.starts_with(b"HTTP/1.1 503"), "{answer:?}");
            }
            Far::Broker(_) | Far::Station(_) => {
                let rest = soon("the end", bench.receipt()).await;
                assert!(rest.is_empty(), "{}: {rest:?}", kind.name);
            }
            Far::Cable(_) => {
                soon("the end", &mut bench.session).await.unwrap();
            }
        }
        bench.house.context.stop.cancel();
    }
}

#[tokio::test]
async fn an_endless_line_or_body_stays_bounded() {
    for kind in KINDS {
        let mut bench = Bench::open(kind.name, false).await;
        let before = resident();
        let sent = bench.say_endlessly(64 << 20).await;
        let grown = resident().saturating_sub(before);
        assert!(grown < GROWTH, "{} grew by {grown} bytes after {sent}", kind.name);
        if let Far::Cable(station) = &mut bench.far {
            station.write_all(b"\nt=1\n").await.unwrap();
            assert_eq!(values(&bench.house.delivery().await.messages), [1.0]);
            assert_eq!(bench.house.ears.count(observation::Refusal::TooLong), 1);
        } else {
            assert!(sent < 64 << 20, "{} took {sent} bytes", kind.name);
        }
        bench.house.context.stop.cancel();
    }
}

#[tokio::test]
async fn a_dead_peer_ends_the_session_or_its_connection() {
    for kind in KINDS {
        let mut bench = Bench::open(kind.name, true).await;
        let began = Instant::now();
        match bench.far {
            Far::Client(_) | Far::Station(_) => bench.let_go().await,
            Far::Broker(_) => {
                bench.let_go().await;
                let end = soon("the end", bench.session).await.unwrap();
                assert!(end.reason.contains("no sign of life"), "{end:?}");
            }
            Far::Cable(station) => {
                drop(station);
                let end = soon("the end", bench.session).await.unwrap();
                assert!(end.reason.contains("gone"), "{end:?}");
            }
        }
        assert!(began.elapsed() < Duration::from_secs(12), "{}", kind.name);
        bench.house.context.stop.cancel();
    }
}
