//! Which series the panes show: the chosen station's where it has one, else the first
//! station's that does.

use history::Names;
use observation::property::Reports;
use observation::{Property, Quantity, Series, SeriesIndex, Span, Statistic};

/// A place in the panes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Role {
    Pressure,
    Temperature,
    Humidity,
    DewPoint,
    Speed,
    Direction,
    Gust,
    Rain,
}

impl Role {
    /// What the panes show.
    pub const ALL: [Self; 7] = [
        Self::Pressure,
        Self::Temperature,
        Self::DewPoint,
        Self::Speed,
        Self::Direction,
        Self::Gust,
        Self::Rain,
    ];

    /// The role of what an instrument measures, where strips are drawn of it.
    pub fn of(quantity: Quantity) -> Option<Self> {
        match quantity {
            Quantity::AirTemperature => Some(Self::Temperature),
            Quantity::RelativeHumidity => Some(Self::Humidity),
            Quantity::SurfaceAirPressure => Some(Self::Pressure),
            Quantity::WindSpeed => Some(Self::Speed),
            Quantity::WindFromDirection => Some(Self::Direction),
            _ => None,
        }
    }

    /// How well a series fits, 0 best; none where it does not.
    fn fits(self, series: &Series, property: &Property) -> Option<u8> {
        use Quantity as Q;
        use Statistic as S;
        let ten = series.period == Some(Span::minutes(10));
        // A channel that speaks when it likes draws no line.
        let regular = property.station(&series.station).is_some_and(|station| {
            property
                .instruments
                .iter()
                .find(|i| i.station == station && i.id == series.instrument)
                .is_none_or(|i| i.reports != Reports::OnChange)
        });
        let plain = matches!(series.statistic, S::Point | S::Mean)
            && series.period.is_none_or(|p| p <= property.point_step)
            && regular;
        match (self, series.quantity) {
            (Self::Pressure, Q::AirPressureAtMeanSeaLevel)
            | (Self::Humidity, Q::RelativeHumidity)
            | (Self::Temperature, Q::AirTemperature)
            | (Self::DewPoint, Q::DewPointTemperature) => plain.then_some(0),
            (Self::Pressure, Q::SurfaceAirPressure) => plain.then_some(1),
            (Self::Speed, Q::WindSpeed) | (Self::Direction, Q::WindFromDirection) => {
                (ten && series.statistic == S::Mean).then_some(0)
            }
            (Self::Gust, Q::WindSpeedOfGust) => (series.statistic == S::Maximum).then_some(0),
            (Self::Rain, Q::PrecipitationDepth) => {
                (series.statistic == S::Sum && series.period == Some(Span::minutes(1))).then_some(0)
            }
            _ => None,
        }
    }

    /// The series that takes the place.
    pub fn choose(
        self,
        names: &Names,
        property: &Property,
        station: &str,
    ) -> Option<(SeriesIndex, Series)> {
        names
            .all_series()
            .filter_map(|(index, series)| {
                let fit = self.fits(series, property)?;
                let place = usize::from(property.station(&series.station)?.0);
                Some(((series.station != station, place, fit, index), series))
            })
            .min_by_key(|(key, _)| *key)
            .map(|(key, series)| (key.3, series.clone()))
    }
}
