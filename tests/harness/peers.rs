//! Real peers from the distribution, each on a free port of loopback.

use crate::certificates::Certificates;
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
    /// Asks it to end, as a service manager does, and waits until it has.
    pub fn terminate(mut self) {
        crate::program::signal(self.child.id(), "TERM");
        drop(self.child.wait());
    }

    /// Ends it without a word.
    pub fn kill(mut self) {
        drop(self.child.kill());
        drop(self.child.wait());
    }
}

/// Whether the tests run as root.
fn root() -> bool {
    std::fs::metadata("/proc/self").is_ok_and(|m| std::os::unix::fs::MetadataExt::uid(&m) == 0)
}

fn listening(address: SocketAddr) -> Option<()> {
    TcpStream::connect(address).ok().map(drop)
}

/// A mosquitto broker that keeps every queued message, with its memory in `folder`.
pub fn mosquitto(folder: &Path, port: u16) -> Peer {
    mosquitto_with(folder, port, "allow_anonymous true\n")
}

/// The same with other settings of its listener.
pub fn mosquitto_with(folder: &Path, port: u16, listener: &str) -> Peer {
    let address = SocketAddr::from(([127, 0, 0, 1], port));
    let settings = folder.join("mosquitto.conf");
    std::fs::write(
        &settings,
        format!(
            "listener {port} 127.0.0.1\n{listener}persistence true\n\
             persistence_location {}/\nmax_queued_messages 0\nlog_dest none\n{}",
            folder.display(),
            // Begun by root it would become a user that cannot write to the folder, and
            // forget every session at its end.
            if root() { "user root\n" } else { "" }
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

/// A Prometheus that takes what is written to it and scrapes nothing.
pub fn receiving_prometheus(folder: &Path) -> Peer {
    let peer = receiving(folder, &[]);
    let client = Client::new();
    until("prometheus", || (client.get(peer.address, "/-/ready").status == 200).then_some(()));
    peer
}

/// The same over TLS, for whoever has a certificate of the authority; it keeps what it
/// takes where [`receiving_prometheus`] in the same folder finds it.
pub fn receiving_prometheus_with(folder: &Path, made: &Certificates) -> Peer {
    let web = folder.join("web.yml");
    let text = format!(
        "tls_server_config:\n  cert_file: {}\n  key_file: {}\n  \
         client_auth_type: RequireAndVerifyClientCert\n  client_ca_file: {}\n",
        made.file("listener"),
        made.key("listener"),
        made.file("authority")
    );
    std::fs::write(&web, text).expect("a folder to write to");
    let peer = receiving(folder, &[format!("--web.config.file={}", web.display())]);
    // Who has no certificate learns no more than that somebody listens.
    until("prometheus", || listening(peer.address));
    peer
}

fn receiving(folder: &Path, more: &[String]) -> Peer {
    let address = SocketAddr::from(([127, 0, 0, 1], free_port()));
    let settings = folder.join("receiving.yml");
    std::fs::write(&settings, "scrape_configs: []\n").expect("a folder to write to");
    let child = Command::new("prometheus")
        .arg(format!("--config.file={}", settings.display()))
        .arg(format!("--storage.tsdb.path={}", folder.join("prometheus").display()))
        .arg(format!("--web.listen-address={address}"))
        .arg("--web.enable-remote-write-receiver")
        .args(more)
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .expect("prometheus is installed: tests/run --install");
    Peer { child, address }
}

/// A PostgreSQL server with a user `weather` without a password, in a folder of its own.
pub struct Postgresql {
    peer: Peer,
    /// Where it listens.
    pub address: SocketAddr,
}

impl Postgresql {
    /// What a query gives, a row a line.
    pub fn query(&self, text: &str) -> String {
        let port = self.peer.address.port().to_string();
        let output = Command::new("psql")
            .args([
                "-h",
                "127.0.0.1",
                "-p",
                &port,
                "-U",
                "weather",
                "-d",
                "postgres",
                "-At",
                "-c",
                text,
            ])
            .output()
            .expect("psql is installed: tests/run --install");
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        String::from_utf8(output.stdout).expect("UTF-8")
    }
}

/// The folder of PostgreSQL's own programs: they are not on the path.
fn postgresql_programs() -> std::path::PathBuf {
    std::fs::read_dir("/usr/lib/postgresql")
        .expect("PostgreSQL is installed: tests/run --install")
        .flatten()
        .map(|version| version.path().join("bin"))
        .find(|bin| bin.join("initdb").is_file())
        .expect("PostgreSQL is installed: tests/run --install")
}

/// Starts one on a free port. It refuses to run as root, so root lends it an account.
pub fn postgresql(folder: &Path) -> Postgresql {
    let data = folder.join("postgresql");
    std::fs::create_dir_all(&data).expect("a folder to write to");
    let root = root();
    let programs = postgresql_programs();
    let command = |name: &str| {
        let path = programs.join(name);
        if root {
            let mut command = Command::new("setpriv");
            command
                .args(["--reuid=postgres", "--regid=postgres", "--clear-groups", "--"])
                .arg(path);
            command
        } else {
            Command::new(path)
        }
    };
    if root {
        let run = |program: &str, arguments: &[&str], path: &Path| {
            let status = Command::new(program).args(arguments).arg(path).status().expect("it runs");
            assert!(status.success(), "{program} {}", path.display());
        };
        run("chown", &["postgres"], &data);
        // The account must reach its folder through the one that holds it.
        run("chmod", &["o+x"], folder);
    }
    let made = command("initdb")
        .args(["-U", "weather", "-A", "trust", "--no-sync", "-E", "UTF8", "-D"])
        .arg(&data)
        .stdout(Stdio::null())
        .status()
        .expect("initdb runs");
    assert!(made.success(), "initdb");
    let port = free_port();
    let address = SocketAddr::from(([127, 0, 0, 1], port));
    let child = command("postgres")
        .arg("-D")
        .arg(&data)
        .args(["-p", &port.to_string(), "-c", "listen_addresses=127.0.0.1"])
        .args(["-c", "unix_socket_directories="])
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .expect("postgres runs");
    let server = Postgresql { peer: Peer { child, address }, address };
    until("postgresql", || {
        let ready = Command::new("psql")
            .args([
                "-h",
                "127.0.0.1",
                "-p",
                &port.to_string(),
                "-U",
                "weather",
                "-d",
                "postgres",
                "-c",
                "SELECT 1",
            ])
            .output()
            .expect("psql is installed: tests/run --install");
        ready.status.success().then_some(())
    });
    server
}
