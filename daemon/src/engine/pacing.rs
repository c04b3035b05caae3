//! When to commit.
//!
//! The commit interval is an upper bound. A commit is due at once when the interval is
//! zero, when enough waits, for a sender that sleeps, and for a sender that is catching
//! up: one that got its last receipt a moment ago, has something waiting again, and has
//! sent much more lately than its stations' intervals ask for. A sender that waits for
//! each receipt before it speaks again can never send much while the interval holds it
//! back; it is known by doing so several times in a row, one message a receipt, and a few
//! receipts are given at once to find out, ever more rarely to who does not answer them
//! so. Whoever waits for an answer to a request is not kept waiting longer than [`LONGEST_REQUEST`].

use observation::{Property, StationIndex};
use std::collections::BTreeMap;
use std::time::Duration;

/// Samples after which a commit is due whatever the interval.
pub const MOST_SAMPLES: u64 = 4_096;
/// Bytes after which a commit is due whatever the interval.
pub const MOST_BYTES: u64 = 1 << 20;
/// Longest wait of a sample that is owed the answer to a request: 1.5 s less the time
/// that the commit itself may take.
pub const LONGEST_REQUEST: Duration = Duration::from_millis(1_400);
/// A sender that speaks again this soon after its receipt waits for receipts.
const SOON: Duration = Duration::from_millis(100);
/// Senders that said nothing for this long are forgotten.
const FORGET: Duration = Duration::from_secs(60);
/// Receipts in a row, each followed [`SOON`] by one message and no more, after which a
/// sender is taken to wait for each. Steady traffic that happens to look like this stops
/// doing so as soon as its receipts come at once.
const STREAK: u32 = 5;
/// Commits at once that may be tried on a sender that is not known yet, and how long it
/// takes until one more may be: 2,880 a day at most. Without them the first receipts of
/// a backlog would each wait for the interval.
const TRIES: u32 = 100;
const ONE_MORE_TRY: Duration = Duration::from_secs(30);
/// After a try that it did not answer promptly a sender is left alone: twice as long each
/// time, from the first to the second of these.
const PATIENCE: [Duration; 2] = [Duration::from_secs(60), Duration::from_secs(3_600)];
/// Seconds that "lately" is long.
const LATELY: usize = 10;

/// What one sender did lately.
#[derive(Debug)]
struct Sender {
    last_receipt: Option<Duration>,
    /// Messages since the last receipt, and whether the first of them came soon after it.
    unanswered: u32,
    prompt: bool,
    /// Receipts in a row that were followed soon by one message.
    streak: u32,
    /// Whether its last message was committed at once to find out, how often that was in
    /// vain, and before when it is not done again.
    trying: bool,
    in_vain: u32,
    not_before: Duration,
    /// Samples in each of the last seconds, by second modulo [`LATELY`].
    samples: [u32; LATELY],
    /// The second that was counted last.
    second: u64,
    /// Its stations; each is counted once.
    stations: Vec<StationIndex>,
    /// Samples that these stations send in ten seconds by their intervals.
    asked: f64,
}

/// What waits and since when.
#[derive(Debug)]
pub struct Pacing {
    interval: Duration,
    /// Of each station: samples that its channels send in ten seconds, and whether it
    /// sleeps.
    stations: Vec<(f64, bool)>,
    /// Few at a time: found faster in order than by a hash that strangers cannot guess.
    senders: BTreeMap<u64, Sender>,
    swept: Duration,
    tries: u32,
    tries_since: Duration,
    since: Option<Duration>,
    samples: u64,
    bytes: u64,
    request: bool,
    urgent: bool,
}

