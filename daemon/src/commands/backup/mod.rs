//! `isobarn backup`: a consistent copy of the history, beside a running service.

use super::Failure;
use super::progress::Progress;
use crate::arguments::Backup;
use crate::wiring;
use history::Reader;

/// Copies the history to a new file.
///
/// # Errors
/// Status 78 for refused settings, 1 for a history that cannot be read or a target that
/// is there already or cannot be written.
pub fn execute(arguments: &Backup) -> Result<(), Failure> {
    let settings =
        config::load_without_secrets(&arguments.settings.config, &arguments.settings.set)
            .map_err(|faults| wiring::refused(&faults))?;
    let failed = |e: history::ReadError| Failure::failed(e.to_string());
    let reader =
        Reader::open(&settings.history.directory, &settings.property, &[], &[]).map_err(failed)?;
    let progress = Progress::new();
    let result = reader.backup(&arguments.target, &mut |done, all| {
        if let Some(share) = done.saturating_mul(100).checked_div(all) {
            progress.say(&format_args!("{share} % copied"));
        }
    });
    progress.clear();
    result.map_err(|e| Failure::failed(e.to_string()))?;
    let bytes = std::fs::metadata(&arguments.target).map_or(0, |m| m.len());
    eprintln!(
        "{}: {bytes} bytes; settings and token files are not in it",
        arguments.target.display()
    );
    Ok(())
}
