//! Sealed history: bytes a reading, against plain rows of the same readings in SQLite;
//! and how long questions take at the size of years.
//!
//! With `ISOBARN_OPEN_DATA` naming a folder that holds `surfrad-slv16001.dat` and
//! `midc_raw_20181018.txt`, a day each, and `bsrn-lr0100-pay0616.dat`, a month (from the
//! sdist of pvlib 0.16.1, `tests/data/`), those are measured too. The generated year is invented weather with the noise of small
//! instruments; ten years are the year times ten.

use crate::measured::{Column, Station};
use history::weeks::monday;
use history::{Batch, History, Options, Selection};
use observation::time::{DAY, MINUTE};
use observation::{Flag, Property, Reading, Reasons, Series, SeriesIndex, Span, Statistic, Time};
use std::ops::ControlFlow;
use std::path::Path;
use std::time::Instant;

pub(crate) const START: Time = Time(1_735_689_600_000);
pub(crate) const STATIONS: usize = 5;

fn property(stations: usize) -> Property {
    let mut property = Property::default();
    for n in 0..stations {
        property.stations.push(crate::measured::station(&format!("station{n}")));
    }
    property.indexed()
}

fn series_of(stations: usize, columns: &[Column]) -> Vec<Series> {
    (0..stations)
        .flat_map(|n| {
            columns.iter().enumerate().map(move |(place, column)| Series {
                station: format!("station{n}"),
                instrument: format!("instrument{place}"),
                quantity: column.quantity,
                statistic: Statistic::Mean,
                over: None,
                period: Some(Span::minutes(1)),
            })
        })
        .collect()
}

pub(crate) fn commit(history: &mut History, received: Time, readings: &[Reading]) {
    let batch = Batch { received, walked: received, messages: &[], readings, set_aside: &[] };
    history.commit(&batch).expect("a commit");
}

pub(crate) fn reading(series: u32, time: Time, value: i64) -> Reading {
    Reading {
        series: SeriesIndex(series),
        time,
        value: Some(value),
        flag: Flag::Good,
        reasons: Reasons::NONE,
        revision: 0,
        made_by: 1,
    }
}

/// Writes days of stations into a history and seals them; readings written.
pub(crate) fn filled(history: &mut History, stations: &[Station], first: Time) -> u64 {
    let columns = stations.first().map_or(0, |s| s.columns.len());
    let minutes = stations.first().and_then(|s| s.columns.first()).map_or(0, |c| c.steps.len());
    let mut count = 0;
    let mut readings = Vec::new();
    for minute in 0..minutes {
        let time = first + Span(minute as i64 * MINUTE);
        for (n, station) in stations.iter().enumerate() {
            for (place, column) in station.columns.iter().enumerate() {
                if let Some(step) = column.steps[minute] {
                    readings.push(reading((n * columns + place) as u32, time, step));
                }
            }
        }
        // An hour a record: the log is not what is measured here.
        if minute % 60 == 59 || minute + 1 == minutes {
            count += readings.len() as u64;
            commit(history, time + Span(5_000), &readings);
            readings.clear();
        }
    }
    count
}

pub(crate) fn seal(history: &mut History, end: Time) {
    for day in history.look().days_to_seal(end.utc_day()).expect("days") {
        history.seal(day).expect("a sealed day");
    }
}

/// Merges the weeks up to `end`, as the service does with those that are over long enough;
/// how many blocks that made.
pub(crate) fn merge(history: &mut History, end: Time) -> u32 {
    let mut made = 0;
    let first = monday(START.utc_day());
    for week in (first..monday(end.utc_day())).step_by(7) {
        while history.merge(week).expect("a week").is_some() {
            made += 1;
        }
    }
    made
}

pub(crate) fn opened(folder: &Path, stations: usize, columns: &[Column]) -> History {
    let options = Options { ballast: 0, ..Options::at(START) };
    let (mut history, _) = History::open(folder, &options).expect("a history");
    let series = series_of(stations, columns);
    history.register(START, &property(stations), &series, &[]).expect("names");
    history
}

