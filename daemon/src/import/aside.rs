//! What was set aside for its time, brought in at the times that a person says.
//!
//! The rule kept here: a message goes in whole or stays set aside; it is marked as brought
//! in only after its samples are durable, so that a second try finds what was cut off.

use super::{Importer, Write};
use crate::lines::input::{Line, SampleLine};
use crate::remake::told;
use history::{Aside, Names, Reader};
use observation::time::FIRST_BELIEVABLE;
use observation::{Refusal, Span, Stated, Time};
use std::borrow::Cow;

/// Messages that are read at a time.
const AT_A_TIME: usize = 500;

/// What to bring in.
#[derive(Clone, Debug)]
pub struct Wanted {
    /// The station.
    pub station: String,
    /// What is added to every time.
    pub shift: Span,
}

/// Hears how far it is, and why a message stays set aside.
pub type Hear<'a> = dyn FnMut(Option<Time>, Option<String>) -> Result<(), String> + 'a;

/// Brings in what is set aside of a station as too old, of the future or without a place in
/// local time; the numbers of the rows that are done.
///
/// # Errors
/// What cannot be read, or what `write` or `hear` returns.
pub fn take(
    importer: &mut Importer<'_>,
    reader: &Reader,
    wanted: &Wanted,
    write: &mut Write<'_>,
    hear: &mut Hear<'_>,
) -> Result<Vec<i64>, String> {
    let (mut done, mut after) = (Vec::new(), 0);
    loop {
        let look = reader.look();
        let rows = look.set_aside(Some(&wanted.station), after, AT_A_TIME).map_err(told)?;
        let Some(last) = rows.last() else { return Ok(done) };
        after = last.id;
        for row in rows.iter().filter(|row| is_for_its_time(row.set_aside.reason)) {
            let refused = match lines(row, look.names(), wanted.shift, importer.now) {
                Ok(lines) => bring(importer, &lines, write)?,
                Err(why) => Err(why),
            };
            match refused {
                Ok(()) => {
                    done.push(row.id);
                    hear(importer.at(), None)?;
                }
                Err(why) => {
                    importer.counts.refused += 1;
                    let arrived = row.set_aside.message.received;
                    let why = format!("what arrived at {arrived} stays set aside: {why}");
                    hear(importer.at(), Some(why))?;
                }
            }
        }
    }
}

const fn is_for_its_time(reason: Refusal) -> bool {
    matches!(reason, Refusal::TooOld | Refusal::Future | Refusal::Time)
}

/// The samples of a message at their shifted times.
fn lines<'n>(
    row: &Aside,
    names: &'n Names,
    shift: Span,
    now: Time,
) -> Result<Vec<SampleLine<'n>>, String> {
    let message = &row.set_aside.message;
    let mut lines = Vec::with_capacity(message.samples.len());
    for sample in &message.samples {
        let stated = match sample.stated {
            Stated::At(time) => time,
            Stated::Relative(milliseconds) => message.received + Span(milliseconds),
            Stated::Nothing | Stated::Unplaceable => {
                return Err("its sender's time has no place that can be shifted".to_owned());
            }
        };
        let time = stated + shift;
        if time < FIRST_BELIEVABLE || time > now {
            return Err(format!("{time} is before the year 2000 or in the future"));
        }
        let channel = names
            .channel(sample.channel)
            .ok_or_else(|| "one of its channels is not in the history any more".to_owned())?;
        lines.push(SampleLine {
            station: Cow::Borrowed(&channel.station),
            channel: Cow::Borrowed(&channel.name),
            value: sample.value.clone(),
            time: Some(time),
            age: None,
            received: None,
            boot: None,
            sequence: None,
            source: None,
            early: false,
        });
    }
    Ok(lines)
}

fn bring(
    importer: &mut Importer<'_>,
    lines: &[SampleLine<'_>],
    write: &mut Write<'_>,
) -> Result<Result<(), String>, String> {
    // Settings may have changed since: all of it has a place, or none goes in.
    for line in lines {
        if let Err(why) = line.place(&importer.property) {
            return Ok(Err(why));
        }
    }
    for line in lines {
        let before = importer.counts.refused;
        if let Err(why) = importer.line(&Line::Sample(line.clone()), write)? {
            importer.counts.refused = before;
            return Ok(Err(why));
        }
    }
    Ok(Ok(()))
}
