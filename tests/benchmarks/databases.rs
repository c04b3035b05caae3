//! The same readings in the history, in plain rows of SQLite and in PostgreSQL: bytes a
//! reading, time to write, and the same questions to each.
//!
//! All three are synced after each hour of readings. SQLite and PostgreSQL keep one row a
//! reading under the key (series, time), without which the questions would read whole
//! tables; values are floating-point numbers there and steps of the quantity here. The
//! history's time includes sealing.

use crate::history_size::{START, STATIONS, filled, opened, seal};
use crate::measure::median;
use crate::measured::Station;
use history::{History, Selection};
use isobarn_tests::peers::postgresql;
use observation::time::{DAY, MINUTE};
use observation::{SeriesIndex, Span, Time};
use std::ops::ControlFlow;
use std::path::Path;
use std::time::Instant;

/// Days of all stations; one station has a year.
const DAYS: usize = 30;
const YEAR: usize = 365;
const POINTS: i64 = 400;
const TIMES: usize = 9;

/// One reading as a row.
#[derive(Clone, Copy)]
struct Row {
    series: i32,
    time: i64,
    value: f64,
}

/// What was measured of one store.
struct Figures {
    name: &'static str,
    bytes: f64,
    write: f64,
    day: f64,
    two_days: f64,
    year: f64,
}

/// The questions, as spans of event time: a day, the newest two, the year.
struct Spans {
    day: (i64, i64),
    two: (i64, i64),
    year: (i64, i64),
}

fn spans() -> Spans {
    let end = START.0 + YEAR as i64 * DAY;
    Spans { day: (end - 10 * DAY, end - 9 * DAY), two: (end - 2 * DAY, end), year: (START.0, end) }
}

fn timed(mut ask: impl FnMut() -> usize, expected: usize) -> f64 {
    median(
        (0..TIMES)
            .map(|_| {
                let started = Instant::now();
                assert_eq!(ask(), expected, "every store gives the same count");
                started.elapsed().as_secs_f64() * 1e3
            })
            .collect(),
    )
}

/// All rows in the order of time, an hour at a time.
fn hours(stations: &[Station], mut each: impl FnMut(&[Row])) {
    let columns = stations[0].columns.len();
    let mut rows = Vec::new();
    for minute in 0..YEAR * 1_440 {
        let time = START.0 + minute as i64 * MINUTE;
        for (n, station) in stations.iter().enumerate() {
            for (place, column) in station.columns.iter().enumerate() {
                if let Some(step) = column.steps[minute] {
                    let value = step as f64 / 10_f64.powi(i32::from(column.quantity.decimals()));
                    rows.push(Row { series: (n * columns + place) as i32, time, value });
                }
            }
        }
        if minute % 60 == 59 {
            each(&rows);
            rows.clear();
        }
    }
}

/// How many readings each question must give.
struct Expected {
    all: usize,
    day: usize,
    two: usize,
    points: usize,
}

fn expected(stations: &[Station]) -> Expected {
    let minutes = |(from, to): (i64, i64)| {
        ((from - START.0) / MINUTE) as usize..((to - START.0) / MINUTE) as usize
    };
    let count = |steps: &[Option<i64>]| steps.iter().flatten().count();
    let spans = spans();
    let all = |range: std::ops::Range<usize>| {
        stations.iter().flat_map(|s| &s.columns).map(|c| count(&c.steps[range.clone()])).sum()
    };
    Expected {
        all: all(minutes(spans.year)),
        day: count(&stations[0].columns[0].steps[minutes(spans.day)]),
        two: all(minutes(spans.two)),
        points: POINTS as usize,
    }
}

fn selected(series: Option<u32>, (from, to): (i64, i64)) -> Selection {
    let series = series.map(SeriesIndex).into_iter().collect();
    Selection { series, ..Selection::between(Time(from), Time(to)) }
}

fn of_history(history: &History, series: Option<u32>, span: (i64, i64)) -> usize {
    let mut walk = history.look().walk(&selected(series, span)).expect("readings");
    let mut count = 0;
    while let Some(part) = walk.next_part().expect("readings") {
        count += part.len();
    }
    count
}

