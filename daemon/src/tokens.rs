//! Tokens: those of the settings' files and those kept, hashed, in the history.
//!
//! A token is shown once, when it is made. What is kept is its SHA-256.

use adapters::credentials::{Credentials, Digest};
use config::{Owner, Settings};
use history::{History, NewToken, WriteError};
use observation::{Property, Time};
use std::fmt::Write as _;
use std::io::Read as _;
use std::sync::Arc;

/// Random bytes of a token.
const RANDOM: usize = 24;

/// All tokens of a run.
pub struct Tokens {
    fixed: Vec<(Owner, Digest)>,
    credentials: Arc<Credentials>,
}

impl Tokens {
    /// Reads the token files of the settings and the kept tokens.
    ///
    /// # Errors
    /// The faults of all token files that cannot be read.
    pub fn load(settings: &Settings, history: &History) -> Result<Self, Vec<config::Fault>> {
        let mut fixed = Vec::new();
        let mut faults = Vec::new();
        for file in &settings.credentials {
            match file.read() {
                Ok(secret) => fixed.push((file.owner, Digest::of(secret.reveal().as_bytes()))),
                Err(fault) => faults.push(fault),
            }
        }
        if !faults.is_empty() {
            return Err(faults);
        }
        Ok(Self::of(fixed, &settings.property, history))
    }

    /// The tokens of the settings as given, and the kept ones.
    pub fn of(fixed: Vec<(Owner, Digest)>, property: &Property, history: &History) -> Self {
        let credentials = Arc::new(Credentials::new(property, []));
        let tokens = Self { fixed, credentials };
        tokens.refresh(history);
        tokens
    }

    /// Who may speak for whom.
    pub const fn credentials(&self) -> &Arc<Credentials> {
        &self.credentials
    }

    /// Takes up what the history keeps now.
    pub fn refresh(&self, history: &History) {
        let kept = match history.look().tokens() {
            Ok(kept) => kept,
            Err(error) => {
                tracing::error!("kept tokens stay as they were: {error}");
                return;
            }
        };
        let kept = kept.iter().filter(|t| t.revoked.is_none()).filter_map(|t| {
            let owner = self.credentials.owner(&t.token.owner)?;
            let gateway = matches!(owner, Owner::Gateway(_));
            (gateway == t.token.gateway).then(|| (owner, Digest::from_bytes(t.token.hash)))
        });
        let all: Vec<_> = self.fixed.iter().copied().chain(kept).collect();
        self.credentials.replace(all);
    }
}

/// A new token for an owner: its text, to be shown once, and what is kept.
///
/// # Errors
/// When the system gives no random bytes.
pub fn make(gateway: bool, owner: &str, created: Time) -> std::io::Result<(String, NewToken)> {
    let mut random = [0_u8; RANDOM];
    std::fs::File::open("/dev/urandom")?.read_exact(&mut random)?;
    let mut text = String::with_capacity(RANDOM * 2);
    for byte in random {
        // Writing to a string does not fail.
        let _ = write!(text, "{byte:02x}");
    }
    let hash = *Digest::of(text.as_bytes()).as_bytes();
    Ok((text, NewToken { gateway, owner: owner.to_owned(), hash, created }))
}

/// Revokes all kept tokens of an owner; how many there were.
///
/// # Errors
/// See [`WriteError`].
pub fn revoke(
    history: &mut History,
    gateway: bool,
    owner: &str,
    now: Time,
) -> Result<u64, WriteError> {
    let kept = history.look().tokens().map_err(|e| WriteError::Failed(e.to_string()))?;
    let mut count = 0;
    for token in kept {
        let theirs = token.token.gateway == gateway && token.token.owner == owner;
        if theirs && token.revoked.is_none() && history.revoke_token(token.id, now)? {
            count += 1;
        }
    }
    Ok(count)
}
