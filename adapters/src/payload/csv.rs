//! Lines of comma-separated values with columns named in the settings (RFC 4180 (2005)
//! for the quotes).

use super::gather::{Gather, Target};
use super::scalar::Scalar;
use super::{Checksum, Decoded, LONGEST_LINE, RESERVED, Reader, Refused, shown, text, within};
use observation::{Property, Refusal, StationIndex};
use std::borrow::Cow;

/// What the columns of a line mean.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Columns {
    station: StationIndex,
    targets: Vec<Option<Target>>,
    separator: char,
    checksum: Checksum,
}

impl Columns {
    /// Names the columns in order: channels, or `time`, `boot`, `sequence`, or an empty
    /// name for a column that is not read. `separator` is one of `,` `;` and tab.
    ///
    /// # Errors
    /// Every name that the station does not have or that stands twice.
    pub fn new(
        property: &Property,
        station: StationIndex,
        names: &[String],
        separator: u8,
        checksum: Checksum,
    ) -> Result<Self, Vec<String>> {
        let mut faults = Vec::new();
        let mut targets: Vec<Option<Target>> = Vec::with_capacity(names.len());
        for name in names {
            let target = match name.as_str() {
                "" => None,
                "time" => Some(Target::Time),
                "boot" => Some(Target::Boot),
                "sequence" => Some(Target::Sequence),
                name => {
                    let channel = property.channel(station, name).map(Target::Channel);
                    if channel.is_none() {
                        faults.push(format!("the station has no channel `{}`", shown(name)));
                    }
                    channel
                }
            };
            if target.is_some() && targets.contains(&target) {
                faults.push(format!("column `{}` stands twice", shown(name)));
            }
            targets.push(target);
        }
        let separator = char::from(separator);
        if !matches!(separator, ',' | ';' | '\t') {
            faults.push("the separator is none of `,`, `;` and tab".to_owned());
        }
        if names.iter().all(|n| n.is_empty() || RESERVED.contains(&n.as_str())) {
            faults.push("no column names a channel".to_owned());
        }
        if faults.is_empty() {
            Ok(Self { station, targets, separator, checksum })
        } else {
            Err(faults)
        }
    }
}

impl Reader {
    /// Reads one line, without its line end. An empty cell is a gap; a blank line is a
    /// message without samples.
    ///
    /// # Errors
    /// One bad cell, or another number of cells, voids the whole line.
    pub fn csv(&self, columns: &Columns, bytes: &[u8]) -> Result<Decoded, Refused> {
        self.cells(columns, bytes).map_err(|refused| refused.of(columns.station))
    }

    fn cells(&self, columns: &Columns, bytes: &[u8]) -> Result<Decoded, Refused> {
        within(bytes, LONGEST_LINE)?;
        let mut gather = Gather::new(self, columns.station);
        let bytes = bytes.strip_suffix(b"\n").unwrap_or(bytes);
        let bytes = bytes.strip_suffix(b"\r").unwrap_or(bytes);
        if bytes.trim_ascii().is_empty() {
            return Ok(gather.finish());
        }
        let body = text(columns.checksum.strip(bytes)?)?;
        let mut rest = Some(body);
        let mut targets = columns.targets.iter();
        let mut count = 0_usize;
        while let Some(line) = rest {
            let (cell, after) = cell(line, columns.separator)?;
            rest = after;
            count += 1;
            if let Some(Some(target)) = targets.next() {
                gather.take(*target, None, &Scalar::untyped(&cell))?;
            }
        }
        if count != columns.targets.len() {
            let why = format!("{count} cells where {} columns are named", columns.targets.len());
            return Err(Refused::new(Refusal::Malformed, why));
        }
        Ok(gather.finish())
    }
}

/// The first cell of a line, and the rest behind its separator if there is one.
fn cell(line: &str, separator: char) -> Result<(Cow<'_, str>, Option<&str>), Refused> {
    let Some(quoted) = line.strip_prefix('"') else {
        return Ok(match line.split_once(separator) {
            Some((cell, rest)) => (Cow::Borrowed(cell), Some(rest)),
            None => (Cow::Borrowed(line), None),
        });
    };
    let malformed = || Refused::new(Refusal::Malformed, "a quoted cell does not end with a quote");
    let mut from = 0;
    loop {
        let at = quoted.get(from..).and_then(|s| s.find('"')).ok_or_else(malformed)? + from;
        let (cell, after) = (&quoted[..at], &quoted[at + 1..]);
        if after.starts_with('"') {
            from = at + 2;
            continue;
        }
        let cell = if cell.contains('"') {
            Cow::Owned(cell.replace("\"\"", "\""))
        } else {
            Cow::Borrowed(cell)
        };
        return match after.strip_prefix(separator) {
            Some(rest) => Ok((cell, Some(rest))),
            None if after.is_empty() => Ok((cell, None)),
            None => Err(malformed()),
        };
    }
}
