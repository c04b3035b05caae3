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

fn asked(samples: f64) -> Asked {
    Asked { samples, spacing: Duration::ZERO, sleeps: false }
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
    dense.stations = vec![asked(1_000.0)];
    let (mut now, mut at_once) = (0, 0);
    for _ in 0..100 {
        dense.arrived(at(now), 7, STATION, 1, 40, false);
        let Some(deadline) = dense.deadline() else { panic!("something waits") };
        at_once += u32::from(deadline <= at(now) + SAID_ALL);
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
    pacing.stations = vec![asked(50.0)];
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

/// Five stations that speak each two seconds behind a broker that has at most `window`
/// messages under way: commits, messages that were not committed at the end, and the
/// longest wait of one that had arrived.
fn behind_a_broker(window: usize, interval: u64, hours: u64) -> (u64, usize, Duration) {
    let mut property = property(false);
    let station = property.stations[0].clone();
    property.stations = (0..5).map(|_| station.clone()).collect();
    let mut pacing = Pacing::new(&property.indexed(), Duration::from_secs(interval));
    let speaks = Asked { samples: 60.0, spacing: Duration::from_secs(2), sleeps: false };
    pacing.stations = vec![speaks; 5];
    // In microseconds; a message takes 300 of them from the broker.
    let (mut now, end) = (0_u64, hours * 3_600_000_000);
    let (mut spoken, mut held, mut under_way) = (0_u64, 0_usize, Vec::new());
    let (mut next, mut commits, mut longest) = (0_u64, 0, Duration::ZERO);
    while now < end {
        let deadline = pacing.deadline().map_or(u64::MAX, |d| d.as_micros() as u64);
        if deadline <= now {
            let passed = Duration::from_micros(now);
            longest = under_way
                .first()
                .map_or(longest, |&first| longest.max(passed.saturating_sub(first)));
            pacing.committed(passed, std::iter::once(7));
            commits += 1;
            under_way.clear();
            // The commit itself, and the way of the receipts.
            now += 3_000;
            next = now;
            continue;
        }
        if now >= spoken * 400_000 {
            held += 1;
            spoken += 1;
            continue;
        }
        if held > 0 && under_way.len() < window && now >= next {
            held -= 1;
            next = now + 300;
            under_way.push(Duration::from_micros(now));
            let station = StationIndex((spoken % 5) as u16);
            pacing.arrived(Duration::from_micros(now), 7, station, 12, 168, false);
            continue;
        }
        let may_send = if held > 0 && under_way.len() < window { next } else { u64::MAX };
        now = deadline.min(spoken * 400_000).min(may_send).max(now + 1);
    }
    (commits, held + under_way.len(), longest)
}

#[test]
fn a_broker_that_holds_back_what_is_beyond_its_window_is_not_throttled_for_ever() {
    for interval in [1, 2, 10, 30, 60] {
        for window in [2, 5, 10, 20, 100, 65_535] {
            let hours = 12;
            let (commits, left, longest) = behind_a_broker(window, interval, hours);
            let messages = hours * 3_600 * 5 / 2;
            println!(
                "{interval} s, {window}: {commits} commits for {messages}, {left} left, {longest:?}"
            );
            // What is spoken in an interval, and in a minute of patience where it is long.
            let waiting = interval as usize * 5 / 2 + 150;
            assert!(left <= waiting, "{left} left of {messages}: {interval} s, {window}");
            assert!(longest <= Duration::from_secs(interval) + Duration::from_millis(4));
            // No more than the interval and the window make necessary, but for a few.
            let needed = (hours * 3_600 / interval).max(messages / window as u64);
            assert!(commits * 10 <= needed * 12 + 4_000, "{commits} commits, {needed} needed");
        }
    }
}
