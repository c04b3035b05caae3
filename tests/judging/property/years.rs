//! False alarms of many simulated years, each of its own seed: places, weather and
//! instruments are new in each, and no limit was chosen on most of them.

use super::Property;
use crate::intervals::rate;
use crate::protocol;
use quality::diagnosis::SURE;
use quality::neighbours::Limits;
use std::collections::BTreeMap;

/// Prints what was opened in the untouched years of the seeds 1 to `years`.
pub(crate) fn print(count: usize, years: u64, limits: &Limits) {
    let (mut all, mut sure, mut months) = (0, 0, 0.0);
    let mut kinds: BTreeMap<String, (usize, usize)> = BTreeMap::new();
    let learning = limits.warm * 24;
    for seed in 1..=years {
        let record = Property::new(seed, count).record;
        let (episodes, _) = protocol::untouched(&record, limits, &[]);
        months += count as f64 * (record.hours.len() - learning) as f64 / 730.5;
        for episode in episodes.iter().filter(|e| e.opened >= learning) {
            let notice = usize::from(episode.surest >= SURE);
            let kind = kinds.entry(episode.cause().word().to_owned()).or_default();
            (kind.0, kind.1) = (kind.0 + 1, kind.1 + notice);
            (all, sure) = (all + 1, sure + notice);
        }
    }
    println!("{count} stations, {years} years: false alarms a station-month {}", rate(all, months));
    println!(
        "with confidence {SURE} or more: {sure}, a property and season {}",
        rate(sure, 4.0 * years as f64)
    );
    for (cause, (opened, notices)) in kinds {
        println!("  {cause:28}{opened:5}{notices:5}");
    }
}
