//! Gathering what is wrong with the table of a forwarder.

use crate::trust::{Files, trust};
use config::{AdapterTable, Fault, Secret, read_secret};
use rustls::ClientConfig;
use std::sync::Arc;

/// A table and what was found wrong in it so far.
pub(super) struct Checks<'a> {
    pub(super) table: &'a AdapterTable,
    pub(super) faults: Vec<Fault>,
}

impl<'a> Checks<'a> {
    pub(super) const fn of(table: &'a AdapterTable) -> Self {
        Self { table, faults: Vec::new() }
    }

    /// A fault at a key, with what to write instead.
    pub(super) fn fault(&mut self, path: &[&str], message: &str, help: &str) {
        let help = Some(help).filter(|h| !h.is_empty());
        self.faults.push(self.table.fault_at(path, message, help));
    }

    /// The secret in the file that a key names.
    pub(super) fn secret(&mut self, key: &str, path: Option<&String>) -> Option<Secret> {
        let path = self.table.resolve_secret(path?);
        match read_secret(&path) {
            Ok(secret) => Some(secret),
            Err(why) => {
                let message = format!("{}: {why}", path.display());
                self.fault(&[key], &message, "create it with one line, the secret");
                None
            }
        }
    }

    /// The files of a connection by TLS, under the keys `ca_file`, `certificate_file` and
    /// `key_file`.
    pub(super) fn files(&self, named: [&Option<String>; 3]) -> Files {
        let [authority, certificate, key] = named;
        let table = self.table;
        Files {
            authority: authority.as_ref().map(|path| table.resolve_path(path)),
            certificate: certificate.as_ref().map(|path| table.resolve_path(path)),
            key: key.as_ref().map(|path| table.resolve_secret(path)),
        }
    }

    /// What a connection trusts and proves itself by; none, and a fault where files are
    /// named, without TLS.
    pub(super) fn trust(
        &mut self,
        files: &Files,
        tls: bool,
        scheme: &str,
    ) -> Option<Arc<ClientConfig>> {
        if !tls {
            if let Some(key) = files.named() {
                self.fault(&[key], &format!("certificates are for `{scheme}` only"), "");
            }
            return None;
        }
        match trust(files) {
            Ok(trust) => Some(trust),
            Err(wrong) => {
                self.fault(&[wrong.key], &wrong.why, "");
                None
            }
        }
    }
}
