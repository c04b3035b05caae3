//! `isobarn demo`.

mod instruments;
mod property;
pub(crate) mod request;
mod stations;
mod weather;

use super::Failure;
use crate::arguments::Demo;

/// Runs the command.
///
/// # Errors
/// Always, so far.
pub fn execute(_arguments: &Demo) -> Result<(), Failure> {
    Err(Failure::failed("`demo` is not built yet"))
}
