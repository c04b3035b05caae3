//! From files to settings: read, put together, decode, resolve.

use crate::assembly::{assemble, read};
use crate::fault::{Fault, Faults};
use crate::settings::Settings;
use std::path::Path;

pub(crate) fn load(path: &Path, overrides: &[String], _secrets: bool) -> Result<Settings, Faults> {
    let fail = |faults| {
        Faults::of(faults)
            .unwrap_or_else(|| Fault::without_place("", "not readable yet", None).into())
    };
    let documents = read(path, overrides).map_err(fail)?;
    let (_, faults) = assemble(&documents);
    Err(fail(faults))
}
