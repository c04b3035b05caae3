//! `isobarn token`.

use super::Failure;
use crate::arguments::Token;

/// Runs the command.
///
/// # Errors
/// Always, so far.
pub fn execute(_arguments: &Token) -> Result<(), Failure> {
    Err(Failure::failed("`token` is not built yet"))
}
