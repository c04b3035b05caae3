//! Samples, notes, observations and clock steps in the order of the log, as input for
//! `replay`; at the end the instant up to which boundaries were walked.

use super::{Asked, Trouble};
use crate::commands::progress::Progress;
use crate::lines::sample::{self, Wanted};
use history::Reader;
use observation::Property;
use std::io::Write;

/// About how many bytes are written at a time.
const CHUNK: usize = 1 << 16;

pub(super) fn print(
    reader: &Reader,
    property: &Property,
    asked: &Asked<'_>,
    output: &mut impl Write,
) -> Result<(), Trouble> {
    let look = reader.look();
    let names = reader.names();
    let wanted = Wanted {
        station: asked.station,
        quantity: asked.quantity,
        property: asked.quantity.map(|_| property),
    };
    let first = match asked.from {
        Some(from) => look.number_at(from).map_err(Trouble::Read)?,
        None => 0,
    };
    let progress = Progress::beside_output();
    let mut walked = None;
    let mut text = Vec::with_capacity(CHUNK * 2);
    for record in look.records(first) {
        let record = match record {
            Ok(record) => record,
            Err(error) if error.is_damage() => return Err(Trouble::Read(error)),
            Err(error) => {
                // What is readable stays in use; what is not was told at the start.
                progress.clear();
                eprintln!("isobarn: {error}; left out");
                continue;
            }
        };
        let outside = asked.from.is_some_and(|from| record.received < from)
            || asked.to.is_some_and(|to| record.received >= to);
        if outside {
            continue;
        }
        if walked.is_none() || record.number.is_multiple_of(64) {
            progress.say(&format_args!("samples of {}", record.received));
        }
        walked = Some(record.walked);
        sample::record(names, &record, &wanted, &mut text);
        if text.len() >= CHUNK {
            output.write_all(&text).map_err(Trouble::Output)?;
            text.clear();
        }
    }
    progress.clear();
    if let Some(walked) = walked {
        sample::end(walked, &mut text);
    }
    output.write_all(&text).map_err(Trouble::Output)
}
