//! The newest value of everything that is measured, as the page, the interface and the
//! metrics show it: live values of instruments first, then the windows and derived
//! series that no live value tells.

use crate::snapshot::{Snapshot, is_chance};
use observation::property::InstrumentIndex;
use observation::{Flag, Quantity, Reasons, Series, SeriesIndex, Span, Statistic, Time};

/// One of them.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Newest<'a> {
    /// Station identifier.
    pub station: &'a str,
    /// Instrument identifier; for a derived quantity the quantity's own name.
    pub instrument: &'a str,
    /// What.
    pub quantity: Quantity,
    /// What it is of its period.
    pub statistic: Statistic,
    /// Averaging time of the sample itself.
    pub over: Option<Span>,
    /// The window.
    pub period: Option<Span>,
    /// In steps of the quantity; none where there is no value.
    pub value: Option<i64>,
    /// How far to trust it.
    pub flag: Flag,
    /// Why.
    pub reasons: Reasons,
    /// Time of measurement, of a window its end.
    pub time: Time,
    /// Whether it may still be shown as present.
    pub fresh: bool,
}

/// All of them at one moment, in the order of the settings. What was never heard is
/// left out.
pub fn all(snapshot: &Snapshot, now: Time) -> impl Iterator<Item = Newest<'_>> {
    live(snapshot, now).chain(windows(snapshot, now))
}

fn live(snapshot: &Snapshot, now: Time) -> impl Iterator<Item = Newest<'_>> {
    (0_u32..).zip(&snapshot.property.instruments).filter_map(move |(index, instrument)| {
        let index = InstrumentIndex(index);
        let live = snapshot.live(index)?;
        // Of a gauge the sums are told, not the depth of its last tip.
        if instrument.quantity == Quantity::PrecipitationDepth {
            return None;
        }
        let station = snapshot.property.stations.get(usize::from(instrument.station.0))?;
        Some(Newest {
            station: &station.id,
            instrument: &instrument.id,
            quantity: instrument.quantity,
            statistic: instrument.statistic,
            over: instrument.over,
            period: None,
            value: live.value,
            flag: live.flag,
            reasons: live.reasons,
            time: live.time,
            fresh: snapshot.fresh(index, now),
        })
    })
}

fn windows(snapshot: &Snapshot, now: Time) -> impl Iterator<Item = Newest<'_>> {
    (0_u32..).map(SeriesIndex).zip(snapshot.series.iter()).filter_map(move |(index, series)| {
        let newest = snapshot.newest(index)?;
        // A chance of rain is told when it is proven.
        let unproven = is_chance(series) && !newest.flag.counts();
        if unproven || told_by_live(snapshot, index, series) {
            return None;
        }
        Some(Newest {
            station: &series.station,
            instrument: &series.instrument,
            quantity: series.quantity,
            statistic: series.statistic,
            over: series.over,
            period: series.period,
            value: newest.value,
            flag: newest.flag,
            reasons: newest.reasons,
            time: newest.time,
            fresh: snapshot.fresh_series(index, now),
        })
    })
}

/// Whether the live value of its instrument tells a series already: its points, or the
/// means of a step that stand for them.
fn told_by_live(snapshot: &Snapshot, index: SeriesIndex, series: &Series) -> bool {
    let Some(instrument) =
        snapshot.instrument_of(index).and_then(|i| snapshot.property.instruments.get(i.0 as usize))
    else {
        return false;
    };
    if instrument.quantity != series.quantity || series.quantity == Quantity::PrecipitationDepth {
        return false;
    }
    let windowed = matches!(series.quantity, Quantity::WindSpeed | Quantity::WindFromDirection);
    series.period.is_none()
        || (!windowed
            && series.statistic == Statistic::Mean
            && series.period == Some(snapshot.property.point_step))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fixture::{self, NOON};

    #[test]
    fn each_thing_is_told_once() {
        let snapshot = fixture::heard("Orchard", NOON);
        let told: Vec<_> = all(&snapshot, NOON)
            .map(|n| (n.instrument, n.quantity.name(), n.statistic.word(), n.value))
            .collect();
        assert_eq!(
            told,
            [
                ("screen_temperature", "air_temperature", "point", Some(1_730)),
                ("hand", "air_temperature", "point", Some(1_800)),
                ("cup", "wind_speed", "point", Some(420)),
                ("gauge", "lwe_thickness_of_precipitation_amount", "sum", Some(200)),
                ("gauge", "rainfall_rate", "point", Some(1_200)),
                ("cup", "wind_speed", "mean", Some(400)),
                ("cup", "wind_speed_of_gust", "maximum", Some(910)),
            ]
        );
        assert!(all(&snapshot, NOON).all(|n| n.fresh));
        assert!(all(&snapshot, NOON + Span::hours(1)).all(|n| !n.fresh));
        assert_eq!(all(&fixture::silent("Orchard"), NOON).count(), 0);
    }
}