impl Pacing {
    /// Nothing waits.
    pub fn new(property: &Property, interval: Duration) -> Self {
        let mut stations: Vec<(f64, bool)> =
            property.stations.iter().map(|s| (0.0, s.sleeps)).collect();
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
                station.0 += (LATELY as f64 / interval.as_seconds().max(0.001)).max(1.0);
            }
        }
        Self {
            interval,
            stations,
            senders: BTreeMap::new(),
            swept: Duration::ZERO,
            tries: TRIES,
            tries_since: Duration::ZERO,
            since: None,
            samples: 0,
            bytes: 0,
            request: false,
            urgent: false,
        }
    }

    /// From now on everything is committed at once: the program stops.
    pub fn hurry(&mut self) {
        self.interval = Duration::ZERO;
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
        let Some(&(asked, sleeps)) = self.stations.get(usize::from(station.0)) else { return };
        self.urgent |= sleeps;
        let second = now.as_secs();
        let known = self.senders.entry(sender).or_insert_with(|| Sender {
            last_receipt: None,
            unanswered: 0,
            prompt: false,
            streak: 0,
            trying: false,
            in_vain: 0,
            not_before: Duration::ZERO,
            samples: [0; LATELY],
            second,
            stations: Vec::new(),
            asked: 0.0,
        });
        known.turn(second);
        if let Some(count) = known.samples.get_mut(place(second)) {
            *count = count.saturating_add(u32::try_from(samples).unwrap_or(u32::MAX));
        }
        if !known.stations.contains(&station) {
            known.stations.push(station);
            known.asked += asked;
        }
        let soon = known.last_receipt.is_some_and(|last| now.saturating_sub(last) < SOON);
        known.unanswered = known.unanswered.saturating_add(1);
        if known.unanswered == 1 {
            known.prompt = soon;
            known.learn(now, soon);
        }
        let alone = known.unanswered == 1;
        // Its first message, or one that may begin a row.
        let may = known.streak < STREAK && now >= known.not_before;
        if alone && may && (soon || known.last_receipt.is_none()) {
            let more = now.saturating_sub(self.tries_since).as_secs() / ONE_MORE_TRY.as_secs();
            if more > 0 {
                self.tries =
                    TRIES.min(self.tries.saturating_add(u32::try_from(more).unwrap_or(TRIES)));
                self.tries_since = now;
            }
            if !self.urgent && self.tries > 0 && self.interval > Duration::ZERO {
                self.tries -= 1;
                self.urgent = true;
                known.trying = true;
            }
        }
        if soon {
            self.urgent |= alone && known.streak >= STREAK;
            let lately: f64 = known.samples.iter().map(|&n| f64::from(n)).sum();
            self.urgent |= lately > 2.0 * known.asked;
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
        if self.full() || self.urgent {
            return Some(since);
        }
        let wait = if self.request { self.interval.min(LONGEST_REQUEST) } else { self.interval };
        Some(since + wait)
    }

    /// A commit was made; `senders` are those that get a receipt now.
    pub fn committed(&mut self, now: Duration, senders: impl Iterator<Item = u64>) {
        self.since = None;
        self.samples = 0;
        self.bytes = 0;
        self.request = false;
        self.urgent = false;
        for sender in senders {
            if let Some(known) = self.senders.get_mut(&sender) {
                known.last_receipt = Some(now);
                let one_by_one = known.prompt && known.unanswered == 1;
                known.streak = if one_by_one { known.streak.saturating_add(1) } else { 0 };
                known.unanswered = 0;
            }
        }
        if now.saturating_sub(self.swept) > FORGET {
            self.swept = now;
            let oldest = now.saturating_sub(FORGET).as_secs();
            self.senders.retain(|_, s| s.second >= oldest);
        }
    }
}

/// The place of a second among the last ones.
const fn place(second: u64) -> usize {
    (second % LATELY as u64) as usize
}

impl Sender {
    /// What the first message after a receipt says of the try before it.
    fn learn(&mut self, now: Duration, soon: bool) {
        if self.trying && !soon {
            let [least, most] = PATIENCE;
            self.not_before = now + (least * (1 << self.in_vain.min(10))).min(most);
            self.in_vain = self.in_vain.saturating_add(1);
        } else if self.streak >= STREAK {
            self.in_vain = 0;
        }
        self.trying = false;
    }

