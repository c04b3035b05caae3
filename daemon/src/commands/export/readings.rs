//! Readings, the highest revision of each, or their summaries over steps.

use super::{Asked, Trouble};
use crate::arguments::Format;
use crate::commands::progress::Progress;
use crate::lines::diagnosis;
use crate::lines::reading::{CSV_HEADING, ReadingLines, Sorted, of_names};
use crate::summary::{Step, Summary};
use history::Reader;
use observation::Reading;
use observation::reading::decimal_text;
use std::io::Write;

pub(super) fn print(
    reader: &Reader,
    asked: &Asked<'_>,
    output: &mut impl Write,
) -> Result<(), Trouble> {
    let names = reader.names();
    let lines = of_names(names);
    let selection = asked.selection();
    let csv = asked.format == Format::Csv;
    let mut text = Vec::new();
    if csv {
        let more = if asked.step.is_some() { ",minimum,maximum,count,missing" } else { "" };
        let heading = format!("{}{more}\n", CSV_HEADING.trim_end());
        output.write_all(heading.as_bytes()).map_err(Trouble::Output)?;
    }
    let mut summary = asked.step.map(Summary::new);
    let mut done: Vec<Step> = Vec::new();
    let mut sorted = Sorted::default();
    let progress = Progress::beside_output();
    let look = reader.look();
    let mut walk = look.walk(&selection).map_err(Trouble::Read)?;
    loop {
        let part = walk.next_part().map_err(Trouble::Read)?;
        let ended = part.is_none();
        text.clear();
        let mut each = |reading: &Reading| {
            match &mut summary {
                None if csv => lines.csv(reading, &mut text),
                None => lines.json(reading, &mut text),
                Some(summary) => {
                    if let Some(series) = names.series(reading.series) {
                        summary.take(reading, series, names.as_ref(), &mut done);
                    }
                }
            }
            Ok::<(), Trouble>(())
        };
        let part = part.unwrap_or_default();
        if let Some(first) = part.first() {
            progress.say(&format_args!("readings of {}", first.reading.time));
        }
        for kept in part {
            sorted.take(&lines, kept.reading, &mut each)?;
        }
        if ended {
            sorted.finish(&lines, &mut each)?;
        }
        if let (true, Some(summary)) = (ended, &mut summary) {
            summary.finish(names.as_ref(), &mut done);
        }
        steps(&lines, &mut done, names, csv, &mut text);
        output.write_all(&text).map_err(Trouble::Output)?;
        if ended {
            break;
        }
    }
    progress.clear();
    // A diagnosis is of no one quantity, and has no CSV form.
    if csv || asked.step.is_some() || asked.quantity.is_some() {
        return Ok(());
    }
    look.each_diagnosis(&mut |said| {
        let own = asked.station.is_none_or(|wanted| said.station.as_deref() == Some(wanted));
        if own && selection.from <= said.time && said.time < selection.to {
            text.clear();
            diagnosis::json(said, &mut text);
            output.write_all(&text).map_err(Trouble::Output)?;
        }
        Ok(())
    })
}

/// Appends finished steps: the fields of a reading, then least, greatest and counts.
fn steps(
    lines: &ReadingLines,
    done: &mut Vec<Step>,
    names: &history::Names,
    csv: bool,
    text: &mut Vec<u8>,
) {
    done.sort_by_key(|s| (s.end, lines.rank(s.series)));
    for step in done.drain(..) {
        let decimals = names.unit_and_decimals(step.series).map_or(0, |(_, d)| d);
        let reading = Reading {
            series: step.series,
            time: step.end,
            value: step.value,
            flag: step.flag,
            reasons: step.reasons,
            revision: 0,
            made_by: 0,
        };
        let number = |steps: Option<i64>, none: &str| {
            steps.map_or(none.to_owned(), |s| decimal_text(s, decimals))
        };
        if csv {
            lines.csv(&reading, text);
            text.pop();
            let (least, most) = (number(step.minimum, ""), number(step.maximum, ""));
            let _ = writeln!(text, ",{least},{most},{},{}", step.count, step.missing);
        } else {
            lines.object(&reading, text);
            text.pop();
            let (least, most) = (number(step.minimum, "null"), number(step.maximum, "null"));
            let _ = writeln!(
                text,
                ",\"minimum\":{least},\"maximum\":{most},\"count\":{},\"missing\":{}}}",
                step.count, step.missing
            );
        }
    }
}
