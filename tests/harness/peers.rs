//! Real peers from the distribution, each on a free port of loopback.

use crate::push::Client;
use crate::wait::{free_port, until};
use std::net::{SocketAddr, TcpStream};
use std::path::Path;
use std::process::{Child, Command, Stdio};

/// A child process that ends with its owner.
pub struct Peer {
    child: Child,
    /// Where it listens.
    pub address: SocketAddr,
}

impl Drop for Peer {
    fn drop(&mut self) {
        drop(self.child.kill());
        drop(self.child.wait());
    }
}

impl Peer {
    /// Ends it without a word.
    pub fn kill(mut self) {
        drop(self.child.kill());
        drop(self.child.wait());
    }
}

fn listening(address: SocketAddr) -> Option<()> {
    TcpStream::connect(address).ok().map(drop)
}

/// A mosquitto broker that keeps every queued message, with its memory in `folder`.
pub fn mosquitto(folder: &Path, port: u16) -> Peer {
    let address = SocketAddr::from(([127, 0, 0, 1], port));
    let settings = folder.join("mosquitto.conf");
    std::fs::write(
        &settings,
        format!(
            "listener {port} 127.0.0.1\nallow_anonymous true\npersistence true\n\
             persistence_location {}/\nmax_queued_messages 0\nlog_dest none\n",
            folder.display()
        ),
    )
    .expect("a folder to write to");
    let mut command = Command::new("mosquitto");
    command.arg("-c").arg(&settings).stdout(Stdio::null()).stderr(Stdio::null());
    let child = command.spawn().expect("mosquitto is installed: tests/run --install");
    until("mosquitto", || listening(address));
    Peer { child, address }
}

/// A Prometheus server that scrapes `target` every second.
pub fn prometheus(folder: &Path, target: SocketAddr) -> Peer {
    let port = free_port();
    let address = SocketAddr::from(([127, 0, 0, 1], port));
    let settings = folder.join("prometheus.yml");
    std::fs::write(
        &settings,
        format!(
            "global:\n  scrape_interval: 1s\nscrape_configs:\n  - job_name: isobarn\n    \
             static_configs:\n      - targets: ['{target}']\n"
        ),
    )
    .expect("a folder to write to");
    let child = Command::new("prometheus")
        .arg(format!("--config.file={}", settings.display()))
        .arg(format!("--storage.tsdb.path={}", folder.join("prometheus").display()))
        .arg(format!("--web.listen-address={address}"))
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .expect("prometheus is installed: tests/run --install");
    let client = Client::new();
    until("prometheus", || (client.get(address, "/-/ready").status == 200).then_some(()));
    Peer { child, address }
}
