//! Totals that people ask for all day equal what is counted by hand from the readings that
//! stand, whatever the order and however often they were revised.

use crate::croft::{at, croft};
use crate::log::Croft;
use observation::days::{DayStart, Zone};
use observation::{Flag, Property, Quantity, Reading, Reasons, SeriesIndex, Span, Time};
use processor::totals::{Fallen, Lately, Totals};
use proptest::prelude::*;
use std::collections::BTreeMap;
use std::sync::Arc;

const GAP: Span = Span::hours(6);

fn property() -> Arc<Property> {
    let mut property = Property::clone(&croft());
    property.days.rain = DayStart { after_midnight: Span::hours(9), utc: true };
    property.days.zone = Zone::new(Span::hours(1), []);
    Arc::new(property)
}

fn reading(series: SeriesIndex, time: Time, value: Option<i64>, flag: Flag) -> Reading {
    Reading { series, time, value, flag, reasons: Reasons::NONE, revision: 0, made_by: 0 }
}

fn time(text: &str) -> Time {
    Time::parse(text).unwrap()
}

fn by_hand(standing: &BTreeMap<Time, i64>, from: Time, to: Time) -> (u64, i64) {
    let within = standing.iter().filter(|&(&end, _)| end > from && end <= to);
    within.fold((0, 0), |(count, sum), (_, &steps)| (count + 1, sum + steps))
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 64, ..ProptestConfig::default() })]

    /// Minutes over three days, some of them revised, withdrawn or doubtful.
    #[test]
    fn sums_equal_those_of_the_minutes_that_stand(
        told in prop::collection::vec(
            (0_i64..4_400, prop_oneof![3 => Just(0_i64), 1 => 1_i64..900], prop::bool::weighted(0.9)),
            1..400,
        ),
        now in 4_000_i64..4_600,
    ) {
        let (property, all) = (property(), Croft::new());
        let series = all.only(Quantity::PrecipitationDepth);
        let mut totals = Totals::new(Arc::clone(&property), all.processor.series(), GAP);
        let mut standing = BTreeMap::new();
        let start = at(0) - Span::days(2);
        for &(minute, steps, good) in &told {
            let end = start + Span::minutes(minute);
            let flag = if good { Flag::Good } else { Flag::Doubtful };
            prop_assert!(totals.take(&reading(series, end, Some(steps), flag)));
            if good {
                standing.insert(end, steps);
            } else {
                standing.remove(&end);
            }
        }
        let now = start + Span::minutes(now);
        totals.forget(now);
        let rain = totals.rain(now);
        prop_assert_eq!(rain.len(), 1);
        for (lately, fallen) in Lately::ALL.into_iter().zip(rain[0].fallen) {
            let (count, sum) = by_hand(&standing, fallen.from, now);
            prop_assert_eq!(fallen.steps, sum, "{:?}", lately);
            // The station is heard twice a minute: a reading a minute is expected.
            let minutes = (now - fallen.from).0 / 60_000;
            let lacking = Span::minutes(minutes - i64::try_from(count).unwrap());
            prop_assert_eq!(fallen.missing, lacking, "{:?}", lately);
        }
        // The slow way to the newest spell: forward, from fall to fall.
        let mut spells: Vec<(Time, Time, i64)> = Vec::new();
        for (&end, &steps) in standing.range(..=now).filter(|(_, steps)| **steps > 0) {
            match spells.last_mut() {
                Some(last) if end - last.1 <= GAP => *last = (last.0, end, last.2 + steps),
                _ => spells.push((end, end, steps)),
            }
        }
        let told = rain[0].spell.map(|s| (s.fallen.from + Span::minutes(1), s.last_fall, s.fallen.steps));
        prop_assert_eq!(told, spells.last().copied());
        if let Some(spell) = rain[0].spell {
            prop_assert_eq!(spell.lasts, now - spell.last_fall <= GAP);
        }
    }
}

