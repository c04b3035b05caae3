//! What goes wrong on a serial line, each played by a pseudo-terminal.

#![allow(clippy::unwrap_used, clippy::expect_used)]

mod fixtures;

use adapters::port::State;
use fixtures::{House, MOMENT, commit, end, soon, until, values};
use observation::{Refusal, StationIndex};
use std::os::unix::fs::symlink;
use std::path::Path;
use std::time::{Duration, Instant};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio_serial::{SerialPort, SerialStream};

/// The station's end, and a stable name for ours.
fn plug(link: &Path) -> SerialStream {
    let (mut station, ours) = SerialStream::pair().expect("a pseudo-terminal");
    station.set_exclusive(false).ok();
    let name = ours.name().expect("a device name");
    drop(ours);
    std::fs::remove_file(link).ok();
    symlink(name, link).unwrap();
    station
}

struct Cable {
    folder: tempfile::TempDir,
    station: SerialStream,
}

impl Cable {
    fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let station = plug(&folder.path().join("by-id"));
        Self { folder, station }
    }

    fn house(&self, more: &str) -> House {
        let device = self.folder.path().join("by-id");
        let text = format!("device = {:?}\nbaud = 115200\n{more}", device.to_str().unwrap());
        House::new("serial", &text)
    }

    async fn say(&mut self, bytes: impl AsRef<[u8]>) {
        soon("room on the line", self.station.write_all(bytes.as_ref())).await.unwrap();
    }

    async fn hears(&mut self, length: usize) -> String {
        let mut answer = vec![0; length];
        soon("an answer", self.station.read_exact(&mut answer)).await.unwrap();
        String::from_utf8(answer).unwrap()
    }
}

const PAIRS: &str = "lines = \"key-value\"\nstation = \"ridge\"\n";

// Scenario 11.
#[tokio::test]
async fn fragments_garbage_glued_and_endless_lines_void_only_themselves() {
    let mut cable = Cable::new();
    let mut house = cable.house(PAIRS);
    let session = house.start();
    house.up().await;
    cable.say("t=9\r\n").await;
    cable.say(b"\xff\xfe boot\r\n\r\n").await;
    cable.say("t=1t=2\n").await;
    cable.say("t=3,h=\n").await;
    cable.say("t=1.5,h=70\r\nt=2.5 h=71\n").await;
    let mut got = Vec::new();
    while got.len() < 4 {
        got.extend(values(&house.committed().await));
    }
    assert_eq!(got, [1.5, 70.0, 2.5, 71.0]);
    for _ in 0..40 {
        cable.say([b'x'; 1_000]).await;
    }
    cable.say("\nt=4\nt=1").await;
    assert_eq!(values(&house.committed().await), [4.0]);
    let reasons = house.ears.reasons();
    let [first, bytes, glued, empty, long] = reasons[..] else { panic!("{reasons:?}") };
    assert_eq!((first, bytes, long), (Refusal::Fragment, Refusal::Malformed, Refusal::TooLong));
    assert!(glued != Refusal::TooLong && empty != Refusal::TooLong, "{reasons:?}");
    assert!(house.ears.refused.lock().unwrap().iter().all(|r| r.0 == Some(StationIndex(1))));
    // The truncated number at the end never counts, even if the line ends with it.
    drop(cable.station);
    let ended = end(session).await;
    assert!(ended.reason.contains("gone") && ended.useful, "{ended:?}");
    assert_eq!(house.ears.count(Refusal::Fragment), 2);
    assert!(house.intake.try_recv().is_err());
}

// Scenario 12.
#[tokio::test]
async fn an_unplugged_device_is_let_go_at_once_and_taken_up_under_its_name() {
    let mut cable = Cable::new();
    let mut house = cable.house(PAIRS);
    for round in 0..3 {
        let session = house.start();
        until("up", || (house.ears.states.lock().unwrap().len() > round).then_some(())).await;
        cable.say(format!("\nt={round}\n")).await;
        assert_eq!(values(&house.committed().await), [round as f64]);
        let name = std::fs::read_link(cable.folder.path().join("by-id")).unwrap();
        let gone = Instant::now();
        drop(std::mem::replace(&mut cable.station, SerialStream::pair().unwrap().0));
        let ended = end(session).await;
        assert!(gone.elapsed() < Duration::from_secs(2) && !ended.fault, "{ended:?}");
        let open: Vec<_> = std::fs::read_dir("/proc/self/fd")
            .unwrap()
            .flatten()
            .filter_map(|fd| std::fs::read_link(fd.path()).ok())
            .filter(|to| to.to_string_lossy().starts_with(&*name.to_string_lossy()))
            .filter(|to| to.to_string_lossy().contains("deleted"))
            .collect();
        assert!(open.is_empty(), "a handle of the old device is still open: {open:?}");
        std::fs::remove_file(cable.folder.path().join("by-id")).unwrap();
        let ended = end(house.start()).await;
        assert!(
            ended.reason.contains("is not there") && !ended.fault && !ended.useful,
            "{ended:?}"
        );
        cable.station = plug(&cable.folder.path().join("by-id"));
    }
}

