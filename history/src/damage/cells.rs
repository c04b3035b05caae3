//! Log records and blocks in bare pages: rows of two tables of the same form, a number,
//! five integers and a body, and for a block of version 3 whether it is of a week.
//!
//! A row of a table lies in a leaf page as a cell: payload length, row number, and the
//! payload, which is a list of column types and the columns; what does not fit goes on
//! in a chain of overflow pages (SQLite documentation, "Database File Format", 1.6 and
//! 2). Here every place in a page is tried as the start of a cell, because a damaged
//! page's own list of cells proves nothing; the checksum does.

use crate::block::Block;
use crate::noticed::in_its_place;
use crate::record::Row;
use observation::Time;

/// Pages by number, possibly several of one number, best first.
pub(crate) trait Pages {
    fn page(&self, number: u32, choice: usize) -> Option<Vec<u8>>;
}

/// A row that its checksum proves.
pub(crate) enum Found {
    /// Of the log.
    Record(Row, Vec<u8>),
    /// Of the blocks.
    Block(Block, Vec<u8>),
}

/// No packed record is longer.
const LONGEST: u64 = 64 << 20;

fn varint(bytes: &[u8], at: &mut usize) -> Option<u64> {
    let mut number = 0_u64;
    for place in 0..9 {
        let byte = *bytes.get(*at)?;
        *at += 1;
        if place == 8 {
            return Some((number << 8) | u64::from(byte));
        }
        number = (number << 7) | u64::from(byte & 0x7f);
        if byte < 0x80 {
            return Some(number);
        }
    }
    None
}

/// A column that is no such row's.
struct Foreign;

/// A column that holds an integer or nothing.
fn integer(kind: u64, bytes: &[u8], at: &mut usize) -> Result<Option<i64>, Foreign> {
    let length = match kind {
        0 => return Ok(None),
        8 | 9 => return Ok(Some((kind - 8).cast_signed())),
        1 => 1,
        2 => 2,
        3 => 3,
        4 => 4,
        5 => 6,
        6 => 8,
        _ => return Err(Foreign),
    };
    let part = bytes.get(*at..*at + length).ok_or(Foreign)?;
    *at += length;
    let negative = part.first().is_some_and(|b| *b >= 0x80);
    let start = if negative { -1_i64 } else { 0 };
    Ok(Some(part.iter().fold(start, |number, byte| (number << 8) | i64::from(*byte))))
}

/// Calls `found` for every record and block that begins in `page`.
pub(crate) fn rows_in(page: &[u8], pages: &dyn Pages, found: &mut dyn FnMut(Found)) {
    for start in 0..page.len() {
        if let Some(row) = row_at(page, start, pages) {
            found(row);
        }
    }
}

fn row_at(page: &[u8], start: usize, pages: &dyn Pages) -> Option<Found> {
    let mut at = start;
    let length = varint(page, &mut at)?;
    if !(16..=LONGEST).contains(&length) {
        return None;
    }
    let number = varint(page, &mut at)?;
    let payload = page.get(at..)?;
    let length = usize::try_from(length).ok()?;
    // Before anything is gathered, the list of types must be a row's.
    types(payload, length)?;
    if length <= page.len() - 35 {
        return row(number, payload.get(..length)?);
    }
    (0..2).find_map(|choice| row(number, &gather(page.len(), payload, length, pages, choice)?))
}

/// A column that is 0 or 1 is told by its type alone and takes no bytes.
const NOUGHT: u64 = 8;
const ONE: u64 = 9;

/// The types of the five integers and the body, where the columns begin, and whether a last
/// one is 1.
fn types(payload: &[u8], length: usize) -> Option<([u64; 6], usize, bool)> {
    let mut at = 0;
    let head = usize::try_from(varint(payload, &mut at)?).ok()?;
    if !(8..=24).contains(&head) || varint(payload, &mut at)? != 0 {
        return None;
    }
    let mut kinds = [0; 6];
    for kind in &mut kinds {
        *kind = varint(payload, &mut at)?;
    }
    let [.., body] = kinds;
    let blob = body >= 12 && body % 2 == 0 && ((body - 12) / 2) as usize <= length;
    let more = if at < head { varint(payload, &mut at)? } else { NOUGHT };
    (blob && at == head && matches!(more, NOUGHT | ONE)).then_some((kinds, head, more == ONE))
}

fn row(number: u64, payload: &[u8]) -> Option<Found> {
    let (kinds, mut at, week) = types(payload, payload.len())?;
    let mut columns = [None; 5];
    for (column, kind) in columns.iter_mut().zip(kinds) {
        *column = integer(kind, payload, &mut at).ok()?;
    }
    let [.., body] = kinds;
    let length = ((body - 12) / 2) as usize;
    let body = payload.get(at..)?;
    // Exactly as long as it says; and then the checksum, which settles it.
    if body.len() != length || number == 0 {
        return None;
    }
    if let Some(row) = record(number, columns).filter(|row| row.open(body).is_ok()) {
        return Some(Found::Record(row, body.to_vec()));
    }
    let block = block(columns, week)?;
    (in_its_place(number.cast_signed(), &block) && block.fits(body))
        .then(|| Found::Block(block, body.to_vec()))
}

fn record(number: u64, [kind, received, walked, first, last]: [Option<i64>; 5]) -> Option<Row> {
    Some(Row {
        number,
        kind: u8::try_from(kind?).ok()?,
        received: Time(received?),
        walked: Time(walked?),
        first: first.map(Time),
        last: last.map(Time),
    })
}

fn block([station, day, revision, lowest, highest]: [Option<i64>; 5], week: bool) -> Option<Block> {
    Some(Block {
        station: u32::try_from(station?).ok()?,
        day: day?,
        week,
        revision: u32::try_from(revision?).ok()?,
        lowest: lowest?.cast_unsigned(),
        highest: highest?.cast_unsigned(),
    })
}

/// Puts a payload together from its first part and its overflow pages.
fn gather(
    size: usize,
    first: &[u8],
    length: usize,
    pages: &dyn Pages,
    choice: usize,
) -> Option<Vec<u8>> {
    let least = (size - 12) * 32 / 255 - 23;
    let fitting = least + (length - least) % (size - 4);
    let local = if fitting <= size - 35 { fitting } else { least };
    let (here, rest) = first.split_at_checked(local)?;
    let mut payload = here.to_vec();
    let mut next = u32::from_be_bytes(*rest.first_chunk()?);
    while payload.len() < length {
        let page = pages.page(next, choice)?;
        let (link, data) = page.split_first_chunk::<4>()?;
        next = u32::from_be_bytes(*link);
        payload.extend_from_slice(data.get(..data.len().min(length - payload.len()))?);
        if data.is_empty() {
            return None;
        }
    }
    Some(payload)
}
