//! `isobarn run`.

use super::Failure;
use crate::arguments::Run;

/// Runs the command.
///
/// # Errors
/// Always, so far.
pub fn execute(_arguments: &Run) -> Result<(), Failure> {
    Err(Failure::failed("`run` is not built yet"))
}
