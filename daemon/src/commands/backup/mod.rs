//! `isobarn backup`: a consistent copy of the history, beside a running service.

use super::Failure;
use crate::arguments::Backup;
use crate::wiring;
use history::Reader;
use std::io::{IsTerminal as _, Write as _};

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
    let shown = std::io::stderr().is_terminal();
    let result = reader.backup(&arguments.target, &mut |done, all| {
        if shown && all > 0 {
            // Only for whoever looks on.
            let _ = write!(std::io::stderr(), "\r{} %", done.saturating_mul(100) / all);
        }
    });
    if shown {
        let _ = write!(std::io::stderr(), "\r");
    }
    result.map_err(failed)?;
    let bytes = std::fs::metadata(&arguments.target).map_or(0, |m| m.len());
    eprintln!(
        "{}: {bytes} bytes; settings and token files are not in it",
        arguments.target.display()
    );
    Ok(())
}
