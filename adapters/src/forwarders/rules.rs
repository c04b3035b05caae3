//! The keys that every kind of forwarder has: which readings it wants, how they are
//! packed and how long they may wait.

use super::checks::Checks;
use super::outgoing::{Origin, Outgoing};
use config::Lapse;
use observation::{Flag, Property, Quantity, Span};
use std::time::Duration;

/// Which readings a forwarder wants and how it is fed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Rules {
    /// Flags wanted, by number.
    pub flags: [bool; 6],
    /// Stations wanted; none for all.
    pub stations: Option<Vec<String>>,
    /// Quantities wanted; none for all.
    pub quantities: Option<Vec<Quantity>>,
    /// Whether it gets corrections of what was delivered long ago.
    pub corrections: bool,
    /// Whether new readings go first while a backlog is worked off.
    pub live_first: bool,
    /// Most readings in one attempt.
    pub batch: usize,
    /// Longest wait for the answer to one piece.
    pub timeout: Duration,
    /// Most readings a second while catching up; none for no limit.
    pub catch_up_rate: Option<u32>,
    /// What waited longer than this is given up.
    pub backlog_age: Span,
    /// When more readings than this wait, the oldest are given up.
    pub backlog_readings: u64,
    /// Readings whose own time lies further back than this when their turn comes are
    /// given up; none for no limit.
    pub oldest_reading: Option<Span>,
}

impl Rules {
    /// For each series whether it is wanted.
    pub fn series(&self, origin: &Origin) -> Vec<bool> {
        origin
            .series
            .iter()
            .map(|name| {
                self.stations.as_ref().is_none_or(|s| s.contains(&name.series.station))
                    && self.quantities.as_ref().is_none_or(|q| q.contains(&name.series.quantity))
            })
            .collect()
    }

    /// Whether a reading is wanted; `series` is what [`Self::series`] gave.
    pub fn wants(&self, series: &[bool], reading: &Outgoing) -> bool {
        let reading = &reading.reading;
        series.get(reading.series.0 as usize).copied().unwrap_or(false)
            && self.flags.get(usize::from(reading.flag.number())).copied().unwrap_or(false)
    }
}

/// What a kind chooses where the settings say nothing.
#[derive(Clone, Copy, Debug)]
pub(super) struct Usual {
    /// Most readings in one attempt.
    pub(super) batch: usize,
    /// Whether only what counts as a value is wanted: for a form that cannot say how far
    /// a value may be trusted.
    pub(super) counting_only: bool,
    /// Whether new readings may go first.
    pub(super) may_be_live: bool,
}

/// The keys as the settings give them.
#[derive(Clone, Debug, Default)]
pub(super) struct Told {
    pub(super) flags: Option<Vec<String>>,
    pub(super) stations: Option<Vec<String>>,
    pub(super) quantities: Option<Vec<String>>,
    pub(super) corrections: Option<bool>,
    pub(super) live_first: Option<bool>,
    pub(super) batch: Option<u32>,
    pub(super) timeout: Option<Lapse>,
    pub(super) catch_up_rate: Option<u32>,
    pub(super) backlog_age: Option<Lapse>,
    pub(super) backlog_readings: Option<u64>,
    pub(super) oldest_reading: Option<Lapse>,
}