/// Mean, least and greatest of each point of a year.
fn points(history: &History, (from, to): (i64, i64)) -> usize {
    let step = (to - from) / POINTS;
    let mut points: Vec<(i64, i64, i64, i64, i64)> = Vec::new();
    let whole = history.look().by_series(&selected(Some(0), (from, to)), &mut |_, run| {
        for reading in run {
            let Some(value) = reading.value else { continue };
            let at = (reading.time.0 - from) / step;
            match points.last_mut() {
                Some((place, sum, count, least, most)) if *place == at => {
                    (*sum, *count) = (*sum + value, *count + 1);
                    (*least, *most) = (value.min(*least), value.max(*most));
                }
                _ => points.push((at, value, 1, value, value)),
            }
        }
        ControlFlow::Continue(())
    });
    assert!(whole.expect("readings"));
    points.len()
}

fn ours(folder: &Path, stations: &[Station], expected: &Expected) -> Figures {
    let mut history = opened(folder, STATIONS, &stations[0].columns);
    let started = Instant::now();
    assert_eq!(filled(&mut history, stations, START) as usize, expected.all);
    let end = START + Span(YEAR as i64 * DAY);
    seal(&mut history, end);
    let write = started.elapsed().as_secs_f64();
    history.trim(0, end, u64::MAX).expect("room");
    let bytes = history.look().used_bytes().expect("bytes") as f64 / expected.all as f64;
    let spans = spans();
    Figures {
        name: "isobarn",
        bytes,
        write,
        day: timed(|| of_history(&history, Some(0), spans.day), expected.day),
        two_days: timed(|| of_history(&history, None, spans.two), expected.two),
        year: timed(|| points(&history, spans.year), expected.points),
    }
}

fn plain(folder: &Path, stations: &[Station], expected: &Expected) -> Figures {
    let mut connection =
        rusqlite::Connection::open(folder.join("plain.sqlite3")).expect("a database");
    connection
        .execute_batch(
            "PRAGMA journal_mode=WAL; PRAGMA synchronous=FULL;
             CREATE TABLE reading (series INTEGER NOT NULL, time INTEGER NOT NULL, value REAL,
                 flag INTEGER NOT NULL, PRIMARY KEY (series, time)) WITHOUT ROWID;",
        )
        .expect("a table");
    let started = Instant::now();
    hours(stations, |rows| {
        let transaction = connection.transaction().expect("a transaction");
        {
            let mut insert = transaction
                .prepare_cached("INSERT INTO reading VALUES (?1, ?2, ?3, 0)")
                .expect("a statement");
            for row in rows {
                insert.execute((row.series, row.time, row.value)).expect("a row");
            }
        }
        transaction.commit().expect("a commit");
    });
    connection.execute_batch("PRAGMA wal_checkpoint(TRUNCATE)").expect("a checkpoint");
    let write = started.elapsed().as_secs_f64();
    let bytes: i64 = connection
        .query_row(
            "SELECT page_count * page_size FROM pragma_page_count, pragma_page_size",
            [],
            |r| r.get(0),
        )
        .expect("a size");
    let fetch = |text: &str, (from, to): (i64, i64)| -> usize {
        let mut statement = connection.prepare_cached(text).expect("a statement");
        let mut rows = statement.query([from, to]).expect("rows");
        let mut count = 0;
        while let Some(row) = rows.next().expect("a row") {
            let row = Row {
                series: row.get(0).expect("a series"),
                time: row.get(1).expect("a time"),
                value: row.get(2).expect("a value"),
            };
            std::hint::black_box(row);
            count += 1;
        }
        count
    };
    let spans = spans();
    let step = (spans.year.1 - spans.year.0) / POINTS;
    let of_points = format!(
        "SELECT (time - ?1) / {step}, count(*), avg(value), min(value), max(value)
         FROM reading WHERE series = 0 AND time >= ?1 AND time < ?2 GROUP BY 1 ORDER BY 1"
    );
    Figures {
        name: "plain rows in SQLite",
        bytes: bytes as f64 / expected.all as f64,
        write,
        day: timed(
            || {
                fetch(
                    "SELECT series, time, value, flag FROM reading WHERE series = 0 AND time >= ?1 AND time < ?2 ORDER BY time",
                    spans.day,
                )
            },
            expected.day,
        ),
        // Written so that the key serves each series.
        two_days: timed(
            || {
                fetch(
                    "WITH RECURSIVE each(s) AS (SELECT 0 UNION ALL SELECT s + 1 FROM each WHERE s < 59)
                     SELECT series, time, value, flag FROM each CROSS JOIN reading ON series = s
                     WHERE time >= ?1 AND time < ?2 ORDER BY time, series",
                    spans.two,
                )
            },
            expected.two,
        ),
        year: timed(|| fetch(&of_points, spans.year), expected.points),
    }
}

