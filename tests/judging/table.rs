//! The table as it is printed.

use crate::faults::{Change, Fault};
use crate::intervals::{ninety, number, quantile, rate, share};
use crate::protocol::{Episode, NAMED_WITHIN, Outcome};
use crate::record::Record;
use quality::diagnosis::{CauseGroup, SURE};
use quality::neighbours::{Kind, Limits};

/// What stands above the rows.
pub(crate) const HEAD: &str =
    "\nfault         found %         median/p90 h            right %         size (10..90 %)";

/// What was opened in the untouched year.
pub(crate) fn false_alarms(record: &Record, limits: &Limits, episodes: &[Episode]) {
    let learning = limits.warm * 24;
    let mut counts = [0_usize; 2];
    let mut hours = [0_usize; 2];
    for hour in learning..record.hours.len() {
        hours[usize::from(record.calendar(hour).month % 2)] += 1;
    }
    for episode in episodes.iter().filter(|e| e.opened >= learning) {
        let at = record.calendar(episode.opened);
        let suspicion = &episode.suspicion;
        counts[usize::from(at.month % 2)] += 1;
        println!(
            "  {:02}-{:02} {:02}h {} {} {:?} {}size {:+.2} score {:.1} confidence {:.2} to {:.2} for {} h",
            at.month,
            at.day,
            at.hour,
            suspicion.station.map_or("-", |s| record.names[s].as_str()),
            suspicion.quantity.name(),
            suspicion.kind,
            episode.charted.map_or(String::new(), |c| format!("({}) ", c.word())),
            suspicion.size.unwrap_or(f64::NAN),
            suspicion.score,
            suspicion.confidence,
            episode.surest,
            episode.closed.min(record.hours.len()) - episode.opened,
        );
    }
    for early in episodes.iter().filter(|e| e.opened < learning) {
        println!("  while learning, hour {}: {}", early.opened, early.cause().word());
    }
    let early: Vec<f64> =
        episodes.iter().filter(|e| e.opened < learning).map(|e| e.suspicion.confidence).collect();
    println!(
        "in the {} days of learning: {}, the surest with confidence {:.2}",
        limits.warm,
        early.len(),
        early.iter().copied().fold(0.0, f64::max)
    );
    let months = hours.map(|h| record.sites.len() as f64 * h as f64 / 730.5);
    println!(
        "false alarms, all tests, a station-month [95 %]: even months {} of {:.1}; odd months {} of {:.1}",
        rate(counts[0], months[0]),
        months[0],
        rate(counts[1], months[1]),
        months[1]
    );
    let told = episodes.iter().filter(|e| e.opened >= learning);
    let notices = told.filter(|e| e.surest >= SURE).count();
    println!("of these with confidence {SURE} or more, which would be a notice: {notices}");
}

/// How often the first that was told is of the right group of causes.
#[derive(Default)]
pub(crate) struct Causes {
    right: usize,
    told: usize,
    unknown: usize,
}

impl Causes {
    /// Counts the outcomes of one fault.
    pub(crate) fn add(&mut self, fault: &Fault, outcomes: &[Outcome]) {
        self.add_groups(fault, outcomes.iter().filter_map(|o| o.cause));
    }

    fn add_groups(&mut self, fault: &Fault, groups: impl Iterator<Item = CauseGroup>) {
        let wanted = fault.cause().group();
        for group in groups {
            if group == CauseGroup::Unknown {
                self.unknown += 1;
            } else {
                self.told += 1;
                self.right += usize::from(group == wanted);
            }
        }
    }

    /// Of what was told first, and of what stands some days later.
    fn of(fault: &Fault, outcomes: &[Outcome]) -> [Self; 2] {
        let (mut first, mut standing) = (Self::default(), Self::default());
        first.add(fault, outcomes);
        standing.add_groups(fault, outcomes.iter().filter_map(|o| o.stands));
        [first, standing]
    }

    fn share(&self) -> String {
        share(self.right, self.told)
    }

