//! What is measured, as gauges: live values of instruments, the newest windows, rain,
//! and of each its flag and time.

use super::base;
use super::exposition::{Exposition, Label};
use crate::newest::{self, Newest};
use crate::snapshot::Snapshot;
use observation::{Flag, Quantity, Statistic, Time};
use processor::totals::{Fallen, Lately};
use std::collections::HashSet;

/// Adds them all.
pub(super) fn add(out: &mut Exposition, snapshot: &Snapshot, doubtful: bool, now: Time) {
    let mut flagged: HashSet<(&str, &str, Quantity)> = HashSet::new();
    for newest in newest::all(snapshot, now) {
        if flagged.insert((newest.station, newest.instrument, newest.quantity)) {
            standing(out, &newest);
        }
        let shown = newest.flag.counts() || (doubtful && newest.flag == Flag::Doubtful);
        // Sums of rain are told by the totals.
        if newest.fresh && shown && newest.quantity != Quantity::PrecipitationDepth {
            value(out, &newest);
        }
    }
    rain(out, snapshot, now);
    gusts(out, snapshot, now);
}

fn value(out: &mut Exposition, newest: &Newest<'_>) {
    let quantity = newest.quantity;
    let Some(number) = newest.value.and_then(|steps| base::value(quantity, steps)) else { return };
    let over = newest.over.map(|s| s.to_string());
    let period = newest.period.map(|s| s.to_string());
    let mut labels: Vec<Label<'_>> =
        vec![("station", newest.station), ("instrument", newest.instrument)];
    if newest.statistic != Statistic::Point || newest.period.is_some() {
        labels.push(("statistic", newest.statistic.word()));
    }
    if let Some(over) = &over {
        labels.push(("over", over));
    }
    if let Some(period) = &period {
        labels.push(("period", period));
    }
    let name = format!("isobarn_{}", quantity.metric_name());
    out.gauge(&name, &base::help(quantity), &labels, number);
}

fn standing(out: &mut Exposition, newest: &Newest<'_>) {
    let labels = [
        ("station", newest.station),
        ("instrument", newest.instrument),
        ("quantity", newest.quantity.name()),
    ];
    // A channel that is silent has no value now, whatever its last one was worth.
    let flag = if newest.fresh { newest.flag } else { Flag::Missing };
    out.gauge(
        "isobarn_reading_flag",
        "Quality of the newest reading: 0 good, 1 inconsistent, 2 doubtful, 3 erroneous, \
         4 missing, 5 unchecked.",
        &labels,
        f64::from(flag.number()),
    );
    out.gauge(
        "isobarn_reading_timestamp_seconds",
        "Time of the newest reading, in seconds since 1970.",
        &labels,
        newest.time.seconds(),
    );
}

fn rain(out: &mut Exposition, snapshot: &Snapshot, now: Time) {
    for rain in &snapshot.rain {
        let Some(instrument) = snapshot.property.instruments.get(rain.instrument.0 as usize) else {
            continue;
        };
        let Some(station) = snapshot.property.stations.get(usize::from(instrument.station.0))
        else {
            continue;
        };
        let labels = [("station", station.id.as_str()), ("instrument", instrument.id.as_str())];
        let depth = Quantity::PrecipitationDepth;
        if let Some(total) = base::value(depth, rain.total) {
            out.counter(
                "isobarn_rainfall_meters_total",
                "Depth of rain since the process started, each tip counted once.",
                &labels,
                total,
            );
        }
        if !snapshot.fresh(rain.instrument, now) {
            continue;
        }
        if let Some(day) = base::value(depth, rain.totals.of(Lately::RainDay).steps) {
            out.gauge(
                "isobarn_rainfall_rain_day_meters",
                "Depth of rain of the current rain day.",
                &labels,
                day,
            );
        }
        let spell = rain.totals.spell.filter(|s| s.lasts).map(|s| ("event", s.fallen));
        for (span, fallen) in rain.totals.all().map(|(l, f)| (l.word(), *f)).chain(spell) {
            let mut labels = labels.to_vec();
            labels.push(("span", span));
            fallen_in(out, &labels, &fallen);
        }
    }
}

fn fallen_in(out: &mut Exposition, labels: &[Label<'_>], fallen: &Fallen) {
    if let Some(sum) = base::value(Quantity::PrecipitationDepth, fallen.steps) {
        out.gauge(
            "isobarn_rainfall_sum_meters",
            "Depth of rain of the last hour, the last 24 hours (day), the rain day, month and \
             year that last, and the rain event that lasts; at least so much where time is \
             missing.",
            labels,
            sum,
        );
    }
    out.gauge(
        "isobarn_rainfall_missing_seconds",
        "Time of the same span of which nothing is known.",
        labels,
        fallen.missing.as_seconds(),
    );
}

fn gusts(out: &mut Exposition, snapshot: &Snapshot, now: Time) {
    for gusts in snapshot.gusts.iter().filter(|g| snapshot.fresh_series(g.series, now)) {
        let Some(series) = snapshot.series.get(gusts.series.0 as usize) else { continue };
        let over = series.over.map(|s| s.to_string());
        for (span, highest) in [("hour", gusts.hour), ("day", gusts.day)] {
            let Some(highest) = highest else { continue };
            let Some(speed) = base::value(series.quantity, highest.steps) else { continue };
            let mut labels: Vec<Label<'_>> = vec![
                ("station", series.station.as_str()),
                ("instrument", series.instrument.as_str()),
            ];
            if let Some(over) = &over {
                labels.push(("over", over));
            }
            labels.push(("span", span));
            out.gauge(
                "isobarn_wind_speed_of_gust_highest_meters_per_second",
                "Highest gust of the last hour and of the civil day that lasts.",
                &labels,
                speed,
            );
            out.gauge(
                "isobarn_wind_speed_of_gust_highest_timestamp_seconds",
                "End of the minute in which it was reached first, in seconds since 1970.",
                &labels,
                highest.at.seconds(),
            );
        }
    }
}
