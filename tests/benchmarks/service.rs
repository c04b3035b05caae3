//! The service under measurement and its peers, as child processes.

use isobarn_tests::program::{Program, settings};
use std::io::{BufRead, BufReader};
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};

/// Stations of the benchmark.
pub(crate) const STATIONS: usize = 8;
/// Channels of each.
pub(crate) const CHANNELS: usize = 12;

/// The token of a station.
pub(crate) fn token(station: usize) -> String {
    format!("benchmark-token-{station}")
}

/// Writes settings with [`STATIONS`] stations of [`CHANNELS`] direct channels.
pub(crate) fn write(folder: &Path, commit_interval: &str, sources: &str) -> PathBuf {
    let mut text = format!(
        "[property]\nname = \"Benchmark\"\nlatitude = 54.07\nlongitude = -2.28\n\
         elevation = \"212 m\"\ntime_zone = \"Europe/London\"\n\n[history]\n\
         directory = \"history\"\ncommit_interval = \"{commit_interval}\"\n\n\
         [http]\nlisten = \"127.0.0.1:0\"\n\n{sources}\n"
    );
    let mut tokens = Vec::new();
    for station in 0..STATIONS {
        tokens.push((format!("s{station}"), token(station)));
        text.push_str(&format!(
            "\n[[station]]\nid = \"s{station}\"\nname = \"Station {station}\"\n\
             token_file = \"s{station}.token\"\ninterval = \"2 s\"\nrate = \"0 /s\"\n"
        ));
        for channel in 0..CHANNELS {
            text.push_str(&format!(
                "\n[[station.instrument]]\nid = \"i{channel}\"\nchannel = \"c{channel}\"\n\
                 quantity = \"air_temperature\"\nunit = \"Cel\"\n"
            ));
        }
    }
    let tokens: Vec<(&str, &str)> = tokens.iter().map(|(o, t)| (o.as_str(), t.as_str())).collect();
    settings(folder, &text, &tokens)
}

/// Starts the service in `folder`.
pub(crate) fn start(folder: &Path, commit_interval: &str, sources: &str) -> Program {
    Program::run(&write(folder, commit_interval, sources))
}

/// A peer as a child process of this same benchmark.
pub(crate) struct Peer {
    child: Child,
    /// Where it listens, if it does.
    pub(crate) address: Option<SocketAddr>,
}

impl Peer {
    /// Starts `benchmark peer KIND FOLDER MORE` and reads its `ready` line.
    pub(crate) fn start(kind: &str, folder: &Path, more: &str) -> Self {
        let mut child = Command::new(std::env::current_exe().expect("own path"))
            .args(["peer", kind])
            .arg(folder)
            .arg(more)
            .stdout(Stdio::piped())
            .spawn()
            .expect("the peer starts");
        let mut line = String::new();
        BufReader::new(child.stdout.take().expect("a pipe")).read_line(&mut line).expect("a line");
        let address = line.trim().strip_prefix("ready").and_then(|a| a.trim().parse().ok());
        Self { child, address }
    }

    /// The process number.
    pub(crate) fn id(&self) -> u32 {
        self.child.id()
    }
}

impl Drop for Peer {
    fn drop(&mut self) {
        drop(self.child.kill());
        drop(self.child.wait());
    }
}

/// A runtime for load and peers. Peers get as many threads as the service has.
pub(crate) fn runtime(threads: usize) -> tokio::runtime::Runtime {
    tokio::runtime::Builder::new_multi_thread()
        .worker_threads(threads)
        .enable_all()
        .build()
        .expect("a runtime")
}

/// Milliseconds since 1970 now.
pub(crate) fn now() -> i64 {
    let now = std::time::SystemTime::now()
        .duration_since(std::time::UNIX_EPOCH)
        .expect("a clock after 1970");
    i64::try_from(now.as_millis()).expect("a date of this age")
}