    /// Prints the share of all faults.
    pub(crate) fn print(&self) {
        println!(
            "cause group told first, all faults: right {} of {}, not known {}",
            self.share(),
            self.told,
            self.unknown
        );
    }
}

/// Prints the row of one fault.
pub(crate) fn print_row(fault: &Fault, outcomes: &[Outcome]) {
    let delays: Vec<f64> = outcomes.iter().map(|o| o.delay).collect();
    let found = delays.iter().filter(|d| d.is_finite()).count();
    let told = outcomes.iter().filter(|o| o.right.is_some()).count();
    let right = outcomes.iter().filter(|o| o.right == Some(true)).count();
    let mut more = String::new();
    let sizes = |later: bool| -> Vec<f64> {
        let hits = outcomes.iter().filter_map(|o| o.hit.as_ref());
        hits.filter_map(|hit| {
            if later { hit.later.unwrap_or(hit.suspicion).size } else { hit.suspicion.size }
        })
        .collect()
    };
    let spread = |sizes: &[f64]| {
        let [low, middle, high] = [0.1, 0.5, 0.9].map(|q| quantile(sizes, q));
        format!("{middle:.2} ({low:.2}..{high:.2})")
    };
    match fault.kind {
        Kind::Offset => {
            more = format!("{}, 10 days on {}", spread(&sizes(false)), spread(&sizes(true)));
            if let Some(size) = fault.size() {
                let told = |later: bool| {
                    let hits = outcomes.iter().filter_map(|o| o.hit.as_ref());
                    let words = hits.map(|hit| {
                        if later { hit.later.unwrap_or(hit.suspicion) } else { hit.suspicion }
                    });
                    let apart: Vec<f64> =
                        words.filter_map(|s| Some((s.size? - size).abs() / s.error?)).collect();
                    let held = apart.iter().filter(|errors| **errors <= 1.96).count();
                    (share(held, apart.len()), quantile(&apart, 0.95))
                };
                let (first, then) = (told(false), told(true));
                more = format!(
                    "{more}, interval right {}, then {} (95 % within {:.1} and {:.1} errors)",
                    first.0, then.0, first.1, then.1
                );
            }
        }
        Kind::Clock => {
            let wanted = match fault.change {
                Change::Late(by) | Change::PressureLate(by) => f64::from(by),
                _ => 0.0,
            };
            let sizes = sizes(false);
            let right = sizes.iter().filter(|s| (**s - wanted).abs() < 0.5).count();
            more = format!("lag right {}", share(right, sizes.len()));
        }
        Kind::Blocked => {
            let rains: Vec<f64> =
                outcomes.iter().map(|o| o.rain).filter(|r| r.is_finite()).collect();
            more = format!(
                "rain missed: median {:.1} p90 {:.1} mm",
                quantile(&rains, 0.5),
                quantile(&rains, 0.9)
            );
        }
        Kind::Stuck => {}
    }
    let same = outcomes.iter().filter(|o| o.elsewhere.is_some_and(|e| e.0)).count();
    let other = outcomes.iter().filter(|o| o.elsewhere.is_some_and(|e| !e.0)).count();
    if fault.condition() {
        let soon = outcomes.iter().filter(|o| o.named <= NAMED_WITHIN as f64).count();
        more = format!("{more}; condition named in 30 days {}", share(soon, outcomes.len()));
        let high: Vec<&Outcome> = outcomes.iter().filter(|o| o.high_sun).collect();
        let soon = high.iter().filter(|o| o.named <= NAMED_WITHIN as f64).count();
        more = format!("{more}, begun from April to August {}", share(soon, high.len()));
    }
    let [first, standing] = Causes::of(fault, outcomes);
    println!(
        "{:12}  {:14}  {:>6} / {:16} {:15} {more}; group {}, standing {}; else: same station {same}, other {other}",
        fault.name,
        share(found, outcomes.len()),
        number(quantile(&delays, 0.5)),
        ninety(&delays),
        share(right, told),
        first.share(),
        standing.share(),
    );
}
