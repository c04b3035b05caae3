//! What else could be done with the columns of values: blocks of a week or of thirty days
//! instead of a day, and other ways of the compressor. Nothing but the columns is packed
//! here, one of each series and span, then laid into a table of SQLite as the blocks are:
//! one row a station and span.
//!
//! Real minutes of many days are those of `bsrn-lr0100-pay0616.dat` (sdist of pvlib
//! 0.16.1, `tests/data/`): June 2016, the mean of each minute.
//!
//! As a bound stands beside them what an ideal arithmetic coder needs that knows of each
//! difference nothing but how large the last ones were: a logistic density whose width
//! follows their mean size with a memory of 32, no table, no header (J. Rissanen, Universal
//! coding, information, prediction, and estimation, 1984: the length of a predictive code
//! is the sum of -log2 of the probabilities told beforehand).

use crate::history_size::{START, commit, filled, merge, opened, pages_of_blocks, reading, seal};
use crate::measured::Station;
use history::weeks::monday;
use history::{History, Selection};
use observation::time::{DAY, MINUTE};
use observation::{SeriesIndex, Span, Time};
use pco::data_types::Number;
use pco::standalone::{simple_compress, simple_decompress_into};
use pco::{ChunkConfig, DeltaSpec, ModeSpec};
use rusqlite::Connection;
use std::time::Instant;

const DAY_MINUTES: usize = 1_440;

/// A way of packing a column.
type Way = (&'static str, fn(&[i64]) -> Vec<u8>);

fn with(numbers: &[i64], configuration: &ChunkConfig) -> Vec<u8> {
    fn narrow<T: Number + TryFrom<i64>>(
        numbers: &[i64],
        configuration: &ChunkConfig,
    ) -> Option<Vec<u8>> {
        let narrow: Vec<T> = numbers.iter().map(|&n| T::try_from(n).ok()).collect::<Option<_>>()?;
        simple_compress(&narrow, configuration).ok()
    }
    if let [first, rest @ ..] = numbers
        && rest.iter().all(|n| n == first)
    {
        return vec![0; 4];
    }
    narrow::<i16>(numbers, configuration)
        .or_else(|| narrow::<i32>(numbers, configuration))
        .expect("values of 32 bits")
}

fn default(numbers: &[i64]) -> Vec<u8> {
    with(numbers, &ChunkConfig::default())
}

fn highest(numbers: &[i64]) -> Vec<u8> {
    with(numbers, &ChunkConfig::default().with_compression_level(12))
}

fn least(numbers: &[i64], ways: &[DeltaSpec]) -> Vec<u8> {
    ways.iter()
        .map(|way| with(numbers, &ChunkConfig::default().with_delta_spec(way.clone())))
        .min_by_key(Vec::len)
        .unwrap_or_default()
}

fn orders(numbers: &[i64]) -> Vec<u8> {
    use DeltaSpec::{NoOp, TryConsecutive};
    least(numbers, &[NoOp, TryConsecutive(1), TryConsecutive(2)])
}

fn looked_back(numbers: &[i64]) -> Vec<u8> {
    use DeltaSpec::{NoOp, TryConsecutive, TryLookback};
    least(numbers, &[NoOp, TryConsecutive(1), TryConsecutive(2), TryLookback])
}

fn convolved(numbers: &[i64]) -> Vec<u8> {
    use DeltaSpec::{NoOp, TryConsecutive, TryConv1};
    least(numbers, &[NoOp, TryConsecutive(1), TryConsecutive(2), TryConv1(6)])
}

/// What blocks do: orders 0 to 2, and the same in the column's own step.
fn stepped(numbers: &[i64]) -> Vec<u8> {
    let mut step = 0;
    for pair in numbers.windows(2) {
        let mut rest = pair[1].abs_diff(pair[0]);
        while rest != 0 {
            (step, rest) = (rest, step % rest);
        }
    }
    let plain = orders(numbers);
    if step < 2 {
        return plain;
    }
    [DeltaSpec::NoOp, DeltaSpec::TryConsecutive(1), DeltaSpec::TryConsecutive(2)]
        .into_iter()
        .map(|delta| {
            let mode = ModeSpec::TryIntMult(step);
            with(numbers, &ChunkConfig::default().with_delta_spec(delta).with_mode_spec(mode))
        })
        .chain([plain])
        .min_by_key(Vec::len)
        .unwrap_or_default()
}

const WAYS: [Way; 6] = [
    ("as the compressor chooses", default),
    ("the same, highest level", highest),
    ("differences of order 0, 1, 2", orders),
    ("or looked back", looked_back),
    ("or convolved, order 6", convolved),
    ("order 0, 1, 2, in own steps", stepped),
];

/// Values of one series in spans of so many days.
fn spans(steps: &[Option<i64>], days: usize) -> impl Iterator<Item = Vec<i64>> + '_ {
    steps.chunks(days * DAY_MINUTES).map(|part| part.iter().flatten().copied().collect())
}

