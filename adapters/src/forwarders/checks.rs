//! Gathering what is wrong with the table of a forwarder.

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

    /// What a connection by TLS trusts: the certificates that `ca_file` names, else the
    /// system's.
    pub(super) fn trust(&mut self, ca_file: Option<&String>) -> Option<Arc<ClientConfig>> {
        let path = ca_file.map(|p| self.table.resolve_path(p));
        match crate::trust::trust(path.as_deref()) {
            Ok(roots) => Some(roots),
            Err(why) => {
                self.fault(&["ca_file"], &why, "");
                None
            }
        }
    }
}
