//! `isobarn check`.

use super::Failure;
use crate::arguments::Check;

/// Runs the command.
///
/// # Errors
/// Always, so far.
pub fn execute(_arguments: &Check) -> Result<(), Failure> {
    Err(Failure::failed("`check` is not built yet"))
}