/// Bytes in the file of rows with these bodies.
fn in_file(bodies: &[usize]) -> f64 {
    let file = tempfile::NamedTempFile::new().expect("a file");
    let connection = Connection::open(file.path()).expect("a database");
    connection
        .execute_batch("CREATE TABLE block (number INTEGER PRIMARY KEY, a, b, c, d, e, body BLOB)")
        .expect("a table");
    let pages = || -> i64 {
        let sql = "SELECT page_count * page_size FROM pragma_page_count, pragma_page_size";
        connection.query_row(sql, [], |r| r.get(0)).expect("a size")
    };
    for (number, &length) in (1_i64..).zip(bodies) {
        connection
            .prepare_cached("INSERT INTO block VALUES (?1, 1, 20000, 0, 1000000, 1001440, ?2)")
            .and_then(|mut s| s.execute((number, vec![7_u8; length])))
            .expect("a row");
    }
    pages() as f64
}

/// Bytes a reading of an ideal coder that follows the size of the differences.
fn followed(steps: &[i64]) -> f64 {
    let logistic = |x: f64| 1.0 / (1.0 + (-x).exp());
    let (mut size, mut bits) = (1.0_f64, 32.0);
    for pair in steps.windows(2) {
        let difference = (pair[1] - pair[0]) as f64;
        // The mean size of a logistic deviate is 2 ln 2 of its width.
        let width = (size / (2.0 * 2_f64.ln())).max(0.08);
        let chance = logistic((difference + 0.5) / width) - logistic((difference - 0.5) / width);
        bits -= (chance * 0.999 + 1e-3 / 65_536.0).log2();
        size += (difference.abs() - size) / 32.0;
    }
    bits / 8.0
}

fn decoding(packed: &[(Vec<u8>, usize)]) -> f64 {
    let started = Instant::now();
    let mut count = 0;
    for (bytes, length) in packed {
        let mut out = vec![0_i16; *length];
        if simple_decompress_into(bytes, &mut out).is_ok() {
            count += length;
        }
    }
    started.elapsed().as_secs_f64() * 1e9 / count.max(1) as f64
}

