//! `isobarn restore`: a backup put where no history is.

use super::Failure;
use super::progress::Progress;
use crate::arguments::Restore;
use crate::wiring;
use history::OpenError;

/// Checks a backup and copies it into the history's directory.
///
/// # Errors
/// Status 78 for refused settings, 1 for a directory that has a history, is in use or
/// cannot be written, and for a backup that is damaged.
pub fn execute(arguments: &Restore) -> Result<(), Failure> {
    let settings =
        config::load_without_secrets(&arguments.settings.config, &arguments.settings.set)
            .map_err(|faults| wiring::refused(&faults))?;
    let progress = Progress::new();
    let result = history::restore(&arguments.backup, &settings.history.directory, &mut |number| {
        progress.say(&format_args!("checked up to record {number}"));
    });
    progress.clear();
    result.map_err(|e| match e {
        OpenError::Locked { .. } => Failure::failed(format!(
            "{e}; stop it first, or restore into another directory (`--set history.directory=...`)"
        )),
        _ => Failure::failed(e.to_string()),
    })?;
    eprintln!("restored into {}", settings.history.directory.display());
    Ok(())
}
