//! When to commit.
//!
//! The commit interval is an upper bound. A commit is due at once when the interval is
//! zero, when enough waits, for a sender that sleeps, and for a sender that is catching
//! up: one that got its last receipt a moment ago, has something waiting again, and has
//! sent much more lately than its stations' intervals ask for. A sender that waits for
//! each receipt before it speaks again can never send much while the interval holds it
//! back; it is known by doing so several times in a row, one message a receipt, and a few
//! receipts are given at once to find out, ever more rarely to who does not answer them
//! so. A broker that has no more than so many messages under way is known by its silence
//! at that number: while it fills them again right after its receipts it works off what
//! it held back, and is committed at once when they are full. Whoever waits for an answer
//! to a request is not kept waiting longer than [`LONGEST_REQUEST`].

mod reason;
mod sender;
#[cfg(test)]
mod tests;

pub use reason::Reason;

use observation::{Property, Span, StationIndex};
use sender::{Asked, LATELY, Sender};
use std::collections::BTreeMap;
use std::time::Duration;

/// Samples after which a commit is due whatever the interval.
pub const MOST_SAMPLES: u64 = 4_096;
/// Bytes after which a commit is due whatever the interval.
pub const MOST_BYTES: u64 = 1 << 20;
/// Longest wait of a sample that is owed the answer to a request: 1.5 s less the time
/// that the commit itself may take.
pub const LONGEST_REQUEST: Duration = Duration::from_millis(1_400);
/// Senders that said nothing for this long are forgotten.
const FORGET: Duration = Duration::from_secs(60);
/// Receipts in a row, each followed soon by one message and no more, after which a
/// sender is taken to wait for each. Steady traffic that happens to look like this stops
/// doing so as soon as its receipts come at once.
const STREAK: u32 = 5;
/// Commits at once that may be tried on a sender that is not known yet, and how long it
/// takes until one more may be: 2,880 a day at most. Without them the first receipts of
/// a backlog would each wait for the interval.
const TRIES: u32 = 100;
const ONE_MORE_TRY: Duration = Duration::from_secs(30);
/// A try is made when the sender said nothing more for so long, or for one and a half times
/// its stations' spacing where that is less than the interval: who says more does not wait
/// for each receipt.
const SAID_ALL: Duration = Duration::from_millis(20);

/// What waits and since when.
#[derive(Debug)]
pub struct Pacing {
    interval: Duration,
    stations: Vec<Asked>,
    /// Few at a time: found faster in order than by a hash that strangers cannot guess.
    senders: BTreeMap<u64, Sender>,
    swept: Duration,
    tries: u32,
    tries_since: Duration,
    /// When the last message of this sender is committed to see whether it waits for that.
    trial: Option<(Duration, u64)>,
    since: Option<Duration>,
    samples: u64,
    bytes: u64,
    request: bool,
    /// Why a commit is due at once, if one is.
    urgent: Option<Reason>,
    stopping: bool,
}

impl Pacing {
    /// Nothing waits.
    pub fn new(property: &Property, interval: Duration) -> Self {
        let mut stations: Vec<Asked> = property
            .stations
            .iter()
            .map(|s| Asked { samples: 0.0, spacing: duration(s.interval), sleeps: s.sleeps })
            .collect();
        for (index, channel) in (0_u32..).zip(&property.channels) {
            let place = usize::from(channel.station.0);
            let Some(declared) = property.stations.get(place) else { continue };
            let interval = property
                .instruments
                .iter()
                .filter(|i| i.channel.0 == index)
                .map(|i| i.interval)
                .min()
                .unwrap_or(declared.interval);
            if let Some(station) = stations.get_mut(place) {
                // Slower than once in ten seconds still means one now and then.
                station.samples += (LATELY as f64 / interval.as_seconds().max(0.001)).max(1.0);
                station.spacing = station.spacing.min(duration(interval));
            }
        }
        Self {
            interval,
            stations,
            senders: BTreeMap::new(),
            swept: Duration::ZERO,
            tries: TRIES,
            tries_since: Duration::ZERO,
            trial: None,
            since: None,
            samples: 0,
            bytes: 0,
            request: false,
            urgent: None,
            stopping: false,
        }
    }

