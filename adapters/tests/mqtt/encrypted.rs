//! The way to the broker is encrypted.

use super::*;
use rumqttc::tokio_rustls::TlsAcceptor;
use rustls::ServerConfig;
use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, PrivateKeyDer};
use std::path::PathBuf;
use std::sync::Arc;
use tokio::io::AsyncWriteExt;

fn file(name: &str) -> PathBuf {
    PathBuf::from(concat!(env!("CARGO_MANIFEST_DIR"), "/tests/fixtures/tls")).join(name)
}

fn acceptor() -> TlsAcceptor {
    let chain = vec![CertificateDer::from_pem_file(file("broker.pem")).unwrap()];
    let key = PrivateKeyDer::from_pem_file(file("broker.key")).unwrap();
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let config = ServerConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()
        .unwrap()
        .with_no_client_auth()
        .with_single_cert(chain, key)
        .unwrap();
    TlsAcceptor::from(Arc::new(config))
}

#[tokio::test]
async fn a_broker_is_trusted_by_its_authority_only_and_gets_the_password() {
    let folder = tempfile::tempdir().unwrap();
    let password = folder.path().join("password");
    std::fs::write(&password, "# example\nexample-password\n").unwrap();
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let port = listener.local_addr().unwrap().port();
    let text = |authority: &str| {
        format!(
            "broker = \"mqtts://localhost:{port}\"\nuser = \"croft\"\n\
             password_file = {password:?}\n{authority}\n{NUMBERS}"
        )
    };
    let authority = format!("ca_file = {:?}", file("authority.pem"));
    for (house, trusted) in [
        (House::new("mqtt", &text(&authority)), true),
        (House::new("mqtt", &text(&format!("ca_file = {:?}", file("broker.pem")))), false),
    ] {
        let session = house.start();
        let (stream, _) = soon("a connection", listener.accept()).await.unwrap();
        let accepted = soon("a handshake", acceptor().accept(stream)).await;
        if trusted {
            let mut stream = accepted.unwrap();
            let mut first = vec![0; 256];
            let count = soon("CONNECT", stream.read(&mut first)).await.unwrap();
            let text = String::from_utf8_lossy(&first[..count]).into_owned();
            assert!(text.contains("croft") && text.contains("example-password"));
            stream.shutdown().await.ok();
        }
        let end = end(session).await;
        assert!(!end.reason.contains("example-password"), "{end:?}");
        assert_eq!(end.reason.contains("TLS"), !trusted, "{end:?}");
    }
}

#[test]
fn what_cannot_be_trusted_or_read_is_told_by_the_check() {
    let property = Arc::new(fixtures::property::alder_croft());
    let build = adapters::sources::KINDS.iter().find(|k| k.name == "mqtt").unwrap().build;
    for (more, expected) in [
        (format!("ca_file = {:?}", file("broker.key")), "no certificate"),
        ("ca_file = \"missing.pem\"".to_owned(), "missing.pem"),
        ("user = \"croft\"\npassword_file = \"missing\"".to_owned(), "password file"),
        (format!("password_file = {:?}", file("broker.key")), "needs a `user`"),
        ("keep_alive = \"1 s\"".to_owned(), "5 s to 1 h"),
        ("packet_limit = \"1 B\"".to_owned(), "1 KiB to 16 MiB"),
        ("protocol = \"4\"".to_owned(), "`4`"),
        ("client_id = \"\"".to_owned(), "1 to 256"),
    ] {
        let text = format!("broker = \"mqtts://localhost\"\n{more}\n{NUMBERS}");
        let table = config::AdapterTable::from_text("mqtt", "house", &text);
        let faults = build(&table, &property).err().expect(&more);
        let told: Vec<String> = faults.iter().map(ToString::to_string).collect();
        assert!(told.iter().any(|t| t.contains(expected)), "{more}: {told:?}");
        assert!(told.iter().all(|t| t.starts_with("settings.toml:")), "{told:?}");
    }
}
