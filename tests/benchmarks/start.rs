//! How long a start takes until everything listens: ten years of blocks with their samples,
//! and two million readings that a receiver which is not there has not had.
//!
//! The history is that of the benchmark of the page, with a day and a bit of records each
//! second behind it; `ISOBARN_BENCHMARK_FOLDER` and `ISOBARN_BENCHMARK_DAYS` as there.

use crate::service::now;
use history::{Batch, Cursor, History, Options};
use isobarn_tests::program::Program;
use observation::time::MINUTE;
use observation::{Flag, Reading, Reasons, SeriesIndex, Time};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Instant;

/// Records that wait, and readings in each.
const RECORDS: i64 = 100_000;
const IN_EACH: u32 = 20;
const STARTS: usize = 5;

/// Writes what waits: a record a second up to now.
fn wait(path: &Path) {
    let settings = config::load_without_secrets(path, &[]).expect("settings without a fault");
    let property = Arc::new(settings.property.clone());
    let processor = processor::Processor::new(Arc::clone(&property), processor::Options::default());
    let series = processor.series().to_vec();
    let begin = Time(now() - RECORDS * 1_000);
    let (mut history, _) =
        History::open(&settings.history.directory, &Options::at(begin)).expect("the history");
    let sources = ["push".to_owned(), "import".to_owned()];
    history.register(begin, &property, &series, &sources).expect("names");
    let cursor = Cursor { delivered: history.next_number() - 1, ..Cursor::default() };
    history.set_cursor("archive", &cursor).expect("a cursor");
    for second in 0..RECORDS {
        let time = Time(begin.0 + second * 1_000);
        let readings: Vec<Reading> = (0..IN_EACH)
            .map(|n| Reading {
                series: SeriesIndex(n % series.len() as u32),
                time,
                value: Some(second % 1_000),
                flag: Flag::Good,
                reasons: Reasons::NONE,
                revision: 0,
                made_by: 1,
            })
            .collect();
        let batch = Batch {
            received: time,
            walked: time,
            messages: &[],
            readings: &readings,
            set_aside: &[],
        };
        history.commit(&batch).expect("a record");
    }
    history.close().expect("an end");
}

pub(crate) fn measure() {
    let days =
        std::env::var("ISOBARN_BENCHMARK_DAYS").ok().and_then(|s| s.parse().ok()).unwrap_or(3_652);
    let temporary = tempfile::tempdir().expect("a folder");
    let kept = std::env::var_os("ISOBARN_BENCHMARK_FOLDER").map(PathBuf::from);
    let folder = kept.unwrap_or_else(|| temporary.path().to_owned());
    std::fs::create_dir_all(&folder).expect("a folder");
    let there = folder.join("history").exists();
    let path = crate::page::write(&folder);
    let text = std::fs::read_to_string(&path).expect("the settings");
    // Nobody listens there.
    let more = "\n[forward.http.archive]\nurl = \"http://127.0.0.1:9/in\"\n";
    std::fs::write(&path, text + more).expect("a folder to write to");
    if !there {
        let end = now() - (RECORDS + 60) * 1_000;
        crate::page::fill(&path, days, end / MINUTE * MINUTE);
        wait(&path);
    }
    let mut times: Vec<f64> = (0..STARTS)
        .map(|_| {
            let started = Instant::now();
            let program = Program::run(&path);
            let took = started.elapsed().as_secs_f64();
            assert_eq!(program.terminate().0, Some(0));
            took
        })
        .collect();
    let first = times.first().copied().unwrap_or_default();
    times.sort_by(f64::total_cmp);
    let size = std::fs::metadata(folder.join("history/history.sqlite3")).map_or(0, |m| m.len());
    println!(
        "start with {days} days of history, {:.0} MB, and {} readings that wait: ready after {:.2} s (the first time {first:.2} s, the longest {:.2} s; goal 5 s)",
        size as f64 / 1e6,
        RECORDS * i64::from(IN_EACH),
        times[STARTS / 2],
        times[STARTS - 1]
    );
}
