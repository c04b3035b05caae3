//! Summaries equal what is counted by hand from the readings that stand.

use crate::croft::{P, T, TIPS, TURNS, at};
use crate::late::{run, told};
use crate::log::Croft;
use meteorology::summaries::Summary;
use observation::days::{DayKind, DayStart, Days, Division, Zone};
use observation::{Flag, Quantity, Reading, Reasons, SeriesIndex, Span, Statistic, Time};
use processor::summaries::{Gathering, Measure, Summarised};
use proptest::prelude::*;

fn gathered(croft: &Croft, days: &Days, division: Division) -> Vec<Summarised> {
    let property = crate::croft::croft();
    let measures: Vec<Measure> =
        croft.processor.series().iter().map(|s| Measure::of(&property, s)).collect();
    let mut gathering = Gathering::new(days, division, None);
    for reading in croft.finals().values() {
        gathering.take(reading, &measures[reading.series.0 as usize]);
    }
    gathering.finish()
}

/// Of each series the mean, extremes and sum of its good values in a span, the slow way.
fn by_hand(croft: &Croft, found: &Summarised, skip: Span) -> (u64, i64, Option<i64>, Option<i64>) {
    let values: Vec<i64> = croft
        .finals()
        .values()
        .filter(|r| {
            r.series == found.series && r.time > found.cut.from + skip && r.time <= found.cut.to
        })
        .filter_map(|r| r.value.filter(|_| r.flag.counts()))
        .collect();
    let (least, most) = (values.iter().min().copied(), values.iter().max().copied());
    (values.len() as u64, values.iter().sum(), least, most)
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 24, ..ProptestConfig::default() })]

    /// Late samples and revisions included.
    #[test]
    fn late_samples_end_in_the_summaries_of_samples_in_time(
        lags in prop::collection::vec(prop_oneof![3 => 0_i64..3, 1 => 0_i64..540], 20..60),
        hour in 0_i64..24,
    ) {
        let all = [T, P, TURNS, TIPS];
        let seconds = |n: usize| 300 * i64::try_from(n).unwrap();
        let late = lags.iter().enumerate().map(|(n, &lag)| told(&all, seconds(n), lag)).collect();
        let timely = (0..lags.len()).map(|n| told(&all, seconds(n), 0)).collect();
        let end = seconds(lags.len()) + 1_200;
        let (timely, late) = (run(timely, end, true), run(late, end, true));
        let rain = DayStart { after_midnight: Span::hours(hour), utc: true };
        let days = Days { rain, maximum: rain, zone: Zone::new(Span::hours(hour - 12), []), ..Days::default() };
        for division in Division::ALL {
            let (a, b) = (gathered(&timely, &days, division), gathered(&late, &days, division));
            let told = |all: &[Summarised]| -> Vec<_> {
                all.iter().filter(|s| s.summary.count() > 0).copied().collect()
            };
            prop_assert_eq!(told(&a), told(&b));
            for found in &b {
                let series = &late.processor.series()[found.series.0 as usize];
                if series.quantity.is_direction() {
                    continue;
                }
                let skip = match series.statistic {
                    Statistic::Maximum => Span::minutes(9),
                    _ => Span::ZERO,
                };
                let s = &found.summary;
                let (least, most) = (s.minimum().map(|m| m.steps), s.maximum().map(|m| m.steps));
                let sum = i64::try_from(s.sum()).unwrap();
                prop_assert_eq!((s.count(), sum, least, most), by_hand(&late, found, skip));
            }
        }
    }

    /// What is added and taken back, as a revision does it, is as if it had never been.
    #[test]
    fn a_revision_changes_a_summary_as_a_recomputation_does(
        values in prop::collection::vec((-500_i64..500, prop::bool::weighted(0.8), -500_i64..500), 1..60),
    ) {
        let croft = Croft::new();
        let series = croft.only(Quantity::DewPointTemperature);
        let property = crate::croft::croft();
        let measure = Measure::of(&property, &croft.processor.series()[series.0 as usize]);
        let reading = |n: usize, steps: i64, good: bool| Reading {
            series,
            time: at(60 * i64::try_from(n).unwrap()),
            value: Some(steps),
            flag: if good { Flag::Good } else { Flag::Doubtful },
            reasons: Reasons::NONE,
            revision: 0,
            made_by: 0,
        };
        let mut summary = Summary::default();
        for (n, &(old, good, _)) in values.iter().enumerate() {
            measure.add(&mut summary, &reading(n, old, good));
        }
        let mut whole = true;
        for (n, &(old, good, new)) in values.iter().enumerate() {
            whole &= measure.remove(&mut summary, &reading(n, old, good));
            measure.add(&mut summary, &reading(n, new, !good));
        }
        let mut fresh = Summary::default();
        for (n, &(_, good, new)) in values.iter().enumerate() {
            measure.add(&mut fresh, &reading(n, new, !good));
        }
        prop_assert_eq!((summary.count(), summary.sum(), summary.left_out()), (fresh.count(), fresh.sum(), fresh.left_out()));
        if whole {
            prop_assert_eq!(summary, fresh);
        }
    }
}

