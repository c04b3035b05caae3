//! `isobarn status`.

use super::Failure;
use crate::arguments::Status;

/// Runs the command.
///
/// # Errors
/// Always, so far.
pub fn execute(_arguments: &Status) -> Result<(), Failure> {
    Err(Failure::failed("`status` is not built yet"))
}
