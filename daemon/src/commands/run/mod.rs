//! `isobarn run`.

use super::Failure;
use crate::arguments::{self, Run};
use tokio_util::sync::CancellationToken;

/// Runs the command.
///
/// # Errors
/// Always, so far.
pub fn execute(arguments: &Run) -> Result<(), Failure> {
    serve(&arguments.settings, &CancellationToken::new())
}

/// The service until a signal comes or somebody sets `stop`; the demo runs it on a thread
/// of its own beside its stations. `crate::wiring::load` gives settings and sources,
/// `crate::page::{Page::new, bind, serve}` is the page's listener.
///
/// # Errors
/// Always, so far.
pub fn serve(_settings: &arguments::Settings, _stop: &CancellationToken) -> Result<(), Failure> {
    Err(Failure::failed("`run` is not built yet"))
}
