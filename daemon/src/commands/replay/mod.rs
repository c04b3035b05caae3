//! `isobarn replay`.

use super::Failure;
use crate::arguments::Replay;

/// Runs the command.
///
/// # Errors
/// Always, so far.
pub fn execute(_arguments: &Replay) -> Result<(), Failure> {
    Err(Failure::failed("`replay` is not built yet"))
}