/// Declares the options of a kind with the keys of [`Told`] added; unknown keys denied.
macro_rules! options {
    (
        $(#[$meta:meta])*
        struct $name:ident {
            $( $(#[$field_meta:meta])* $field:ident: $type:ty, )*
        }
    ) => {
        $(#[$meta])*
        #[derive(Debug, serde::Deserialize)]
        #[serde(deny_unknown_fields)]
        struct $name {
            $( $(#[$field_meta])* $field: $type, )*
            /// Flags wanted.
            flags: Option<Vec<String>>,
            /// Stations wanted.
            stations: Option<Vec<String>>,
            /// Quantities wanted.
            quantities: Option<Vec<String>>,
            /// Whether corrections are wanted.
            corrections: Option<bool>,
            /// Whether new readings go before a backlog.
            live_first: Option<bool>,
            /// Most readings in one attempt, 1 to 20,000.
            batch: Option<u32>,
            /// Longest wait for one answer, 1 s to 10 min; default 30 s.
            timeout: Option<config::Lapse>,
            /// Most readings a second while catching up.
            catch_up_rate: Option<u32>,
            /// Longest wait in the backlog, from 1 min; default 31 d.
            backlog_age: Option<config::Lapse>,
            /// Largest backlog in readings; default 20,000,000.
            backlog_readings: Option<u64>,
            /// Readings older than this are not sent.
            oldest_reading: Option<config::Lapse>,
        }

        impl $name {
            fn told(&self) -> $crate::forwarders::rules::Told {
                $crate::forwarders::rules::Told {
                    flags: self.flags.clone(),
                    stations: self.stations.clone(),
                    quantities: self.quantities.clone(),
                    corrections: self.corrections,
                    live_first: self.live_first,
                    batch: self.batch,
                    timeout: self.timeout,
                    catch_up_rate: self.catch_up_rate,
                    backlog_age: self.backlog_age,
                    backlog_readings: self.backlog_readings,
                    oldest_reading: self.oldest_reading,
                }
            }
        }
    };
}
pub(super) use options;

const DEFAULT_TIMEOUT: Duration = Duration::from_secs(30);
const DEFAULT_AGE: Span = Span::days(31);
const DEFAULT_READINGS: u64 = 20_000_000;
const LARGEST_BATCH: u32 = 20_000;

impl Told {
    /// Checks the keys and fills in what is usual.
    pub(super) fn rules(
        &self,
        checks: &mut Checks<'_>,
        property: &Property,
        usual: Usual,
    ) -> Rules {
        let flags = self.flags(checks, usual);
        for (at, id) in self.stations.iter().flatten().enumerate() {
            if property.station(id).is_none() {
                let ids = property.stations.iter().map(|s| s.id.as_str());
                let message = format!("there is no station `{id}`");
                checks.fault(&["stations", &at.to_string()], &message, &meant(id, ids));
            }
        }
        let quantities = self.quantities(checks);
        if self.live_first == Some(true) && !usual.may_be_live {
            checks.fault(
                &["live_first"],
                "this kind of receiver needs the readings in their order",
                "take the key out",
            );
        }
        if self.batch.is_some_and(|b| b == 0 || b > LARGEST_BATCH) {
            checks.fault(&["batch"], "one attempt carries 1 to 20,000 readings", "");
        }
        let timeout = self.timeout.map_or(DEFAULT_TIMEOUT, Lapse::duration);
        if timeout < Duration::from_secs(1) || timeout > Duration::from_secs(600) {
            checks.fault(&["timeout"], "an answer may take 1 s to 10 min", "");
        }
        if self.catch_up_rate == Some(0) {
            checks.fault(&["catch_up_rate"], "nothing would ever be caught up", "take the key out");
        }
        let backlog_age = self.backlog_age.map_or(DEFAULT_AGE, |l| l.0);
        if backlog_age < Span::minutes(1) {
            checks.fault(&["backlog_age"], "a backlog is kept for at least 1 min", "");
        }
        if self.backlog_readings == Some(0) {
            checks.fault(&["backlog_readings"], "a backlog holds at least one reading", "");
        }
        let batch = self.batch.map_or(usual.batch, |b| b as usize);
        Rules {
            flags,
            stations: self.stations.clone(),
            quantities,
            corrections: self.corrections.unwrap_or(false),
            live_first: self.live_first.unwrap_or(false),
            batch,
            timeout,
            catch_up_rate: self.catch_up_rate,
            backlog_age,
            backlog_readings: self.backlog_readings.unwrap_or(DEFAULT_READINGS),
            oldest_reading: self.oldest_reading.map(|l| l.0),
        }
    }

    fn flags(&self, checks: &mut Checks<'_>, usual: Usual) -> [bool; 6] {
        let Some(words) = &self.flags else {
            return Flag::ALL.map(|f| !usual.counting_only || f.counts());
        };
        for (at, word) in words.iter().enumerate() {
            if !Flag::ALL.iter().any(|f| f.word() == word) {
                checks.fault(
                    &["flags", &at.to_string()],
                    &format!("`{word}` is no flag"),
                    &format!("flags are: {}", Flag::ALL.map(Flag::word).join(", ")),
                );
            }
        }
        Flag::ALL.map(|f| words.iter().any(|w| w == f.word()))
    }

    fn quantities(&self, checks: &mut Checks<'_>) -> Option<Vec<Quantity>> {
        let words = self.quantities.as_ref()?;
        let mut known = Vec::new();
        for (at, word) in words.iter().enumerate() {
            if let Some(quantity) = Quantity::parse(word) {
                known.push(quantity);
            } else {
                let names = Quantity::ALL.iter().map(|q| q.name());
                let message = format!("there is no quantity `{word}`");
                checks.fault(&["quantities", &at.to_string()], &message, &meant(word, names));
            }
        }
        Some(known)
    }
}

fn meant<'a>(word: &str, names: impl Iterator<Item = &'a str> + Clone) -> String {
    config::nearest(word, names).map_or_else(String::new, |near| format!("did you mean `{near}`?"))
}
