//! Hours, days, months and years instead of readings.

use super::{Asked, Trouble};
use crate::arguments::Format;
use crate::{digest, normals};
use history::{ReadError, Reader};
use observation::days::{DayKind, Division};
use observation::{Property, Span, Time};
use std::io::Write;

/// How far back summaries reach where nothing is said.
const USUAL: Span = Span::days(31);

pub(super) fn print(
    reader: &Reader,
    property: &Property,
    asked: &Asked<'_>,
    by: (Division, Option<DayKind>),
    output: &mut impl Write,
) -> Result<(), Trouble> {
    let look = reader.look();
    let last = look.last().map_err(Trouble::Read)?;
    let walked = last.map_or(Time(0), |last| last.walked);
    let to = asked.to.unwrap_or(walked);
    let question = digest::Asked {
        station: asked.station.map(str::to_owned),
        quantity: asked.quantity,
        series: Vec::new(),
        division: by.0,
        kind: by.1,
        from: asked.from.unwrap_or(to - USUAL),
        to,
    };
    let rows = digest::rows(&look, property, &question, walked, None).map_err(told)?;
    let csv = (asked.format == Format::Csv).then_some(digest::CSV_HEADING);
    write(&rows, csv, digest::Row::csv, digest::Row::object, output)
}

/// Own normals by month.
pub(super) fn print_normals(
    reader: &Reader,
    property: &Property,
    asked: &Asked<'_>,
    output: &mut impl Write,
) -> Result<(), Trouble> {
    let look = reader.look();
    let last = look.last().map_err(Trouble::Read)?;
    let walked = last.map_or(Time(0), |last| last.walked);
    let rows =
        normals::rows(&look, property, asked.station, asked.quantity, walked).map_err(told)?;
    let csv = (asked.format == Format::Csv).then_some(normals::CSV_HEADING);
    write(&rows, csv, normals::Row::csv, normals::Row::object, output)
}

/// Writes rows: as CSV under its heading where one is given, else as one object a line.
fn write<R>(
    rows: &[R],
    heading: Option<&str>,
    csv: impl Fn(&R, &mut Vec<u8>),
    object: impl Fn(&R, &mut Vec<u8>),
    output: &mut impl Write,
) -> Result<(), Trouble> {
    let mut text = heading.unwrap_or_default().as_bytes().to_vec();
    for row in rows {
        if heading.is_some() {
            csv(row, &mut text);
        } else {
            object(row, &mut text);
            text.push(b'\n');
        }
    }
    output.write_all(&text).map_err(Trouble::Output)
}

fn told(trouble: digest::Trouble) -> Trouble {
    Trouble::Read(match trouble {
        digest::Trouble::Read(error) => error,
        digest::Trouble::TooMuch => ReadError(
            "this is more than one answer holds; ask for one station or quantity, or a shorter span"
                .to_owned(),
        ),
    })
}
