//! A station on a serial line, played by a pseudo-terminal.

use crate::settings::write;
use isobarn_tests::program::Program;
use isobarn_tests::push::Client;
use isobarn_tests::wait::until;
use serialport::{SerialPort, TTYPort};
use std::io::{Read, Write};
use std::os::unix::fs::symlink;
use std::time::Duration;

fn pair() -> (TTYPort, TTYPort, String) {
    let (mut ours, theirs) = TTYPort::pair().expect("a pseudo-terminal");
    ours.set_timeout(Duration::from_secs(20)).unwrap();
    let name = theirs.name().expect("a device name");
    (ours, theirs, name)
}

#[test]
fn lines_are_acknowledged_and_a_replugged_cable_is_taken_up_again() {
    let folder = tempfile::tempdir().unwrap();
    let link = folder.path().join("by-id");
    let settings = write(
        folder.path(),
        &format!(
            "\n[source.serial.mast]\ndevice = {:?}\nbaud = 115200\nlines = \"key-value\"\n\
             station = \"ridge\"\nchecksum = \"xor\"\nacknowledge = true\n",
            link.to_str().unwrap()
        ),
    );
    let program = Program::run(&settings);
    let client = Client::new();
    let page = program.address("http");
    let up = |value: &str| {
        let wanted = format!("isobarn_source_up{{source=\"mast\"}} {value}");
        client.get(page, "/metrics").body.contains(&wanted).then_some(())
    };
    let temperature = |value: &str| {
        client
            .get(page, "/metrics")
            .body
            .lines()
            .any(|l| {
                l.starts_with("isobarn_air_temperature_celsius{")
                    && l.ends_with(&format!(" {value}"))
            })
            .then_some(())
    };
    // The pseudo-terminal is made after the program was started, which would inherit it.
    assert_eq!(up("0"), Some(()), "there is no device yet");
    let (mut station, other_end, name) = pair();
    symlink(&name, &link).unwrap();
    drop(other_end);
    until("the open line", || up("1"));
    let line = |body: &str| {
        let sum = body.bytes().fold(0_u8, |sum, byte| sum ^ byte);
        format!("{body}*{sum:02X}\r\n")
    };
    // The first line after opening may be the end of one that began before.
    station.write_all(b"gment=3\r\n").unwrap();
    station.write_all(line("sequence=41,t=4.25").as_bytes()).unwrap();
    let mut answer = Vec::new();
    let mut byte = [0_u8];
    while !answer.ends_with(b"\r\n") {
        station.read_exact(&mut byte).expect("a receipt");
        answer.push(byte[0]);
    }
    assert_eq!(String::from_utf8_lossy(&answer), "+41\r\n");
    until("the value", || temperature("4.25"));

    // A wrong checksum, an endless line and bad bytes are counted and passed over.
    station.write_all(b"sequence=42,t=9*00\r\n").unwrap();
    station.write_all(&[b'x'; 9_000]).unwrap();
    station.write_all(b"\r\n\xff\xfe\xfd\r\n").unwrap();
    station.write_all(line("sequence=43,t=4.5").as_bytes()).unwrap();
    until("the next good line", || temperature("4.5"));
    let metrics = client.get(page, "/metrics").body;
    for reason in ["fragment", "checksum", "too_long", "malformed"] {
        assert!(metrics.contains(&format!("reason=\"{reason}\"")), "{reason}:\n{metrics}");
    }

    // The cable is pulled, and comes back as another device behind the same name.
    drop(station);
    until("the loss to be shown", || up("0"));
    let (mut station, other_end, name) = pair();
    std::fs::remove_file(&link).unwrap();
    symlink(&name, &link).unwrap();
    drop(other_end);
    until("the return", || up("1"));
    station.write_all(b"\r\n").unwrap();
    station.write_all(line("sequence=1,t=5.75").as_bytes()).unwrap();
    until("a value after the return", || temperature("5.75"));
}
