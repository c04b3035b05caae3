//! What is measured, as gauges: live values of instruments, the newest windows, rain,
//! and of each its flag and time.

use super::base;
use super::exposition::{Exposition, Label};
use crate::snapshot::Snapshot;
use observation::property::InstrumentIndex;
use observation::{Flag, Quantity, Series, SeriesIndex, Span, Statistic, Time};
use std::collections::HashSet;

/// What tells one flag series from another.
type Key<'a> = (&'a str, &'a str, Quantity);

/// Adds them all.
pub(super) fn add(out: &mut Exposition, snapshot: &Snapshot, doubtful: bool, now: Time) {
    let shown = |flag: Flag| flag.counts() || (doubtful && flag == Flag::Doubtful);
    let mut flagged: HashSet<Key<'_>> = HashSet::new();
    for (index, instrument) in (0_u32..).zip(&snapshot.property.instruments) {
        let index = InstrumentIndex(index);
        let Some(station) = snapshot.property.stations.get(usize::from(instrument.station.0))
        else {
            continue;
        };
        let Some(live) = snapshot.live(index) else { continue };
        let fresh = snapshot.fresh(index, now);
        let key = (station.id.as_str(), instrument.id.as_str(), instrument.quantity);
        if flagged.insert(key) {
            standing(out, key, if fresh { live.flag } else { Flag::Missing }, live.time);
        }
        // Of a gauge the totals are told, not the depth of its last tip.
        if fresh && shown(live.flag) && instrument.quantity != Quantity::PrecipitationDepth {
            let of = Labels {
                station: key.0,
                instrument: key.1,
                statistic: instrument.statistic,
                over: instrument.over,
                period: None,
            };
            value(out, instrument.quantity, &of, live.value);
        }
    }
    for (index, series) in (0_u32..).zip(snapshot.series.iter()) {
        let index = SeriesIndex(index);
        let Some(newest) = snapshot.newest(index) else { continue };
        if covered(snapshot, index, series) {
            continue;
        }
        let fresh = snapshot.fresh_series(index, now);
        let key = (series.station.as_str(), series.instrument.as_str(), series.quantity);
        if flagged.insert(key) {
            standing(out, key, if fresh { newest.flag } else { Flag::Missing }, newest.time);
        }
        if fresh && shown(newest.flag) {
            let of = Labels {
                station: key.0,
                instrument: key.1,
                statistic: series.statistic,
                over: series.over,
                period: series.period,
            };
            value(out, series.quantity, &of, newest.value);
        }
    }
    rain(out, snapshot, now);
}

/// Whether the live value of its instrument tells a series already: its points, or the
/// means that stand for them; and sums of rain, which the totals tell.
fn covered(snapshot: &Snapshot, index: SeriesIndex, series: &Series) -> bool {
    if series.quantity == Quantity::PrecipitationDepth {
        return true;
    }
    let Some(instrument) =
        snapshot.instrument_of(index).and_then(|i| snapshot.property.instruments.get(i.0 as usize))
    else {
        return false;
    };
    if instrument.quantity != series.quantity {
        return false;
    }
    let windowed = matches!(series.quantity, Quantity::WindSpeed | Quantity::WindFromDirection);
    series.period.is_none()
        || (!windowed
            && series.statistic == Statistic::Mean
            && series.period == Some(snapshot.property.point_step))
}

struct Labels<'a> {
    station: &'a str,
    instrument: &'a str,
    statistic: Statistic,
    over: Option<Span>,
    period: Option<Span>,
}

fn value(out: &mut Exposition, quantity: Quantity, of: &Labels<'_>, steps: Option<i64>) {
    let Some(number) = steps.and_then(|s| base::value(quantity, s)) else { return };
    let over = of.over.map(|s| s.to_string());
    let period = of.period.map(|s| s.to_string());
    let mut labels: Vec<Label<'_>> = vec![("station", of.station), ("instrument", of.instrument)];
    if of.statistic != Statistic::Point || of.period.is_some() {
        labels.push(("statistic", of.statistic.word()));
    }
    if let Some(over) = &over {
        labels.push(("over", over));
    }
    if let Some(period) = &period {
        labels.push(("period", period));
    }
    out.gauge(
        &format!("isobarn_{}", quantity.metric_name()),
        &base::help(quantity),
        &labels,
        number,
    );
}

fn standing(out: &mut Exposition, key: Key<'_>, flag: Flag, time: Time) {
    let labels = [("station", key.0), ("instrument", key.1), ("quantity", key.2.name())];
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
        time.seconds(),
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
        if let Some(day) = base::value(depth, rain.day)
            && snapshot.fresh(rain.instrument, now)
        {
            out.gauge(
                "isobarn_rainfall_rain_day_meters",
                "Depth of rain of the current rain day.",
                &labels,
                day,
            );
        }
    }
}