/// The rain day, month and year begin at nine UTC (common practice), the last 24 hours with
/// the minute; of what nobody measured every span says how much it is.
#[test]
fn spans_begin_where_they_should() {
    let (property, all) = (property(), Croft::new());
    let series = all.only(Quantity::PrecipitationDepth);
    let mut totals = Totals::new(property, all.processor.series(), GAP);
    for (instant, steps) in [
        ("2026-01-01T09:00:00Z", 90_000),
        ("2026-01-01T09:01:00Z", 1_000),
        ("2026-03-01T09:00:00Z", 80_000),
        ("2026-03-01T09:01:00Z", 200),
        ("2026-03-14T08:00:00Z", 30),
        ("2026-03-14T09:00:00Z", 7),
        ("2026-03-14T09:01:00Z", 5),
        ("2026-03-14T10:30:00Z", 2),
    ] {
        totals.take(&reading(series, time(instant), Some(steps), Flag::Good));
    }
    let now = time("2026-03-14T10:45:00Z");
    totals.forget(now);
    let [hour, day, rain_day, month, year] = totals.rain(now)[0].fallen;
    let told = |f: Fallen| (f.from.to_string(), f.steps, (f.covered.0 / 60_000));
    assert_eq!(told(hour), ("2026-03-14T09:45:00Z".into(), 2, 1));
    assert_eq!(told(day), ("2026-03-13T10:45:00Z".into(), 44, 4));
    assert_eq!(told(rain_day), ("2026-03-14T09:00:00Z".into(), 7, 2));
    assert_eq!(told(month), ("2026-03-01T09:00:00Z".into(), 244, 5));
    assert_eq!(told(year), ("2026-01-01T09:00:00Z".into(), 81_244, 7));
    assert_eq!(year.missing + year.covered, now - year.from);
    // At nine itself the new rain day has begun, with nothing in it.
    let nine = totals.rain(time("2026-03-14T09:00:00Z"))[0].fallen[2];
    assert_eq!(told(nine), ("2026-03-14T09:00:00Z".into(), 0, 0));
    // In the new year the old one is let go of, but not what a spell may reach back to.
    totals.forget(time("2027-02-20T00:00:00Z"));
    assert_eq!(totals.rain(now)[0].fallen[4].steps, 0);
}

/// A day of minutes in one go and one by one backwards: the edges of words and days.
#[test]
fn every_minute_is_counted_once() {
    let (property, all) = (property(), Croft::new());
    let series = all.only(Quantity::PrecipitationDepth);
    let mut totals = Totals::new(property, all.processor.series(), GAP);
    let start = time("2026-03-12T00:00:00Z");
    for minute in (1..=3 * 1_440).rev() {
        let end = start + Span::minutes(minute);
        totals.take(&reading(series, end, Some(minute % 2), Flag::Unchecked));
    }
    for minute in 1_500..3 * 1_440 {
        let now = start + Span::minutes(minute);
        let [hour, day, ..] = totals.rain(now)[0].fallen;
        assert_eq!((hour.steps, hour.missing), (30, Span::ZERO), "{minute}");
        assert_eq!((day.steps, day.missing), (720, Span::ZERO), "{minute}");
    }
}

#[test]
fn the_highest_gust_has_its_minute_and_stays_in_its_day() {
    let (property, all) = (property(), Croft::new());
    let series = all.only(Quantity::WindSpeedOfGust);
    let mut totals = Totals::new(property, all.processor.series(), GAP);
    let put = |totals: &mut Totals, instant: &str, steps: i64, flag: Flag| {
        totals.take(&reading(series, time(instant), Some(steps), flag));
    };
    // Local midnight is 23:00 UTC. The window of 10 minutes that ends at 23:05 began the
    // day before.
    put(&mut totals, "2026-03-13T23:05:00Z", 3_000, Flag::Good);
    put(&mut totals, "2026-03-13T23:10:00Z", 2_000, Flag::Good);
    put(&mut totals, "2026-03-14T01:00:00Z", 2_100, Flag::Good);
    put(&mut totals, "2026-03-14T01:01:00Z", 2_100, Flag::Good);
    put(&mut totals, "2026-03-14T09:30:00Z", 9_900, Flag::Doubtful);
    put(&mut totals, "2026-03-14T09:31:00Z", 1_200, Flag::Good);
    let now = time("2026-03-14T10:00:00Z");
    totals.forget(now);
    let gusts = totals.gusts(now);
    assert_eq!(gusts.len(), 1);
    let told = |e: Option<meteorology::summaries::Extreme>| e.map(|e| (e.steps, e.at.to_string()));
    assert_eq!(told(gusts[0].day), Some((2_100, "2026-03-14T01:00:00Z".into())));
    assert_eq!(told(gusts[0].hour), Some((1_200, "2026-03-14T09:31:00Z".into())));
    assert_eq!(gusts[0].day_from, time("2026-03-13T23:00:00Z"));
    // Rejected afterwards: the next one is the highest.
    put(&mut totals, "2026-03-14T01:00:00Z", 2_100, Flag::Erroneous);
    put(&mut totals, "2026-03-14T01:01:00Z", 2_100, Flag::Erroneous);
    assert_eq!(told(totals.gusts(now)[0].day), Some((2_000, "2026-03-13T23:10:00Z".into())));
}