fn of(stations: &[Station]) {
    let count: usize =
        stations.iter().flat_map(|s| &s.columns).map(|c| c.steps.iter().flatten().count()).sum();
    let days = stations[0].columns[0].steps.len().div_ceil(DAY_MINUTES);
    println!(
        "{} and {} more: {count} readings of {} series each in {days} days",
        stations[0].name,
        stations.len() - 1,
        stations[0].columns.len()
    );
    println!("| span | way | bytes a reading | in the file | packing | unpacking |");
    println!("|---|---|---|---|---|---|");
    for span in [1, 7, 30] {
        if span > days {
            continue;
        }
        for (name, way) in WAYS {
            let started = Instant::now();
            let (mut bodies, mut packed) = (Vec::new(), Vec::new());
            for station in stations {
                let mut station_bodies = vec![0; days.div_ceil(span)];
                for column in &station.columns {
                    for (place, numbers) in spans(&column.steps, span).enumerate() {
                        if numbers.is_empty() {
                            continue;
                        }
                        let bytes = way(&numbers);
                        station_bodies[place] += bytes.len() + 8;
                        packed.push((bytes, numbers.len()));
                    }
                }
                bodies.append(&mut station_bodies);
            }
            let packing = started.elapsed().as_secs_f64() * 1e9 / count as f64;
            let bytes: usize = bodies.iter().sum();
            println!(
                "| {span} d | {name} | {:.3} | {:.3} | {packing:.0} ns a reading | {:.1} ns a reading |",
                bytes as f64 / count as f64,
                in_file(&bodies) / count as f64,
                decoding(&packed)
            );
        }
    }
    let bound: f64 = stations
        .iter()
        .flat_map(|s| &s.columns)
        .map(|c| followed(&c.steps.iter().flatten().copied().collect::<Vec<_>>()))
        .sum();
    println!(
        "an ideal coder that follows the size of the differences: {:.3}",
        bound / count as f64
    );
}

/// The share of a column that a linear function of another column's differences foretells
/// is taken off each column before it is packed, in blocks of a day: bytes a reading so and
/// without.
fn joint(station: &Station) {
    let (mut alone, mut together, mut count) = (0, 0, 0);
    for (place, column) in station.columns.iter().enumerate() {
        let days = column.steps.len().div_ceil(DAY_MINUTES);
        for day in 0..days {
            let part = |steps: &[Option<i64>]| -> Option<Vec<i64>> {
                steps.chunks(DAY_MINUTES).nth(day)?.iter().copied().collect()
            };
            let Some(own) = part(&column.steps) else { continue };
            count += own.len();
            let plain = stepped(&own).len();
            alone += plain;
            let best = station.columns[..place]
                .iter()
                .filter_map(|other| Some(residual(&own, &part(&other.steps)?)))
                .map(|rest| stepped(&rest).len() + 9)
                .min();
            together += best.map_or(plain, |b| b.min(plain));
        }
    }
    println!(
        "{}: each column alone {:.3}, less what another column foretells {:.3} bytes a reading",
        station.name,
        f64::from(u32::try_from(alone).expect("a count")) / count as f64,
        f64::from(u32::try_from(together).expect("a count")) / count as f64
    );
}

fn residual(own: &[i64], other: &[i64]) -> Vec<i64> {
    let differences = |v: &[i64]| v.windows(2).map(|w| (w[1] - w[0]) as f64).collect::<Vec<_>>();
    let (a, b) = (differences(own), differences(other));
    let product: f64 = a.iter().zip(&b).map(|(a, b)| a * b).sum();
    let square: f64 = b.iter().map(|b| b * b).sum();
    let slope = if square > 0.0 { product / square } else { 0.0 };
    own.iter().zip(other).map(|(a, b)| a - (slope * *b as f64).round() as i64).collect()
}

/// Days of the history that is asked in days and in weeks.
const DAYS: i64 = 364;

/// Bytes handed to the device and milliseconds, until all is in the database.
fn written(history: &mut History, change: impl FnOnce(&mut History)) -> (f64, f64) {
    history.tend(true).expect("room");
    let before = history.written_bytes();
    let started = Instant::now();
    change(history);
    let took = started.elapsed().as_secs_f64() * 1e3;
    history.tend(true).expect("room");
    ((history.written_bytes() - before) as f64, took)
}

/// A reading of the first station so many minutes after the start, come at the end; its day
/// sealed again. Bytes and milliseconds of the sealing alone.
fn late(history: &mut History, minute: i64, end: Time) -> (f64, f64) {
    let time = START + Span(minute * MINUTE + 7);
    commit(history, end, &[reading(0, time, 1_234)]);
    written(history, |history| {
        let day = time.utc_day();
        assert_eq!(history.seal(day).expect("a sealed day").blocks, 1);
    })
}