/// Bytes a reading of a table with one row a reading, as one would make it plainly.
fn plain_rows(folder: &Path, stations: &[Station], first: Time) -> f64 {
    let connection = rusqlite::Connection::open(folder.join("plain.sqlite3")).expect("a database");
    connection
        .execute_batch(
            "PRAGMA journal_mode=OFF; PRAGMA synchronous=OFF;
             CREATE TABLE reading (series INTEGER NOT NULL, time INTEGER NOT NULL, value REAL, flag INTEGER NOT NULL); BEGIN;",
        )
        .expect("a table");
    let mut count = 0_u64;
    let minutes = stations[0].columns[0].steps.len();
    {
        let mut insert =
            connection.prepare("INSERT INTO reading VALUES (?1, ?2, ?3, 0)").expect("a statement");
        for minute in 0..minutes {
            for (n, station) in stations.iter().enumerate() {
                for (place, column) in station.columns.iter().enumerate() {
                    if let Some(step) = column.steps[minute] {
                        let value =
                            step as f64 / 10_f64.powi(i32::from(column.quantity.decimals()));
                        insert
                            .execute((
                                (n * 64 + place) as i64,
                                first.0 + minute as i64 * MINUTE,
                                value,
                            ))
                            .expect("a row");
                        count += 1;
                    }
                }
            }
        }
    }
    connection.execute_batch("COMMIT").expect("a commit");
    let bytes: i64 = connection
        .query_row(
            "SELECT page_count * page_size FROM pragma_page_count, pragma_page_size",
            [],
            |r| r.get(0),
        )
        .expect("a size");
    bytes as f64 / count as f64
}

/// Pages that the blocks take in the file, their own and those of their overflow.
pub(crate) fn pages_of_blocks(folder: &Path) -> f64 {
    let connection =
        rusqlite::Connection::open(folder.join("history.sqlite3")).expect("a database");
    let bytes: Vec<i64> = connection
        .prepare("SELECT length(body) FROM block")
        .and_then(|mut s| s.query_map([], |r| r.get(0)).and_then(Iterator::collect))
        .expect("lengths");
    // A row's overflow takes whole pages of 4,092 bytes; what stays in the leaf is counted
    // as it is, with 40 bytes for its columns.
    bytes
        .iter()
        .map(
            |&n| {
                if n > 4_000 {
                    ((n + 40) as f64 / 4_092.0).ceil() * 4_096.0
                } else {
                    n as f64 + 40.0
                }
            },
        )
        .sum()
}

/// Bytes a reading that a code made for just these values would need, the code itself not
/// counted: of each series the entropy of its values or of their differences, whichever
/// is less (C. E. Shannon, A Mathematical Theory of Communication, 1948, section 6).
fn entropy(station: &Station) -> f64 {
    fn bits(values: &[i64]) -> f64 {
        let mut counts = std::collections::HashMap::new();
        for value in values {
            *counts.entry(value).or_insert(0_u32) += 1;
        }
        let all = values.len() as f64;
        counts.values().map(|&n| -f64::from(n) * (f64::from(n) / all).log2()).sum()
    }
    let (mut sum, mut count) = (0.0, 0);
    for column in &station.columns {
        let values: Vec<i64> = column.steps.iter().flatten().copied().collect();
        let differences: Vec<i64> = values.windows(2).map(|w| w[1] - w[0]).collect();
        sum += bits(&values).min(bits(&differences));
        count += values.len();
    }
    sum / f64::from(u32::try_from(count).expect("a count")) / 8.0
}

pub(crate) fn median(mut f: impl FnMut()) -> f64 {
    let times = (0..15)
        .map(|_| {
            let started = Instant::now();
            f();
            started.elapsed().as_secs_f64() * 1e3
        })
        .collect();
    super::measure::median(times)
}

pub(crate) fn asked(history: &History, selection: &Selection) -> usize {
    let mut walk = history.look().walk(selection).expect("readings");
    let mut count = 0;
    while let Some(part) = walk.next_part().expect("readings") {
        count += part.len();
    }
    count
}

/// The same series by series.
pub(crate) fn asked_by_series(history: &History, selection: &Selection) -> usize {
    let mut count = 0;
    let whole = history.look().by_series(selection, &mut |_, run| {
        count += run.len();
        ControlFlow::Continue(())
    });
    assert!(whole.expect("readings"));
    count
}

/// The same blocks read and decoded, and nothing else: no late readings, no order, no
/// revisions.
fn bare(history: &History, selection: &Selection) -> usize {
    let look = history.look();
    let series = look.names().all_series().map(|(index, _)| index);
    let series =
        if selection.series.is_empty() { series.collect() } else { selection.series.clone() };
    let mut count = 0;
    look.each_sealed(&Selection { series, ..selection.clone() }, &mut |_, run| count += run.len())
        .expect("readings");
    count
}

