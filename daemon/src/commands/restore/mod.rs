//! `isobarn restore`: a backup put where no history is.

use super::Failure;
use crate::arguments::Restore;
use crate::wiring;
use std::io::{IsTerminal as _, Write as _};

/// Checks a backup and copies it into the history's directory.
///
/// # Errors
/// Status 78 for refused settings, 1 for a directory that has a history, is in use or
/// cannot be written, and for a backup that is damaged.
pub fn execute(arguments: &Restore) -> Result<(), Failure> {
    let settings =
        config::load_without_secrets(&arguments.settings.config, &arguments.settings.set)
            .map_err(|faults| wiring::refused(&faults))?;
    let shown = std::io::stderr().is_terminal();
    let result = history::restore(&arguments.backup, &settings.history.directory, &mut |number| {
        if shown {
            // Only for whoever looks on.
            let _ = write!(std::io::stderr(), "\rchecked up to record {number}");
        }
    });
    if shown {
        eprintln!();
    }
    result.map_err(|e| Failure::failed(e.to_string()))?;
    eprintln!("restored into {}", settings.history.directory.display());
    Ok(())
}