/// What questions cost with blocks of a week instead of a day, and what it costs to make
/// them of the blocks of days.
fn weeks() {
    let folder = tempfile::tempdir().expect("a folder");
    let stations: Vec<Station> =
        (0..5).map(|n| crate::measured::invented(n, DAYS as usize)).collect();
    let mut history = opened(folder.path(), stations.len(), &stations[0].columns);
    let count = filled(&mut history, &stations, START) as f64;
    let end = START + Span(DAYS * DAY);
    seal(&mut history, end + Span(DAY));
    let of = |series: std::ops::Range<u32>, from: i64, days: i64| Selection {
        series: series.map(SeriesIndex).collect(),
        ..Selection::between(START + Span(from * DAY), START + Span((from + days) * DAY))
    };
    let asked: [(&str, Selection, bool); 7] = [
        ("a day of one series", of(0..1, 200, 1), false),
        ("a week of one series", of(0..1, 200, 7), false),
        ("a year of one series", of(0..1, 0, DAYS), false),
        ("a year of six series of a station", of(0..6, 0, DAYS), false),
        ("a day of all 60 series in the order of time", of(0..60, 200, 1), true),
        ("a year of a station's 12 series in the order of time", of(0..12, 0, DAYS), true),
        ("a year of all 60 series in the order of time", of(0..60, 0, DAYS), true),
    ];
    let ask = |history: &History| -> Vec<f64> {
        asked
            .iter()
            .map(|(_, selection, ordered)| {
                crate::history_size::median(|| assert!(told(history, selection, *ordered) > 1_400))
            })
            .collect()
    };
    let day_bytes = pages_of_blocks(folder.path());
    let by_day = ask(&history);
    let late_day = late(&mut history, 100 * 1_440, end);
    let mut blocks = 0;
    let merged = written(&mut history, |history| blocks = merge(history, end));
    let week_bytes = pages_of_blocks(folder.path());
    let by_week = ask(&history);
    let late_week = late(&mut history, 150 * 1_440, end);
    let again = written(&mut history, |history| {
        let week = monday((START + Span(150 * DAY)).utc_day());
        assert!(history.merge(week).expect("a week").is_some());
    });
    println!("| five stations, 60 series, {DAYS} days | blocks of a day | of a week | ratio |");
    println!("|---|---|---|---|");
    for (((what, ..), one), seven) in asked.iter().zip(by_day).zip(by_week) {
        println!("| {what} | {one:.3} ms | {seven:.3} ms | {:.2} |", seven / one);
    }
    let (one, seven) = (day_bytes / count, week_bytes / count);
    println!("| bytes a reading, in whole pages | {one:.3} | {seven:.3} | {:.2} |", seven / one);
    for (what, one, seven) in [
        ("written for a late reading", late_day.0, late_week.0 + again.0),
        ("time for it", late_day.1 * 1e3, (late_week.1 + again.1) * 1e3),
    ] {
        let unit = if what.starts_with("time") { "ms" } else { "kB" };
        println!(
            "| {what} | {:.0} {unit} | {:.0} {unit} | {:.1} |",
            one / 1e3,
            seven / 1e3,
            seven / one
        );
    }
    println!(
        "{blocks} weeks merged: {:.1} ms each; {:.3} MB written for a day of all five stations",
        merged.1 / f64::from(blocks),
        merged.0 / f64::from(blocks) * 5.0 / 7.0 / 1e6
    );
}

fn told(history: &History, selection: &Selection, ordered: bool) -> usize {
    if ordered {
        crate::history_size::asked(history, selection)
    } else {
        crate::history_size::asked_by_series(history, selection)
    }
}

/// Prints the tables.
pub(crate) fn measure() {
    weeks();
    for station in &crate::measured::open_data() {
        of(std::slice::from_ref(station));
        joint(station);
    }
    let invented: Vec<Station> = (0..5).map(|n| crate::measured::invented(n, 28)).collect();
    of(&invented);
}