// Scenario 13.
#[tokio::test]
async fn what_a_board_prints_while_it_starts_is_not_believed() {
    let mut cable = Cable::new();
    let mut house = cable.house(&format!("{PAIRS}settle = \"1 s\""));
    let session = house.start();
    house.up().await;
    let opened = Instant::now();
    while opened.elapsed() < Duration::from_millis(900) {
        cable.say("t=99\r\nrst:0x1 (POWERON)\r\n").await;
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
    assert!(house.ears.reasons().is_empty(), "{:?}", house.ears.reasons());
    tokio::time::sleep_until((opened + Duration::from_millis(1_100)).into()).await;
    cable.say("le=0\r\nt=0\r\n").await;
    assert_eq!(values(&house.committed().await), [0.0]);
    assert_eq!(house.ears.reasons(), [Refusal::Fragment]);
    house.context.stop.cancel();
    end(session).await;
}

// Scenario 14.
#[tokio::test]
async fn bytes_without_a_good_line_are_a_state_of_their_own() {
    let mut cable = Cable::new();
    let mut house = cable.house(&format!("{PAIRS}unreadable = \"1 s\""));
    let session = house.start();
    house.up().await;
    let mut random = fastrand::Rng::with_seed(14);
    let began = Instant::now();
    let reason = loop {
        let noise: Vec<u8> = (0..64).map(|_| random.u8(128..)).chain(*b"\n").collect();
        cable.say(&noise).await;
        if let Some(State::Fault(reason)) = house.ears.last_state() {
            break reason;
        }
        assert!(began.elapsed() < Duration::from_secs(20), "no fault");
        tokio::time::sleep(Duration::from_millis(20)).await;
    };
    assert!(began.elapsed() >= Duration::from_secs(1));
    for hint in ["115200 baud", "inverted", "ground"] {
        assert!(reason.contains(hint), "{reason}");
    }
    assert!(house.ears.count(Refusal::Malformed) > 0);
    cable.say("\nt=1\n").await;
    assert_eq!(values(&house.committed().await), [1.0]);
    assert_eq!(house.ears.last_state(), Some(State::Up), "and it ends with the first good line");
    house.context.stop.cancel();
    end(session).await;
}

// Scenario 15.
#[tokio::test]
async fn a_taken_or_forbidden_device_is_a_fault_that_names_who_or_what() {
    let cable = Cable::new();
    let house = cable.house(PAIRS);
    let session = house.start();
    house.up().await;
    let second = cable.house(PAIRS);
    let ended = end(second.start()).await;
    assert!(ended.fault && !ended.useful, "{ended:?}");
    assert!(ended.reason.contains("in use by"), "{ended:?}");
    house.context.stop.cancel();
    end(session).await;

    let file = cable.folder.path().join("file");
    std::fs::write(&file, "t=1\n").unwrap();
    let text = format!("device = {:?}\nbaud = 9600\n{PAIRS}", file.to_str().unwrap());
    let ended = end(House::new("serial", &text).start()).await;
    assert!(ended.fault && ended.reason.contains("not a serial device"), "{ended:?}");
}

#[tokio::test]
async fn a_line_with_a_sequence_is_answered_once_it_is_durable() {
    let mut cable = Cable::new();
    let mut house = cable.house(&format!("{PAIRS}acknowledge = true"));
    let session = house.start();
    house.up().await;
    cable.say("\nsequence=41 t=1\n").await;
    let first = house.delivery().await;
    assert_eq!(first.messages[0].sequence, Some(41));
    assert!(first.messages[0].early);
    let mut byte = [0];
    let early = tokio::time::timeout(MOMENT, cable.station.read(&mut byte)).await;
    assert!(early.is_err(), "an answer before the commit: {early:?}");
    commit(&first);
    assert_eq!(cable.hears(5).await, "+41\r\n");
    // No sequence, no answer; a refused line gets none either.
    cable.say("t=2\nsequence=42 t=frost\nsequence=43 t=3\n").await;
    let mut got = Vec::new();
    while got.len() < 2 {
        got.extend(values(&house.committed().await));
    }
    assert_eq!(got, [2.0, 3.0]);
    assert_eq!(cable.hears(5).await, "+43\r\n");
    house.context.stop.cancel();
    end(session).await;
}

#[tokio::test]
async fn a_silent_line_is_opened_anew() {
    let mut cable = Cable::new();
    let house = cable.house(&format!("{PAIRS}silence = \"1 s\""));
    let session = house.start();
    house.up().await;
    cable.say("\n").await;
    let began = Instant::now();
    let ended = end(session).await;
    assert!(ended.reason.contains("no byte for 1 s") && !ended.useful, "{ended:?}");
    assert!(began.elapsed() < Duration::from_secs(5));
}

#[tokio::test]
async fn every_kind_of_lines_is_read() {
    let checksum = |text: &str| text.bytes().fold(0_u8, |sum, byte| sum ^ byte);
    let mwv = "WIMWV,214.8,R,3.5,M,A";
    let mda = "WIMDA,29.9,I,1.01,B,17.5,C,,,66,,,,214.8,T,,,,,3.5,M";
    let xdr = "IIXDR,C,19.52,C,TempAir,H,0.5,,1,A,3,D,ROLL";
    for (options, line, expected) in [
        ("lines = \"senml\"", r#"[{"n":"hedge/t","v":4.5}]"#.to_owned(), vec![4.5]),
        (
            "lines = \"csv\"\nstation = \"ridge\"\ncolumns = [\"sequence\", \"t\", \"\", \"h\"]\nseparator = \";\"",
            "7;1.25;unread;66".to_owned(),
            vec![1.25, 66.0],
        ),
        (
            "lines = \"key-value\"\nstation = \"ridge\"\nchecksum = \"xor\"",
            format!("t=2*{:02X}", checksum("t=2")),
            vec![2.0],
        ),
        (
            "lines = \"nmea\"\nstation = \"mast\"",
            format!("${mwv}*{:02X}", checksum(mwv)),
            vec![214.8, 3.5],
        ),
        (
            "lines = \"nmea\"\nstation = \"ridge\"\nsentences = [\"MDA\"]\ntemperature = \"t\"\nhumidity = \"h\"",
            format!("${mda}*{:02X}", checksum(mda)),
            vec![17.5, 66.0],
        ),
        (
            "lines = \"nmea\"\nstation = \"ridge\"\ntransducers = { TempAir = \"t\", \"H/1\" = { channel = \"h\", unit = \"1\" } }",
            format!("${xdr}*{:02X}", checksum(xdr)),
            vec![19.52, 50.0],
        ),
    ] {
        let mut cable = Cable::new();
        let mut house = cable.house(options);
        let session = house.start();
        house.up().await;
        cable.say(format!("\r\n{line}\r\n")).await;
        assert_eq!(values(&house.committed().await), expected, "{options}");
        assert!(house.ears.reasons().is_empty(), "{:?}", house.ears.refused.lock().unwrap());
        house.context.stop.cancel();
        end(session).await;
    }
}

#[test]
fn what_the_settings_lack_is_told_with_its_place() {
    let property = std::sync::Arc::new(fixtures::property::alder_croft());
    let build = adapters::sources::KINDS.iter().find(|k| k.name == "serial").unwrap().build;
    for (text, expected) in [
        ("device = \"ttyUSB0\"\nbaud = 9600\nlines = \"senml\"", "whole path"),
        ("device = \"/dev/x\"\nbaud = 1\nlines = \"senml\"", "speed"),
        ("device = \"/dev/x\"\nbaud = 9600\nlines = \"key-value\"", "whose lines"),
        (
            "device = \"/dev/x\"\nbaud = 9600\nlines = \"key-value\"\nstation = \"rigde\"",
            "did you mean `ridge`",
        ),
        ("device = \"/dev/x\"\nbaud = 9600\nlines = \"csv\"\nstation = \"ridge\"", "columns"),
        (
            "device = \"/dev/x\"\nbaud = 9600\nlines = \"csv\"\nstation = \"ridge\"\ncolumns = [\"x\"]",
            "`x`",
        ),
        ("device = \"/dev/x\"\nbaud = 9600\nlines = \"nmea\"\nstation = \"ridge\"", "wind_speed"),
        (
            "device = \"/dev/x\"\nbaud = 9600\nlines = \"nmea\"\nstation = \"ridge\"\ntransducers = { ROLL = \"x\" }",
            "`x`",
        ),
        (
            "device = \"/dev/x\"\nbaud = 9600\nlines = \"nmea\"\nstation = \"ridge\"\nsentences = [\"GGA\"]",
            "GGA",
        ),
        ("device = \"/dev/x\"\nbaud = 9600\nlines = \"senml\"\ndew_point = \"t\"", "dew_point"),
        ("device = \"/dev/x\"\nbaud = 9600\nlines = \"senml\"\nchecksum = \"xor\"", "checksum"),
        ("device = \"/dev/x\"\nbaud = 9600\nlines = \"senml\"\nseperator = \";\"", "separator"),
    ] {
        let table = config::AdapterTable::from_text("serial", "mast", text);
        let faults = build(&table, &property).err().expect(text);
        let told: Vec<String> = faults.iter().map(ToString::to_string).collect();
        assert!(told.iter().any(|t| t.contains(expected)), "{text}: {told:?}");
        assert!(told.iter().all(|t| t.starts_with("settings.toml:")), "{told:?}");
    }
}
