//! Days of invented weather, some of them sealed, made anew: with the settings they were
//! made with nothing changes; with a corrected calibration exactly what `replay` makes of
//! the samples with it, from its date on, and nothing before.

use super::{apply, remake};
use crate::commands::export;
use crate::commands::replay::tests::{START, Weather, open, replayed, settings};
use history::{Entry, Reader, Remade};
use observation::time::{DAY, MINUTE};
use observation::{Message, Span, Time};
use serde_json::Value;
use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

/// Three days with late samples, the finished ones sealed.
fn lived(folder: &Path, seed: u64) -> config::Settings {
    let settings = settings(folder);
    let property = Arc::new(settings.property.clone());
    let mut weather = Weather::new(&property, seed);
    let mut core = open(&settings, &property, folder);
    let mut now = START;
    let end = START + Span::days(3);
    let mut random = fastrand::Rng::with_seed(seed);
    while now < end {
        now = now + Span(random.i64(0..6 * MINUTE));
        let message = weather.message(now);
        core.take(Message { received: now, ..message }, Duration::ZERO).unwrap();
        if random.u8(0..4) == 0 {
            core.commit().unwrap();
            core.committed();
        }
    }
    core.walk(now);
    core.commit().unwrap();
    core.committed();
    core.save_state().unwrap();
    for day in core.history.look().days_to_seal(now.utc_day()).unwrap() {
        core.history.seal(day).unwrap();
    }
    assert!(core.history.look().block_bytes().unwrap().1 >= 6);
    settings
}

fn reader(settings: &config::Settings) -> Reader {
    let series = crate::engine::restart::series(settings);
    let directory = &settings.history.directory;
    Reader::open(directory, &settings.property, &series, &["push".to_owned()]).unwrap()
}

/// Makes `[from, to)` anew; what was replaced, and on how many days.
fn reprocess(settings: &config::Settings, from: Option<Time>, to: Option<Time>) -> (Remade, u64) {
    let property = Arc::new(settings.property.clone());
    let mut core = open(settings, &property, settings.history.directory.parent().unwrap());
    let reader = reader(settings);
    let (mut sum, mut days) = (Remade::default(), 0);
    remake(&reader, settings, (from, to), &mut |_| Ok(()), &mut |day, readings| {
        let remade = apply(&mut core.history, &property, day, &readings).unwrap();
        sum.readings += remade.readings;
        sum.series += remade.series;
        days += u64::from(remade.readings > 0);
        Ok(())
    })
    .unwrap();
    (sum, days)
}

/// Value and revision of each reading.
fn readings(lines: &str) -> BTreeMap<String, (Value, u64)> {
    lines
        .lines()
        .filter_map(|line| {
            let mut line: Value = serde_json::from_str(line).unwrap();
            if line.get("diagnosis").is_some() {
                return None;
            }
            let object = line.as_object_mut().unwrap();
            let (value, revision) =
                (object.remove("value").unwrap(), object.remove("revision").unwrap());
            object.remove("flag");
            object.remove("reasons");
            Some((line.to_string(), (value, revision.as_u64().unwrap())))
        })
        .collect()
}

fn time_of(key: &str) -> Time {
    let key: Value = serde_json::from_str(key).unwrap();
    Time::parse(key["time"].as_str().unwrap()).unwrap()
}

#[test]
fn with_the_same_settings_nothing_is_made_anew() {
    let long = std::env::var("ISOBARN_TESTS_LONG").is_ok_and(|l| l == "yes");
    for seed in 1..=if long { 8 } else { 1 } {
        let folder = tempfile::tempdir().unwrap();
        let settings = lived(folder.path(), seed);
        let before = export::everything(&reader(&settings), &settings.property, false).unwrap();
        assert_eq!(reprocess(&settings, None, None), (Remade::default(), 0), "seed {seed}");
        let after = export::everything(&reader(&settings), &settings.property, false).unwrap();
        assert!(before == after, "seed {seed}");
    }
}

#[test]
fn with_a_corrected_calibration_only_what_it_touches_changes_and_as_replay_says() {
    let folder = tempfile::tempdir().unwrap();
    let old = lived(folder.path(), 5);
    let before = export::everything(&reader(&old), &old.property, false).unwrap();
    let samples = export::everything(&reader(&old), &old.property, true).unwrap();
    // Some hours into the second day: a day of which only a part changes.
    let from = Time((START.utc_day() + 1) * DAY) + Span::hours(5);
    let path = folder.path().join("isobarn.toml");
    let text = std::fs::read_to_string(&path).unwrap();
    let corrected = format!("depth = \"0.25 mm\" }}, {{ from = \"{from}\", depth = \"0.2 mm\" }}]");
    let new = text.replace("depth = \"0.25 mm\" }]", &corrected);
    assert_ne!(new, text);
    std::fs::write(&path, new).unwrap();
    let settings = config::load_without_secrets(&path, &[]).unwrap_or_else(|f| panic!("{f}"));
    let to = from + Span::hours(30);
    let (sum, days) = reprocess(&settings, Some(from), Some(to));
    println!("{} readings of {} series and days, {days} days", sum.readings, sum.series);
    assert_eq!(days, 2);

    let expected = readings(&replayed(&settings, &samples));
    let stood = readings(std::str::from_utf8(&before).unwrap());
    let after = export::everything(&reader(&settings), &settings.property, false).unwrap();
    let stands = readings(std::str::from_utf8(&after).unwrap());
    assert_eq!(stands.len(), stood.len());
    let mut changed = 0;
    for (key, (value, revision)) in &stands {
        let (old, old_revision) = &stood[key];
        let time = time_of(key);
        if time < from || time >= to || value == old {
            assert_eq!((value, revision), (old, old_revision), "{key}");
        } else {
            assert_eq!(*value, expected[key].0, "{key}");
            assert!(revision > old_revision, "{key}");
            assert!(key.contains("precipitation") || key.contains("rainfall"), "{key}");
            changed += 1;
        }
        if time >= from && time < to {
            assert_eq!(*value, expected[key].0, "{key}");
        }
    }
    assert_eq!(changed, sum.readings);
    assert!(changed > 20, "{changed}");

    // The log says so, once a series and day.
    let told = reader(&settings)
        .look()
        .records(1)
        .filter(|r| matches!(r.as_ref().unwrap().entry, Entry::Revised(_)))
        .count();
    assert_eq!(told as u64, sum.series);
    // Done once, nothing is left to be done; sealing again loses nothing.
    assert_eq!(reprocess(&settings, Some(from), Some(to)), (Remade::default(), 0));
    let property = Arc::new(settings.property.clone());
    let mut core = open(&settings, &property, folder.path());
    let last = core.history.last().unwrap().received.utc_day();
    for day in core.history.look().days_to_seal(last + 1).unwrap() {
        core.history.seal(day).unwrap();
    }
    drop(core);
    let sealed = export::everything(&reader(&settings), &settings.property, false).unwrap();
    assert!(sealed == after);
    assert!(reader(&settings).look().verify(&mut |_| ()).unwrap().is_empty());
}
