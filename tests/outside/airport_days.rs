//! The days of three airports over a year (open data, see `airports.py`) as the program
//! itself tells them: `replay` makes readings of the hourly temperatures, they are put into
//! a history, and `export` sums them up. Against pandas' own grouping of the same file.

use crate::airports::rows;
use history::{Batch, History, Options};
use isobarn_tests::program::{command, export};
use observation::reading::to_steps;
use observation::{Flag, Property, Reading, Reasons, Series, SeriesIndex, Span, Time};
use serde_json::Value;
use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::sync::Arc;

const STATIONS: [&str; 3] = ["EWR", "JFK", "LGA"];

fn settings(folder: &Path) -> PathBuf {
    let mut text = format!(
        "[property]\nname = \"Three airports\"\nlatitude = 40.7\nlongitude = -73.9\n\
         elevation = \"5 m\"\ntime_zone = \"America/New_York\"\n\
         [history]\ndirectory = \"{}\"\n",
        folder.join("history").display()
    );
    for id in STATIONS {
        let _ = write!(
            text,
            "[[station]]\nid = \"{id}\"\ninterval = \"1 h\"\n\
             [[station.instrument]]\nid = \"screen\"\nchannel = \"t\"\n\
             quantity = \"air_temperature\"\nunit = \"[degF]\"\n"
        );
    }
    let path = folder.join("isobarn.toml");
    std::fs::write(&path, text).expect("a folder to write to");
    path
}

/// The readings that `replay` makes of the hours.
fn readings(
    folder: &Path,
    settings: &Path,
    rows: &[Vec<String>],
    series: &[Series],
) -> Vec<Reading> {
    let mut lines = String::new();
    for row in rows.iter().filter(|row| row[0] == "temp") {
        let seconds: i64 = row[2].parse().expect("seconds");
        let time = Time(seconds * 1000);
        let received = time + Span::seconds(2);
        let _ = writeln!(
            lines,
            "{{\"time\":\"{time}\",\"received\":\"{received}\",\"station\":\"{}\",\
             \"channel\":\"t\",\"value\":{}}}",
            row[1], row[3]
        );
    }
    let input = folder.join("hours.jsonl");
    std::fs::write(&input, lines).expect("a file");
    let [settings, input] = [settings, &input].map(|path| path.to_str().expect("a plain path"));
    let output = command(&["replay", "--config", settings, "--input", input, "--final"]);
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{said}");
    let text = String::from_utf8(output.stdout).expect("text");
    let of = |line: &str| {
        let line: Value = serde_json::from_str(line).expect("an object");
        let word = |name: &str| line[name].as_str().map(str::to_owned);
        let quantity = word("quantity").filter(|q| q == "air_temperature")?;
        let place = series.iter().position(|s| {
            word("station").as_ref() == Some(&s.station) && s.quantity.name() == quantity
        })?;
        let flag = (0..=u8::MAX).find_map(|n| {
            Flag::from_number(n).filter(|flag| Some(flag.word()) == line["flag"].as_str())
        });
        let decimals = series[place].quantity.decimals();
        Some(Reading {
            series: SeriesIndex(u32::try_from(place).ok()?),
            time: Time::parse(&word("time")?).ok()?,
            value: line["value"].as_f64().and_then(|value| to_steps(value, decimals)),
            flag: flag.expect("a flag"),
            reasons: Reasons::NONE,
            revision: 0,
            made_by: 0,
        })
    };
    text.lines().filter_map(of).collect()
}

fn keep(settings: &Path, property: &Arc<Property>, series: &[Series], readings: &[Reading]) {
    let settings = config::load_without_secrets(settings, &[]).expect("sound settings");
    let start = readings[0].time;
    let (mut history, _) =
        History::open(&settings.history.directory, &Options::at(start)).expect("a history");
    history.register(start, property, series, &[]).expect("names");
    let mut commit = |received: Time, readings: &[Reading]| {
        let batch = Batch { received, walked: received, messages: &[], readings, set_aside: &[] };
        history.commit(&batch).expect("a record");
    };
    for day in readings.chunk_by(|a, b| a.time.utc_day() == b.time.utc_day()) {
        commit(day[day.len() - 1].time + Span::seconds(5), day);
    }
    commit(Time::parse("2014-02-03T00:00:00Z").expect("a time"), &[]);
}

