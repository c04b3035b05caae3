//! `isobarn listen`.

mod guess;
mod shown;
mod suggestion;

use super::Failure;
use crate::arguments::Listen;

/// Runs the command.
///
/// # Errors
/// Always, so far.
pub fn execute(_arguments: &Listen) -> Result<(), Failure> {
    Err(Failure::failed("`listen` is not built yet"))
}