fn minute_of_rain(series: SeriesIndex, time: Time, steps: i64) -> Reading {
    let (flag, reasons) = (Flag::Good, Reasons::NONE);
    Reading { series, time, value: Some(steps), flag, reasons, revision: 0, made_by: 0 }
}

/// "At least 3.2 mm, 5 h missing": a day of which five hours were not measured.
#[test]
fn a_sum_says_what_it_lacks() {
    let croft = Croft::new();
    let series = croft.only(Quantity::PrecipitationDepth);
    let property = crate::croft::croft();
    let measure = Measure::of(&property, &croft.processor.series()[series.0 as usize]);
    let rain = DayStart { after_midnight: Span::hours(9), utc: true };
    let days = Days { rain, ..Days::default() };
    let mut gathering = Gathering::new(&days, Division::Day, Some(DayKind::Rain));
    let from = Time::parse("2026-03-01T09:00:00Z").unwrap();
    for minute in 1..=19 * 60 {
        let steps = if minute == 100 { 3_200 } else { 0 };
        gathering.take(&minute_of_rain(series, from + Span::minutes(minute), steps), &measure);
    }
    // What fell before nine belongs to the day before.
    gathering.take(&minute_of_rain(series, from, 9_000), &measure);
    let all = gathering.finish();
    assert_eq!(all.len(), 2);
    let (day, now) = (all[1], from + Span::days(2));
    assert_eq!(day.cut.date.to_string(), "2026-03-01");
    let figures = measure.figures(&day.summary, &day.cut, now);
    assert_eq!((figures.sum, figures.missing), (Some(3_200), Some(Span::hours(5))));
    // While the day lasts, no more is expected than has passed.
    let open = measure.figures(&day.summary, &day.cut, from + Span::hours(19));
    assert_eq!((open.sum, open.missing), (Some(3_200), Some(Span::ZERO)));
}

#[test]
fn means_need_most_of_their_readings_and_gusts_stay_in_their_day() {
    let croft = Croft::new();
    let property = crate::croft::croft();
    let days = Days::default();
    let day = days.cut(Division::Day, DayKind::Civil, at(0));
    let measure =
        |series: SeriesIndex| Measure::of(&property, &croft.processor.series()[series.0 as usize]);
    let warmth = croft.series("screen", Statistic::Mean, Some(Span::minutes(1)));
    let mean = measure(warmth);
    let reading = |n: i64| minute_of_rain(warmth, day.from + Span::minutes(n), n);
    let mut summary = Summary::default();
    (1..=950).for_each(|n| mean.add(&mut summary, &reading(n)));
    let figures = mean.figures(&summary, &day, day.to);
    assert_eq!((figures.count, figures.expected), (950, Some(1_440)));
    assert_eq!(figures.mean, None, "950 of 1,440 are less than 66 %");
    mean.add(&mut summary, &reading(951));
    let figures = mean.figures(&summary, &day, day.to);
    assert_eq!((figures.mean, figures.middle_of_extremes), (Some(476), Some(476)));
    assert_eq!(figures.maximum.map(|m| m.at), Some(day.from + Span::minutes(951)));

    let gust = measure(croft.only(Quantity::WindSpeedOfGust));
    assert!(!gust.takes(&day, day.from + Span::minutes(9)), "its window begins the day before");
    assert!(gust.takes(&day, day.from + Span::minutes(10)) && gust.takes(&day, day.to));
    // What comes at no intervals has extremes, but no mean that could be trusted.
    let pressure = measure(croft.series("barometer", Statistic::Point, None));
    let figures = pressure.figures(&summary, &day, day.to);
    assert_eq!((figures.expected, figures.mean), (None, None));
    assert!(figures.minimum.is_some());
}
