//! Certificates of an invented authority, made by the openssl of the distribution.

use std::path::{Path, PathBuf};
use std::process::Command;

/// An authority, a listener's certificate, a client's, and one that another authority
/// gave to a client of the same name.
#[derive(Debug)]
pub struct Certificates {
    folder: PathBuf,
}

impl Certificates {
    /// Makes them in `folder`: elliptic keys, valid for two days.
    pub fn make(folder: &Path) -> Self {
        let made = Self { folder: folder.to_owned() };
        for authority in ["authority", "other"] {
            Self::openssl(&[
                "req",
                "-x509",
                "-newkey",
                "ec",
                "-pkeyopt",
                "ec_paramgen_curve:P-256",
                "-nodes",
                "-days",
                "2",
                "-subj",
                "/CN=Alder Croft (invented)",
                "-addext",
                "basicConstraints=critical,CA:TRUE",
                "-keyout",
                &made.key(authority),
                "-out",
                &made.file(authority),
            ]);
        }
        made.sign("listener", "authority", "/CN=localhost");
        made.sign("client", "authority", "/CN=croft");
        made.sign("stranger", "other", "/CN=croft");
        made
    }

    fn sign(&self, name: &str, authority: &str, subject: &str) {
        let request = self.file("request");
        Self::openssl(&[
            "req",
            "-newkey",
            "ec",
            "-pkeyopt",
            "ec_paramgen_curve:P-256",
            "-nodes",
            "-subj",
            subject,
            "-keyout",
            &self.key(name),
            "-out",
            &request,
        ]);
        let extensions = self.folder.join("extensions.cnf");
        std::fs::write(&extensions, "subjectAltName=DNS:localhost,IP:127.0.0.1\n")
            .expect("a folder to write to");
        Self::openssl(&[
            "x509",
            "-req",
            "-in",
            &request,
            "-days",
            "2",
            "-CA",
            &self.file(authority),
            "-CAkey",
            &self.key(authority),
            "-CAcreateserial",
            "-extfile",
            &extensions.display().to_string(),
            "-out",
            &self.file(name),
        ]);
    }

    fn openssl(arguments: &[&str]) {
        let output = Command::new("openssl")
            .args(arguments)
            .output()
            .expect("openssl is installed: tests/run --install");
        let said = String::from_utf8_lossy(&output.stderr);
        assert!(output.status.success(), "{arguments:?}: {said}");
    }

    /// The certificate of `authority`, `listener`, `client` or `stranger`.
    pub fn file(&self, name: &str) -> String {
        self.folder.join(format!("{name}.pem")).display().to_string()
    }

    /// Its private key.
    pub fn key(&self, name: &str) -> String {
        self.folder.join(format!("{name}.key")).display().to_string()
    }
}
