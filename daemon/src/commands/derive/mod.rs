//! `isobarn derive`.

use super::Failure;
use crate::arguments::Derive;

/// Runs the command.
///
/// # Errors
/// Always, so far.
pub fn execute(_arguments: &Derive) -> Result<(), Failure> {
    Err(Failure::failed("`derive` is not built yet"))
}