pub(crate) fn measure() {
    let temporary = tempfile::tempdir().expect("a folder");
    for station in crate::measured::open_data() {
        let folder = temporary.path().join(&station.name);
        std::fs::create_dir_all(&folder).expect("a folder");
        let mut history = opened(&folder, 1, &station.columns);
        let stations = [station];
        let count = filled(&mut history, &stations, START);
        seal(&mut history, START + Span(40 * DAY));
        merge(&mut history, START + Span(40 * DAY));
        let body = history.look().block_bytes().expect("bytes").0;
        history.close().expect("an end");
        let plain = plain_rows(&folder, &stations, START);
        let paged = pages_of_blocks(&folder) / count as f64;
        println!(
            "real {}: {count} readings of {} series: {:.3} bytes a reading, {paged:.3} in whole pages (goal 0.6), {:.3} by entropy; plain rows {plain:.1}; ratio {:.0} (goal 40)",
            stations[0].name,
            stations[0].columns.len(),
            body as f64 / count as f64,
            entropy(&stations[0]),
            plain / paged
        );
    }
    let days =
        std::env::var("ISOBARN_BENCHMARK_DAYS").ok().and_then(|s| s.parse().ok()).unwrap_or(365);
    let folder = temporary.path().join("year");
    std::fs::create_dir_all(&folder).expect("a folder");
    let stations: Vec<Station> =
        (0..STATIONS).map(|n| crate::measured::invented(n as u64, days)).collect();
    let columns = stations[0].columns.len();
    let mut history = opened(&folder, STATIONS, &stations[0].columns);
    let started = Instant::now();
    let count = filled(&mut history, &stations, START);
    let end = START + Span(days as i64 * DAY);
    let written = started.elapsed();
    let started = Instant::now();
    seal(&mut history, end);
    println!(
        "sealing: {:.0} ms a day of {STATIONS} stations (writing took {:.0} s)",
        started.elapsed().as_secs_f64() * 1e3 / days as f64,
        written.as_secs_f64()
    );
    let started = Instant::now();
    let made = merge(&mut history, end - Span(14 * DAY));
    println!(
        "merging: {:.1} ms a week of a station",
        started.elapsed().as_secs_f64() * 1e3 / f64::from(made)
    );
    history.trim(0, end, u64::MAX).expect("room");
    let (body, blocks) = history.look().block_bytes().expect("bytes");
    let used = history.look().used_bytes().expect("bytes") as f64;
    let pages = pages_of_blocks(&folder);
    println!(
        "invented {days} days of {STATIONS} stations with {columns} series: {count} readings in {blocks} blocks: {:.3} bytes a reading, {:.3} in whole pages; ten years {:.0} MB without raw samples (goal 250)",
        body as f64 / count as f64,
        pages / count as f64,
        used / days as f64 * 3_652.0 / 1e6
    );
    let one = |from: Time, to: Time| Selection {
        series: vec![SeriesIndex(0)],
        ..Selection::between(from, to)
    };
    let middle = START + Span(days as i64 / 2 * DAY);
    let day =
        median(|| assert!(asked_by_series(&history, &one(middle, middle + Span(DAY))) > 1_400));
    let year = median(|| assert!(asked_by_series(&history, &one(START, end)) > 1_000));
    let newest = Selection::between(end - Span(3 * DAY), end - Span(DAY));
    let two = median(|| assert!(asked_by_series(&history, &newest) > 1_000));
    let ordered = median(|| assert!(asked(&history, &newest) > 1_000));
    println!(
        "questions: a day of one series {day:.2} ms (goal 2), {days} days of one series whole {year:.1} ms (goal of a year 20), all stations' 48 h series by series {two:.1} ms (goal 10; {} readings), in the order of time {ordered:.1} ms",
        2 * 1_440 * columns * STATIONS
    );
    for (what, selection, ours) in [
        ("a day of one series", one(middle, middle + Span(DAY)), day),
        ("all days of one series", one(START, end), year),
        ("all stations' 48 h", newest.clone(), two),
        ("all stations' 48 h in the order of time", newest, ordered),
    ] {
        let decoded = median(|| assert!(bare(&history, &selection) > 1_000));
        println!("{what}: {:.2} of reading and decoding the blocks bare (goal 2)", ours / decoded);
    }
}
