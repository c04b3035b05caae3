//! `isobarn replay`: recorded samples through the same processor, in simulated time.
//! Opens no store, no source and no secret, and starts with empty state.

mod player;
#[cfg(test)]
#[allow(clippy::unwrap_used, clippy::expect_used)]
pub(crate) mod tests;

use super::Failure;
use super::progress::Progress;
use crate::arguments::Replay;
use crate::{logging, wiring};
use player::Player;
use std::fs::File;
use std::io::{BufRead, BufReader, BufWriter, Write};
use std::path::Path;

/// Replays a recording.
///
/// # Errors
/// Status 78 for refused settings, 1 for input that cannot be read or output that cannot
/// be written.
pub fn execute(arguments: &Replay) -> Result<(), Failure> {
    logging::start(logging::Usual::Warnings);
    let settings =
        config::load_without_secrets(&arguments.settings.config, &arguments.settings.set)
            .map_err(|faults| wiring::refused(&faults))?;
    let failed =
        |path: &Path, e: std::io::Error| Failure::failed(format!("{}: {e}", path.display()));
    let mut input: Box<dyn BufRead> = if arguments.input == Path::new("-") {
        Box::new(BufReader::new(std::io::stdin().lock()))
    } else {
        let file = File::open(&arguments.input).map_err(|e| failed(&arguments.input, e))?;
        Box::new(BufReader::with_capacity(1 << 16, file))
    };
    let output: Box<dyn Write> = if arguments.output == Path::new("-") {
        Box::new(std::io::stdout().lock())
    } else {
        Box::new(File::create(&arguments.output).map_err(|e| failed(&arguments.output, e))?)
    };
    let mut output = BufWriter::with_capacity(1 << 16, output);
    let mut player = Player::new(&settings, arguments.r#final)?;
    let progress = if arguments.output == Path::new("-") {
        Progress::beside_output()
    } else {
        Progress::new()
    };
    let played = player.play(&mut input, &mut output, &progress);
    progress.clear();
    played?;
    player.finish(&mut output)?;
    match output.flush() {
        Ok(()) => {}
        // Whoever read the output has seen enough.
        Err(error) if error.kind() == std::io::ErrorKind::BrokenPipe => return Ok(()),
        Err(error) => return Err(Failure::failed(error.to_string())),
    }
    eprintln!("{}", player.summary());
    if player.understood_nothing() {
        return Err(Failure::failed("nothing of it was understood"));
    }
    Ok(())
}
