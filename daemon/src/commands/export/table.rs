//! Readings as a table for spreadsheets and data frames: a row an instant, two columns a
//! series, its value under a heading with the unit, and its flag.

use super::{Asked, Trouble};
use crate::commands::progress::Progress;
use crate::lines::reading::of_names;
use history::{Kept, Look, Names, Reader, Selection};
use observation::reading::decimal_text;
use observation::{SeriesIndex, Span, Time};
use std::io::Write;
use std::ops::ControlFlow;

pub(super) fn print(
    reader: &Reader,
    asked: &Asked<'_>,
    output: &mut impl Write,
) -> Result<(), Trouble> {
    let names = reader.names();
    let selection = asked.selection();
    let look = reader.look();
    let columns = columns(&look, &selection, names)?;
    let mut text = heading(names, &columns);
    let place_of = |series: SeriesIndex| columns.iter().position(|column| *column == series);
    let progress = Progress::beside_output();
    let mut walk = look.walk(&selection).map_err(Trouble::Read)?;
    let mut row: Vec<Option<Kept>> = vec![None; columns.len()];
    while let Some(part) = walk.next_part().map_err(Trouble::Read)? {
        if let Some(first) = part.first() {
            progress.say(&format_args!("readings of {}", first.reading.time));
        }
        for instant in part.chunk_by(|a, b| a.reading.time == b.reading.time) {
            row.fill(None);
            for kept in instant {
                if let Some(slot) = place_of(kept.reading.series).and_then(|p| row.get_mut(p)) {
                    *slot = Some(*kept);
                }
            }
            let Some(first) = instant.first() else { continue };
            line(names, first.reading.time, &row, &mut text);
        }
        output.write_all(text.as_bytes()).map_err(Trouble::Output)?;
        text.clear();
    }
    progress.clear();
    output.write_all(text.as_bytes()).map_err(Trouble::Output)
}

/// The series that have readings, ordered by their texts.
fn columns(
    look: &Look<'_>,
    selection: &Selection,
    names: &Names,
) -> Result<Vec<SeriesIndex>, Trouble> {
    let mut found = Vec::new();
    look.by_series(selection, &mut |series, _| {
        if !found.contains(&series) {
            found.push(series);
        }
        ControlFlow::Continue(())
    })
    .map_err(Trouble::Read)?;
    let lines = of_names(names);
    found.sort_by_key(|series| lines.rank(*series));
    Ok(found)
}

fn heading(names: &Names, columns: &[SeriesIndex]) -> String {
    let mut text = String::from("time");
    for &index in columns {
        let Some(series) = names.series(index) else { continue };
        let span = |span: Option<Span>| span.map(|s| format!(" {s}")).unwrap_or_default();
        let name = format!(
            "{}/{} {} {}{}{}",
            series.station,
            series.instrument,
            series.quantity.name(),
            series.statistic.word(),
            span(series.over),
            span(series.period)
        );
        let unit = names.unit_and_decimals(index).map_or("", |(unit, _)| unit);
        // Neither identifiers nor units hold a comma or a quotation mark.
        text.extend([",", name.as_str(), " [", unit, "],", name.as_str(), " flag"]);
    }
    text.push('\n');
    text
}

fn line(names: &Names, time: Time, row: &[Option<Kept>], text: &mut String) {
    text.push_str(&time.to_string());
    for kept in row {
        text.push(',');
        let Some(Kept { reading, .. }) = kept else {
            text.push(',');
            continue;
        };
        let decimals = names.unit_and_decimals(reading.series).map_or(0, |(_, d)| d);
        if let Some(steps) = reading.value {
            text.push_str(&decimal_text(steps, decimals));
        }
        text.push(',');
        text.push_str(reading.flag.word());
    }
    text.push('\n');
}
