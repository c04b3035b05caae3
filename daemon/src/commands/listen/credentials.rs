//! The tokens that `run` would know: those of the settings' files and those kept in the
//! history, which is opened for reading only.

use adapters::credentials::{Credentials, Digest, Owner};
use config::Settings;

/// All of them. A history that is not there yet, or cannot be read, has none.
pub(super) fn of(settings: &Settings) -> Credentials {
    let credentials = Credentials::new(&settings.property, []);
    let files = settings.credentials.iter().filter_map(|file| {
        let secret = file.read().ok()?;
        Some((file.owner, Digest::of(secret.reveal().as_bytes())))
    });
    let kept = history::Reader::open(&settings.history.directory, &settings.property, &[], &[])
        .and_then(|reader| reader.look().tokens())
        .unwrap_or_default();
    let kept = kept.iter().filter(|t| t.revoked.is_none()).filter_map(|t| {
        let owner = credentials.owner(&t.token.owner)?;
        let gateway = matches!(owner, Owner::Gateway(_));
        (gateway == t.token.gateway).then(|| (owner, Digest::from_bytes(t.token.hash)))
    });
    let all: Vec<(Owner, Digest)> = files.chain(kept).collect();
    credentials.replace(all);
    credentials
}