fn postgres(folder: &Path, stations: &[Station], expected: &Expected) -> Figures {
    use futures_util::SinkExt as _;
    let server = postgresql(folder);
    let runtime = crate::service::runtime(1);
    let client = runtime.block_on(async {
        let address = format!(
            "host={} port={} user=weather dbname=postgres",
            server.address.ip(),
            server.address.port()
        );
        let (client, connection) =
            tokio_postgres::connect(&address, tokio_postgres::NoTls).await.expect("a server");
        tokio::spawn(connection);
        client
            .batch_execute(
                "CREATE TABLE reading (series integer NOT NULL, time bigint NOT NULL,
                     value double precision, flag smallint NOT NULL, PRIMARY KEY (series, time))",
            )
            .await
            .expect("a table");
        client
    });
    let started = Instant::now();
    hours(stations, |rows| {
        let mut text = String::new();
        for Row { series, time, value } in rows {
            text.push_str(&format!("{series}\t{time}\t{value}\t0\n"));
        }
        runtime.block_on(async {
            let sink = client.copy_in("COPY reading FROM STDIN").await.expect("a copy");
            futures_util::pin_mut!(sink);
            sink.send(bytes::Bytes::from(text)).await.expect("rows");
            sink.finish().await.expect("rows");
        });
    });
    let write = started.elapsed().as_secs_f64();
    let ask = |text: &str, (from, to): (i64, i64)| -> usize {
        runtime.block_on(async {
            let statement = client.prepare(text).await.expect("a statement");
            let rows = client.query(&statement, &[&from, &to]).await.expect("rows");
            for row in &rows {
                let value: f64 = row.get(2);
                std::hint::black_box(value);
            }
            rows.len()
        })
    };
    runtime.block_on(client.batch_execute("VACUUM ANALYZE reading")).expect("a vacuum");
    let bytes: f64 =
        server.query("SELECT pg_total_relation_size('reading')").trim().parse().expect("a size");
    let spans = spans();
    let step = (spans.year.1 - spans.year.0) / POINTS;
    let of_points = format!(
        "SELECT (time - $1) / {step}, count(*), avg(value), min(value), max(value)
         FROM reading WHERE series = 0 AND time >= $1 AND time < $2 GROUP BY 1 ORDER BY 1"
    );
    Figures {
        name: "PostgreSQL",
        bytes: bytes / expected.all as f64,
        write,
        day: timed(
            || {
                ask(
                    "SELECT series, time, value, flag FROM reading WHERE series = 0 AND time >= $1 AND time < $2 ORDER BY time",
                    spans.day,
                )
            },
            expected.day,
        ),
        two_days: timed(
            || {
                ask(
                    "SELECT series, time, value, flag FROM generate_series(0, 59) AS s
                     JOIN reading ON series = s WHERE time >= $1 AND time < $2 ORDER BY time, series",
                    spans.two,
                )
            },
            expected.two,
        ),
        year: timed(|| ask(&of_points, spans.year), expected.points),
    }
}

/// Prints the table.
pub(crate) fn compare() {
    let stations: Vec<Station> = (0..STATIONS)
        .map(|n| {
            let mut station = crate::measured::invented(n as u64, YEAR);
            for (place, column) in station.columns.iter_mut().enumerate() {
                // All but one series are there for the last days only.
                if n + place > 0 {
                    column.steps[..(YEAR - DAYS) * 1_440].fill(None);
                }
            }
            station
        })
        .collect();
    let expected = expected(&stations);
    println!("{} readings: 60 series of {DAYS} days, one of them of {YEAR}", expected.all);
    println!(
        "| store | bytes a reading | written in | a day of one series | all stations' 48 h | a year at {POINTS} points |"
    );
    println!("|---|---|---|---|---|---|");
    let folder = tempfile::tempdir().expect("a folder");
    for measure in [ours, plain, postgres] {
        let Figures { name, bytes, write, day, two_days, year } =
            measure(folder.path(), &stations, &expected);
        println!(
            "| {name} | {bytes:.2} | {write:.1} s | {day:.2} ms | {two_days:.1} ms | {year:.1} ms |"
        );
    }
}