    /// From now on everything is committed at once: the program stops.
    pub fn hurry(&mut self) {
        self.interval = Duration::ZERO;
        self.stopping = true;
    }

    /// Something waits to be committed, such as readings of a minute.
    pub fn waits(&mut self, now: Duration) {
        self.since.get_or_insert(now);
    }

    /// A sender handed over a message of a station. `request` says that an answer is
    /// waited for.
    pub fn arrived(
        &mut self,
        now: Duration,
        sender: u64,
        station: StationIndex,
        samples: usize,
        bytes: usize,
        request: bool,
    ) {
        self.since.get_or_insert(now);
        self.samples += samples as u64;
        self.bytes += bytes as u64;
        self.request |= request;
        let Some(&asked) = self.stations.get(usize::from(station.0)) else { return };
        if asked.sleeps {
            self.urgent.get_or_insert(Reason::Sleeper);
        }
        let known = self.senders.entry(sender).or_insert_with(|| Sender::new(now));
        known.message(now, station, asked, samples);
        if known.is_catching_up(now) {
            self.urgent.get_or_insert(Reason::CatchingUp);
        }
        if self.trial.is_some_and(|(_, tried)| tried == sender) {
            known.trying(false);
            self.trial = None;
            self.tries += 1;
        } else if known.may_be_tried(now) {
            let more = now.saturating_sub(self.tries_since).as_secs() / ONE_MORE_TRY.as_secs();
            if more > 0 {
                self.tries =
                    TRIES.min(self.tries.saturating_add(u32::try_from(more).unwrap_or(TRIES)));
                self.tries_since = now;
            }
            let soon = self.urgent.is_some() || self.trial.is_some();
            if !soon && self.tries > 0 && self.interval > Duration::ZERO {
                self.tries -= 1;
                let silent = known.spacing.saturating_mul(3) / 2;
                let wait = if silent < self.interval { silent.max(SAID_ALL) } else { SAID_ALL };
                self.trial = Some((now + wait, sender));
                known.trying(true);
            }
        }
    }

    /// Whether a commit is due now.
    pub fn due(&self, now: Duration) -> bool {
        self.deadline().is_some_and(|deadline| deadline <= now)
    }

    /// Whether so much waits that nothing more should be taken before the commit.
    pub const fn full(&self) -> bool {
        self.samples >= MOST_SAMPLES || self.bytes >= MOST_BYTES
    }

    /// When the next commit is due; none if nothing waits.
    pub fn deadline(&self) -> Option<Duration> {
        let since = self.since?;
        if self.full() || self.urgent.is_some() {
            return Some(since);
        }
        let wait = if self.request { self.interval.min(LONGEST_REQUEST) } else { self.interval };
        let trial = self.trial.map_or(Duration::MAX, |(at, _)| at);
        Some((since + wait).min(trial))
    }

    /// Why a commit that is made now is made.
    pub fn reason(&self, now: Duration) -> Reason {
        if self.stopping {
            return Reason::Stop;
        }
        if self.full() {
            return Reason::Full;
        }
        if let Some(reason) = self.urgent {
            return reason;
        }
        match self.since {
            Some(since) if now >= since + self.interval => Reason::Interval,
            Some(_) if self.trial.is_some_and(|(at, _)| now >= at) => Reason::Trial,
            Some(_) if self.due(now) => Reason::Request,
            _ => Reason::Other,
        }
    }

    /// A commit was made; `senders` are those that get a receipt now.
    pub fn committed(&mut self, now: Duration, senders: impl Iterator<Item = u64>) {
        self.since = None;
        self.samples = 0;
        self.bytes = 0;
        self.request = false;
        self.urgent = None;
        self.trial = None;
        for sender in senders {
            if let Some(known) = self.senders.get_mut(&sender) {
                known.receipt(now);
            }
        }
        if now.saturating_sub(self.swept) > FORGET {
            self.swept = now;
            let oldest = now.saturating_sub(FORGET).as_secs();
            self.senders.retain(|_, s| s.second >= oldest);
        }
    }
}

fn duration(span: Span) -> Duration {
    Duration::from_millis(u64::try_from(span.0).unwrap_or(0))
}