fn objects(text: &str) -> Vec<Value> {
    text.lines().map(|line| serde_json::from_str(line).expect("an object")).collect()
}

#[test]
fn exported_days_and_own_normals_are_those_of_pandas() {
    let rows = rows();
    let folder = tempfile::tempdir().expect("a folder");
    let path = settings(folder.path());
    let property =
        Arc::new(config::load_without_secrets(&path, &[]).expect("sound settings").property);
    let processor = processor::Processor::new(Arc::clone(&property), processor::Options::default());
    let made = readings(folder.path(), &path, &rows, processor.series());
    keep(&path, &property, processor.series(), &made);

    let days = export(
        &path,
        &["--summaries", "day", "--quantity", "air_temperature", "--from", "2013-01-01T00:00:00Z"],
    );
    let days: BTreeMap<(String, String), Value> = objects(&days)
        .into_iter()
        .map(|day| {
            let word = |name: &str| day[name].as_str().expect(name).to_owned();
            ((word("station"), word("date")), day)
        })
        .collect();
    let number = |row: &[String], column: usize| row[column].parse::<f64>().expect("a number");
    let (mut compared, mut doubted, mut means, mut largest) = (0, 0, 0, 0.0_f64);
    for row in rows.iter().filter(|row| row[0] == "local") {
        let day = &days[&(row[1].clone(), row[2].clone())];
        let (hours, count) = (number(row, 3), number(row, 4));
        let left_out = day["left_out"].as_f64().expect("a count");
        assert_eq!(day["expected"].as_f64(), Some(hours), "{row:?}: {day}");
        assert_eq!(day["count"].as_f64().map(|c| c + left_out), Some(count), "{row:?}: {day}");
        if left_out > 0.0 {
            // The program's own checks doubt some hours; pandas does not.
            doubted += 1;
            continue;
        }
        compared += 1;
        for (name, column) in [("minimum", 5), ("maximum", 6)] {
            assert_eq!(day[name].as_f64(), Some(number(row, column)), "{row:?}: {day}");
        }
        assert_eq!(day["mean"].is_null(), count < 0.66 * hours, "{row:?}: {day}");
        if let Some(mean) = day["mean"].as_f64() {
            means += 1;
            largest = largest.max((mean - number(row, 7)).abs());
        }
    }
    assert!(largest <= 0.005 + 1e-9, "means are rounded to 0.01, not {largest}");
    assert!(compared > 1_000 && doubted < 90, "{compared} {doubted}");

    let normals = objects(&export(&path, &["--normals", "--quantity", "air_temperature"]));
    let (mut months, mut most) = (0, 0.0_f64);
    for row in rows.iter().filter(|row| row[0] == "month" && number(row, 3) > 27.0) {
        let own = normals
            .iter()
            .find(|n| {
                n["station"] == row[1].as_str()
                    && n["element"] == "mean"
                    && n["month"].as_f64() == Some(number(row, 2))
            })
            .unwrap_or_else(|| panic!("{row:?}"));
        assert_eq!((&own["years"], &own["of"]), (&1.into(), &1.into()), "{own}");
        months += 1;
        most = most.max((own["value"].as_f64().expect("a mean") - number(row, 4)).abs());
    }
    assert_eq!(months, 36);
    // Doubted hours move a month's mean by a little.
    assert!(most < 0.05, "{most}");
    crate::summary::write(
        "airport-days",
        &format!(
            "{compared} days of three airports as `export --summaries day` tells them after \
             `replay`: lowest and highest equal, {means} means within {largest:.4} K of pandas; \
             {doubted} days with doubted hours left out; {months} own monthly means within {most:.3} K"
        ),
    );
}
