//! `isobarn compare`: how each pair of neighbours compares, and the causes that a
//! diagnosis may name.

mod causes;
mod gather;
mod text;

use super::Failure;
use crate::arguments::Compare;
use crate::engine::restart;
use crate::wiring;
use history::Reader;
use observation::Span;

/// Prints the list of causes, or how neighbours compare.
///
/// # Errors
/// Refused settings; a history that cannot be read.
pub fn execute(arguments: &Compare) -> Result<(), Failure> {
    if arguments.causes {
        print!("{}", if arguments.json { causes::json_text() } else { causes::text() });
        return Ok(());
    }
    let settings =
        config::load_without_secrets(&arguments.settings.config, &arguments.settings.set)
            .map_err(|faults| wiring::refused(&faults))?;
    let series = restart::series(&settings);
    let sources: Vec<String> = settings.sources.iter().map(|s| s.name.clone()).collect();
    let reader = Reader::open(&settings.history.directory, &settings.property, &series, &sources)
        .map_err(|e| Failure::failed(e.to_string()))?;
    let span = Span::days(i64::from(arguments.days));
    let pairs = gather::pairs(&reader, &settings.property, span)?;
    let open = crate::lines::diagnosis::open(reader.look())?;
    if arguments.json {
        println!("{}", text::document(&pairs, &open));
    } else {
        print!("{}", text::render(&pairs, &open, arguments.days));
    }
    Ok(())
}
