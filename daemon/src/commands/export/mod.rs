//! `isobarn export`: readings, or the samples they were made of, out of the history,
//! beside a running service or without one.

mod readings;
mod samples;
mod summaries;
mod table;

use super::Failure;
use crate::arguments::{Export, Format};
use crate::wiring;
use history::{Reader, Selection};
use observation::days::{DayKind, Division};
use observation::{Quantity, Span, Time};
use std::collections::BTreeSet;
use std::io::{BufWriter, Write};

/// What to do about damage that was met.
const HISTORY_HINT: &str = "`isobarn check --history` looks through everything; the running service, or its next start, \
     sets aside what is damaged and reads such a day of the log again, as far as that reaches";

/// What is asked for.
struct Asked<'a> {
    station: Option<&'a str>,
    quantity: Option<Quantity>,
    from: Option<Time>,
    to: Option<Time>,
    step: Option<Span>,
    format: Format,
}

impl Asked<'_> {
    fn selection(&self) -> Selection {
        let from = self.from.unwrap_or(Time(i64::MIN / 4));
        let to = self.to.unwrap_or(Time(i64::MAX / 4));
        Selection {
            station: self.station.map(str::to_owned),
            quantity: self.quantity,
            ..Selection::between(from, to)
        }
    }
}

/// Prints what is asked for.
///
/// # Errors
/// Status 2 for arguments that make no sense, 78 for refused settings, 1 for a history
/// that cannot be read.
pub fn execute(arguments: &Export) -> Result<(), Failure> {
    let settings =
        config::load_without_secrets(&arguments.settings.config, &arguments.settings.set)
            .map_err(|faults| wiring::refused(&faults))?;
    let instant = |text: &Option<String>, name: &str| {
        text.as_deref()
            .map(|t| Time::parse(t).map_err(|e| Failure::usage(format!("--{name}: {e}"))))
            .transpose()
    };
    let quantity = arguments.quantity.as_deref().map(|name| {
        let known = Quantity::ALL.iter().map(|q| q.name());
        Quantity::parse(name).ok_or_else(|| unknown("quantity", name, known))
    });
    let step = arguments.step.as_deref().map(|text| {
        let step = Span::parse(text).map_err(|e| Failure::usage(format!("--step: {e}")))?;
        if step.0 < 1_000 {
            return Err(Failure::usage("--step: at least 1 s"));
        }
        Ok(step)
    });
    let asked = Asked {
        station: arguments.station.as_deref(),
        quantity: quantity.transpose()?,
        from: instant(&arguments.from, "from")?,
        to: instant(&arguments.to, "to")?,
        step: step.transpose()?,
        format: arguments.format,
    };
    if arguments.samples && arguments.format != Format::Jsonl {
        return Err(Failure::usage("--samples gives replay lines; it has no CSV form"));
    }
    let summed = arguments.step.is_some() || arguments.summaries.is_some() || arguments.normals;
    if summed && arguments.format == Format::Table {
        return Err(Failure::usage("--format table is for readings; take csv for what is summed"));
    }
    let series = crate::engine::restart::series(&settings);
    let names: Vec<String> = settings.sources.iter().map(|s| s.name.clone()).collect();
    let reader = Reader::open(&settings.history.directory, &settings.property, &series, &names)
        .map_err(|e| Failure::failed(e.to_string()))?;
    if let Some(station) = asked.station {
        let names = reader.names();
        // A station that is no longer in the settings has its readings still.
        let kept = names.all_series().map(|(_, series)| series.station.as_str());
        let known = kept.chain(settings.property.stations.iter().map(|s| s.id.as_str()));
        let known: BTreeSet<&str> = known.collect();
        if !known.contains(station) {
            return Err(unknown("station", station, known.iter().copied()));
        }
    }
    let mut output = BufWriter::with_capacity(1 << 16, std::io::stdout().lock());
    let result = if arguments.normals {
        summaries::print_normals(&reader, &settings.property, &asked, &mut output)
    } else if let Some(word) = &arguments.summaries {
        let division = Division::parse(word)
            .ok_or_else(|| Failure::usage("--summaries: hour, day, month or year"))?;
        let kind = arguments.day.as_deref().map(|word| {
            DayKind::parse(word)
                .ok_or_else(|| Failure::usage("--day: civil, rain, maximum or minimum"))
        });
        let by = (division, kind.transpose()?);
        summaries::print(&reader, &settings.property, &asked, by, &mut output)
    } else if arguments.samples {
        samples::print(&reader, &settings.property, &asked, &mut output)
    } else if arguments.format == Format::Table {
        table::print(&reader, &asked, &mut output)
    } else {
        readings::print(&reader, &asked, &mut output)
    };
    let damaged = reader.damage_met();
    for line in &damaged {
        eprintln!("isobarn: {line}");
    }
    if !damaged.is_empty() {
        eprintln!("isobarn: {HISTORY_HINT}");
    }
    match result.and_then(|()| output.flush().map_err(Trouble::Output)) {
        Ok(()) => Ok(()),
        // Whoever read the output has seen enough.
        Err(Trouble::Output(error)) if error.kind() == std::io::ErrorKind::BrokenPipe => Ok(()),
        Err(Trouble::Output(error)) => Err(Failure::failed(error.to_string())),
        Err(Trouble::Read(error)) => Err(Failure::failed(error.to_string())),
    }
}

/// A name that nobody has, and whose is meant.
fn unknown<'a>(what: &str, name: &str, known: impl Iterator<Item = &'a str> + Clone) -> Failure {
    let near = config::nearest(name, known).map(|near| format!("; did you mean `{near}`?"));
    Failure::usage(format!("there is no {what} `{name}`{}", near.unwrap_or_default()))
}

/// What can go wrong on the way.
enum Trouble {
    Read(history::ReadError),
    Output(std::io::Error),
}

impl From<history::ReadError> for Trouble {
    fn from(error: history::ReadError) -> Self {
        Self::Read(error)
    }
}

/// Everything that `export` prints, readings or samples, for tests.
#[cfg(test)]
pub(crate) fn everything(
    reader: &Reader,
    property: &observation::Property,
    samples: bool,
) -> Result<Vec<u8>, String> {
    let asked = Asked {
        station: None,
        quantity: None,
        from: None,
        to: None,
        step: None,
        format: Format::Jsonl,
    };
    let mut output = Vec::new();
    let result = if samples {
        samples::print(reader, property, &asked, &mut output)
    } else {
        readings::print(reader, &asked, &mut output)
    };
    match result {
        Ok(()) => Ok(output),
        Err(Trouble::Read(error)) => Err(error.to_string()),
        Err(Trouble::Output(error)) => Err(error.to_string()),
    }
}
