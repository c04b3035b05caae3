//! `isobarn export`.

use super::Failure;
use crate::arguments::Export;

/// Runs the command.
///
/// # Errors
/// Always, so far.
pub fn execute(_arguments: &Export) -> Result<(), Failure> {
    Err(Failure::failed("`export` is not built yet"))
}
