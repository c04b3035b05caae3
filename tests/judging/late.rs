//! The slowest injections of a row: what was told meanwhile, and which rule kept evidence
//! beyond its limit from being told.

use crate::intervals::number;
use crate::protocol::Outcome;
use crate::record::Record;

/// Prints so many of the slowest.
pub(crate) fn print(record: &Record, outcomes: &[Outcome], count: usize) {
    let mut slowest: Vec<&Outcome> = outcomes.iter().collect();
    slowest.sort_by(|a, b| b.delay.total_cmp(&a.delay));
    let name = |station: usize| record.names.get(station).map_or("-", String::as_str);
    for outcome in slowest.into_iter().take(count) {
        let late = &outcome.late;
        let at = record.calendar(late.since);
        println!(
            "    {:02}-{:02} {:02}h (hour {}) {}: {} h",
            at.month,
            at.day,
            at.hour,
            late.since,
            name(late.station),
            number(outcome.delay)
        );
        for (episode, natural) in &late.told {
            let said = &episode.suspicion;
            println!(
                "        after {} h told: {} {} {:?} score {:.1}, for {} h{}",
                episode.opened - late.since,
                said.station.map_or("-", name),
                said.quantity.name(),
                said.kind,
                said.score,
                episode.closed.min(record.hours.len()) - episode.opened,
                if *natural { ", natural" } else { "" }
            );
        }
        for (station, quantity, reason, first, hours) in &late.kept_back {
            println!(
                "        from {first} h in {hours} h kept back: {} {}: {reason:?}",
                name(*station),
                quantity.name()
            );
        }
    }
}