    /// Empties the seconds between the last counted one and this.
    fn turn(&mut self, second: u64) {
        let passed = second.saturating_sub(self.second).min(LATELY as u64);
        for empty in 1..=passed {
            if let Some(count) = self.samples.get_mut(place(self.second + empty)) {
                *count = 0;
            }
        }
        if passed == LATELY as u64 {
            self.samples = [0; LATELY];
        }
        self.second = second;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use observation::property::{Channel, Station};
    use observation::{Span, Unit};

    fn property(sleeps: bool) -> Property {
        let station = Station {
            id: "orchard".to_owned(),
            name: "Orchard".to_owned(),
            latitude: 54.0,
            longitude: -2.0,
            elevation: 200.0,
            interval: Span::seconds(30),
            sleeps,
            oldest: Span::days(-31),
            newest: Span::seconds(60),
            time_zone: None,
            time_in_milliseconds: false,
            rate: 1e9,
            derive: observation::property::Deriving::default(),
        };
        let Ok(unit) = Unit::parse("Cel") else { panic!("a unit") };
        let channel = Channel {
            station: StationIndex(0),
            name: "t".to_owned(),
            unit,
            senml_name: None,
            accepts_text: false,
        };
        let mut property = Property::default();
        property.stations.push(station);
        property.channels.push(channel);
        property.indexed()
    }

    /// Without tries, which have a test of their own.
    fn pacing(interval_ms: u64, sleeps: bool) -> Pacing {
        let pacing = Pacing::new(&property(sleeps), Duration::from_millis(interval_ms));
        Pacing { tries: 0, tries_since: Duration::MAX, ..pacing }
    }

    const STATION: StationIndex = StationIndex(0);

    fn at(milliseconds: u64) -> Duration {
        Duration::from_millis(milliseconds)
    }

    #[test]
    fn the_interval_is_an_upper_bound_and_a_request_waits_less() {
        let mut pacing = pacing(60_000, false);
        assert_eq!(pacing.deadline(), None);
        pacing.arrived(at(1_000), 1, STATION, 1, 40, false);
        assert_eq!(pacing.deadline(), Some(at(61_000)));
        pacing.arrived(at(2_000), 2, STATION, 1, 40, true);
        assert_eq!(pacing.deadline(), Some(at(2_400)));
        assert!(!pacing.due(at(2_399)) && pacing.due(at(2_400)));
    }

    #[test]
    fn zero_interval_sleepers_and_much_at_once_do_not_wait() {
        let mut none = pacing(0, false);
        none.arrived(at(5), 1, STATION, 1, 40, false);
        assert!(none.due(at(5)));
        let mut sleeper = pacing(1_000, true);
        sleeper.arrived(at(5), 1, STATION, 1, 40, false);
        assert!(sleeper.due(at(5)));
        let mut much = pacing(1_000, false);
        much.arrived(at(5), 1, STATION, 4_095, 40, false);
        assert!(!much.due(at(5)));
        much.arrived(at(5), 1, STATION, 1, 40, false);
        assert!(much.due(at(5)) && much.full());
    }

    #[test]
    fn who_catches_up_is_not_throttled_and_steady_traffic_commits_once_an_interval() {
        let mut pacing = pacing(1_000, false);
        // A closed loop: the next message comes 1 ms after each receipt.
        let mut now = 0;
        let mut commits_at_once = 0;
        for _ in 0..100 {
            pacing.arrived(at(now), 7, STATION, 1, 40, false);
            let Some(deadline) = pacing.deadline() else { panic!("something waits") };
            if deadline == at(now) {
                commits_at_once += 1;
            }
            now = u64::try_from(deadline.as_millis()).unwrap_or(u64::MAX);
            pacing.committed(at(now), std::iter::once(7));
            now += 1;
        }
        assert!(commits_at_once >= 95, "{commits_at_once} of 100");
        // The same for a sender whose intervals ask for as much as the commit interval
        // lets through.
        let mut dense = Pacing::new(&property(false), Duration::from_secs(1));
        dense.stations = vec![(1_000.0, false)];
        let (mut now, mut at_once) = (0, 0);
        for _ in 0..100 {
            dense.arrived(at(now), 7, STATION, 1, 40, false);
            let Some(deadline) = dense.deadline() else { panic!("something waits") };
            at_once += u32::from(deadline == at(now));
            now = u64::try_from(deadline.as_millis()).unwrap_or(u64::MAX);
            dense.committed(at(now), std::iter::once(7));
            now += 1;
        }
        assert_eq!(at_once, 100, "not even the first receipt waits");
        assert_eq!(dense.tries, TRIES - 6, "the first message and a row of five");
        // Once they are spent, strangers wait, and a day brings back no more than its share.
        for stranger in 100..400 {
            dense.arrived(at(now), stranger, STATION, 1, 40, false);
            dense.committed(at(now), std::iter::once(stranger));
        }
        assert_eq!(dense.tries, 0);
        dense.arrived(at(now), 999, STATION, 1, 40, false);
        assert_eq!(dense.deadline(), Some(at(now + 1_000)));
        // One message in 30 s, as its interval asks for, waits for the interval.
        for minute in 1..10 {
            let now = 1_000_000 + minute * 30_000;
            pacing.arrived(at(now), 8, STATION, 1, 40, false);
            assert_eq!(pacing.deadline(), Some(at(now + 1_000)));
            pacing.committed(at(now + 1_000), std::iter::once(8));
        }
        // Many messages within the interval, none of them after a receipt, wait too.
        let start = 9_000_000;
        for place in 0..50 {
            pacing.arrived(at(start + place * 10), 9, STATION, 1, 40, false);
        }
        assert_eq!(pacing.deadline(), Some(at(start + 1_000)));
    }

    #[test]
    fn steady_traffic_that_happens_to_follow_a_receipt_is_not_tried_again_and_again() {
        let mut pacing = Pacing::new(&property(false), Duration::from_secs(2));
        pacing.stations = vec![(50.0, false)];
        let (mut commits, mut deadline) = (0, None);
        // Five messages a second for an hour, whatever the receipts; some come soon after
        // one by chance, as the interval is no multiple of theirs.
        for message in 0..18_000 {
            let now = at(message * 200 + (message % 7) * 13);
            if deadline.is_some_and(|d| d <= now) {
                pacing.committed(deadline.unwrap_or(now), std::iter::once(7));
                commits += 1;
            }
            pacing.arrived(now, 7, STATION, 1, 40, false);
            if pacing.due(now) {
                pacing.committed(now, std::iter::once(7));
                commits += 1;
            }
            deadline = pacing.deadline();
        }
        // One in two seconds, and about ten in vain: a minute apart at first, an hour at last.
        assert!((1_500..1_820).contains(&commits), "{commits}");
    }

    #[test]
    fn senders_that_left_are_forgotten() {
        let mut pacing = pacing(0, false);
        for sender in 0..1_000 {
            pacing.arrived(at(sender * 1_000), sender, STATION, 1, 40, true);
            pacing.committed(at(sender * 1_000), std::iter::once(sender));
        }
        assert!(pacing.senders.len() < 200, "{} kept", pacing.senders.len());
    }
}
