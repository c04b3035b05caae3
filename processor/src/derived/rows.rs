//! What each station derives by its settings, and why what is wanted is not derived.

use super::crop::Crop;
use super::pressure::{SeaLevel, TENDENCY_REACH};
use super::recipes::{Input, RECIPES, Recipe};
use crate::plan::{Part, TENDENCY, UNCHANGED};
use meteorology::pressure::{LOW_LEVEL, MEAN_TEMPERATURE_ABOVE};
use observation::property::{Instrument, InstrumentIndex, Reports, Station};
use observation::time::{HOUR, MINUTE};
use observation::{Property, Quantity, Series, SeriesIndex, Span, Statistic, Time};

/// An instrument that is computed with.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Source {
    /// The series its values are taken from.
    pub(crate) series: SeriesIndex,
    pub(crate) quantity: Quantity,
    /// How long a reading stands for the present one.
    pub(crate) reach: Span,
    /// The station it stands at.
    pub(crate) station: usize,
}

/// One quantity of one station.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Row {
    pub(crate) recipe: &'static Recipe,
    pub(crate) series: SeriesIndex,
}

/// What one station derives.
#[derive(Clone, Debug, Default)]
pub(crate) struct Rows {
    /// By the order of [`Input::ALL`].
    pub(crate) sources: [Option<Source>; 4],
    pub(crate) rows: Vec<Row>,
    pub(crate) tendency: Option<SeriesIndex>,
    pub(crate) characteristic: Option<SeriesIndex>,
    pub(crate) sea_level: Option<SeaLevel>,
    pub(crate) crop: Option<Crop>,
    /// Of the barometer above mean sea level, m.
    pub(crate) height: f64,
    /// How far back each series is looked at.
    pub(crate) needs: Vec<(SeriesIndex, Span)>,
    /// Everything derived.
    pub(crate) made: Vec<SeriesIndex>,
    /// Stations that derive from this one's instruments too.
    pub(crate) followers: Vec<usize>,
}

impl Rows {
    pub(crate) fn source(&self, input: Input) -> Option<&Source> {
        self.sources.get(input as usize)?.as_ref()
    }

    /// How long the readings of a series must be remembered for what is derived here.
    fn need(&mut self, source: &Source, depth: Span) {
        match self.needs.iter_mut().find(|(series, _)| *series == source.series) {
            Some((_, held)) => *held = (*held).max(depth),
            None => self.needs.push((source.series, depth)),
        }
    }
}

/// Why a station does not derive a quantity.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Absent {
    /// The station's identifier.
    pub station: String,
    /// What is absent.
    pub quantity: Quantity,
    /// Since which minute; none where the settings do not allow it at all.
    pub since: Option<Time>,
    /// Why, and what to do.
    pub reason: String,
}

/// What the rows are made from.
pub(super) struct Making<'a> {
    pub(super) property: &'a Property,
    pub(super) parts: &'a [Part],
    pub(super) series: &'a mut Vec<Series>,
    pub(super) absent: &'a mut Vec<Absent>,
    station: &'a Station,
    place: usize,
}

impl Making<'_> {
    fn usable(instrument: &Instrument) -> bool {
        matches!(instrument.statistic, Statistic::Point | Statistic::Mean)
    }

    pub(super) fn instrument(&self, index: InstrumentIndex) -> Option<&Instrument> {
        self.property.instruments.get(index.0 as usize)
    }

    /// The instrument named, else the station's first of the quantity.
    pub(super) fn chosen(
        &self,
        named: Option<InstrumentIndex>,
        quantity: Quantity,
    ) -> Option<InstrumentIndex> {
        named.or_else(|| {
            (0_u32..).zip(&self.property.instruments).find_map(|(index, instrument)| {
                let here = usize::from(instrument.station.0) == self.place
                    && instrument.quantity == quantity
                    && Self::usable(instrument);
                here.then_some(InstrumentIndex(index))
            })
        })
    }

    pub(super) fn source(&self, index: InstrumentIndex) -> Option<Source> {
        let instrument = self.instrument(index)?;
        let part = self.parts.get(index.0 as usize)?;
        let step = part.period().max(instrument.interval).0.max(MINUTE);
        let reach = match (instrument.reports, instrument.quantity) {
            // Windows are there in every minute in which the station is heard.
            (_, Quantity::WindSpeed) => Span(MINUTE),
            (Reports::Periodic, _) => Span(step / 2 * 3),
            _ => UNCHANGED,
        };
        let (series, quantity) = (part.first(), instrument.quantity);
        Some(Source { series, quantity, reach, station: part.station })
    }

    fn add(
        &mut self,
        quantity: Quantity,
        statistic: Statistic,
        period: Option<Span>,
    ) -> SeriesIndex {
        let index = SeriesIndex(u32::try_from(self.series.len()).unwrap_or(u32::MAX));
        self.series.push(Series {
            station: self.station.id.clone(),
            instrument: quantity.name().to_owned(),
            quantity,
            statistic,
            over: None,
            period,
        });
        index
    }

    pub(super) fn absent(&mut self, quantity: Quantity, reason: String) {
        let station = self.station.id.clone();
        self.absent.push(Absent { station, quantity, since: None, reason });
    }

    fn wanted(&self, quantity: Quantity, usual: bool) -> bool {
        let derive = &self.station.derive;
        (usual || derive.also.contains(&quantity)) && !derive.without.contains(&quantity)
    }

    fn rows(&mut self) -> Rows {
        let derive = &self.station.derive;
        let barometer = self.chosen(derive.barometer, Quantity::SurfaceAirPressure);
        let named = [derive.thermometer, derive.hygrometer, derive.barometer, derive.anemometer];
        let sources = [0, 1, 2, 3].map(|n: usize| {
            let quantity = Input::ALL.get(n)?.quantity();
            let named = named.get(n).copied().flatten();
            self.source(self.chosen(named, quantity)?)
        });
        let height = barometer.and_then(|b| self.instrument(b)?.height);
        let height = height.unwrap_or(self.station.elevation);
        let mut rows = Rows { sources, height, ..Rows::default() };
        for recipe in RECIPES {
            self.recipe(recipe, &mut rows);
        }
        self.tendency(&mut rows);
        self.sea_level(&mut rows);
        self.crop(&mut rows);
        rows
    }

    fn recipe(&mut self, recipe: &'static Recipe, rows: &mut Rows) {
        let quantity = recipe.quantity;
        let made = rows.rows.iter().any(|r| r.recipe.quantity == quantity);
        if made || !self.wanted(quantity, recipe.usual) {
            return;
        }
        let lacking: Vec<&Input> =
            recipe.needs.iter().filter(|&&i| rows.source(i).is_none()).collect();
        if lacking.is_empty() {
            let series = self.add(quantity, Statistic::Point, None);
            rows.rows.push(Row { recipe, series });
            rows.made.push(series);
            for &input in recipe.needs {
                if let Some(source) = rows.source(input).copied() {
                    rows.need(&source, source.reach);
                }
            }
            return;
        }
        let last = RECIPES.iter().rfind(|r| r.quantity == quantity);
        let last = last.is_some_and(|r| std::ptr::eq(r, recipe));
        let asked = self.station.derive.also.contains(&quantity);
        if last && (asked || lacking.len() < recipe.needs.len()) {
            self.absent(quantity, lacks(&lacking));
        }
    }

    fn tendency(&mut self, rows: &mut Rows) {
        let Some(source) = rows.source(Input::Pressure).copied() else { return };
        let (change, shape) =
            (Quantity::TendencyOfSurfaceAirPressure, Quantity::CharacteristicOfPressureTendency);
        for quantity in [change, shape] {
            if !self.wanted(quantity, true) {
                continue;
            }
            let series = self.add(quantity, Statistic::Point, Some(TENDENCY));
            rows.made.push(series);
            rows.need(&source, TENDENCY + source.reach.max(TENDENCY_REACH));
            if quantity == change {
                rows.tendency = Some(series);
            } else {
                rows.characteristic = Some(series);
            }
        }
    }

    fn sea_level(&mut self, rows: &mut Rows) {
        let quantity = Quantity::AirPressureAtMeanSeaLevel;
        let Some(pressure) = rows.source(Input::Pressure).copied() else { return };
        if !self.wanted(quantity, true) {
            return;
        }
        let height = rows.height;
        if let Some(refused) = meteorology::pressure::no_sea_level(height) {
            let reason =
                format!("{refused}; above {LOW_LEVEL} m the altimeter setting is given instead");
            return self.absent(quantity, reason);
        }
        let column = self.station.derive.column_thermometer.and_then(|c| self.source(c));
        if column.is_none() && height > MEAN_TEMPERATURE_ABOVE {
            let reason = format!(
                "the barometer is {height} m above mean sea level; above {MEAN_TEMPERATURE_ABOVE} m \
                 it takes twelve hours of an outdoor thermometer that is named: write \
                 derive = {{ column_thermometer = \"STATION/INSTRUMENT\" }}"
            );
            return self.absent(quantity, reason);
        }
        let needs = [Input::Temperature, Input::Humidity];
        let lacking: Vec<&Input> = needs.iter().filter(|&&i| rows.source(i).is_none()).collect();
        let (Some(air), Some(humidity), true) = (
            rows.source(Input::Temperature).copied(),
            rows.source(Input::Humidity).copied(),
            lacking.is_empty(),
        ) else {
            return self.absent(quantity, lacks(&lacking));
        };
        let series = self.add(quantity, Statistic::Point, None);
        rows.made.push(series);
        for source in [pressure, air, humidity] {
            rows.need(&source, source.reach);
        }
        if let Some(column) = column {
            rows.need(&column, SeaLevel::DEPTH + column.reach);
        }
        rows.sea_level = Some(SeaLevel { series, column });
    }

    fn crop(&mut self, rows: &mut Rows) {
        let quantity = Quantity::ReferenceEvapotranspiration;
        if !self.wanted(quantity, true) {
            return;
        }
        let asked = self.station.derive.also.contains(&quantity);
        let sun = self.chosen(self.station.derive.pyranometer, Quantity::ShortwaveFlux);
        let Some(sun) = sun else {
            if asked {
                self.absent(quantity, "needs surface_downwelling_shortwave_flux_in_air".to_owned());
            }
            return;
        };
        let lacking: Vec<&Input> = [Input::Temperature, Input::Humidity, Input::Wind]
            .iter()
            .filter(|&&i| rows.source(i).is_none())
            .collect();
        if !lacking.is_empty() {
            return self.absent(quantity, lacks(&lacking));
        }
        let wind = self.chosen(self.station.derive.anemometer, Quantity::WindSpeed);
        let height = wind.and_then(|w| self.instrument(w)?.height);
        let factor = height.map(meteorology::evapotranspiration::wind_factor);
        let Some(Ok(wind_factor)) = factor else {
            return self.absent(
                quantity,
                "needs the height of the anemometer, 0.5 to 100 m: write height = \"4 m\""
                    .to_owned(),
            );
        };
        let periodic = self.instrument(sun).is_some_and(|i| matches!(i.reports, Reports::Periodic));
        let (Some(source), true) = (self.source(sun), periodic) else {
            return self.absent(
                quantity,
                "needs a pyranometer that reports at equal intervals".to_owned(),
            );
        };
        let interval = self.instrument(sun).map_or(Span(MINUTE), |i| i.interval);
        let period = self.parts.get(sun.0 as usize).map_or(Span::ZERO, Part::period);
        let series = self.add(quantity, Statistic::Sum, Some(Span(HOUR)));
        rows.made.push(series);
        let crop = Crop {
            series,
            sun: source,
            an_hour: usize::try_from(HOUR / interval.max(period).0.max(1)).unwrap_or(1),
            wind_factor,
            latitude: self.station.latitude,
            longitude: self.station.longitude,
            elevation: self.station.elevation,
        };
        rows.need(&source, Crop::DEPTH);
        for input in [Input::Temperature, Input::Humidity, Input::Wind] {
            if let Some(source) = rows.source(input).copied() {
                rows.need(&source, Span(HOUR) + source.reach);
            }
        }
        rows.crop = Some(crop);
    }
}

fn lacks(inputs: &[&Input]) -> String {
    let names: Vec<&str> = inputs.iter().map(|i| i.quantity().name()).collect();
    let keys: Vec<String> =
        inputs.iter().map(|i| format!("{} = \"STATION/INSTRUMENT\"", i.key())).collect();
    format!("needs {}: write derive = {{ {} }}", names.join(" and "), keys.join(", "))
}

/// The rows of every station; their series are added to the list.
pub(crate) fn all(
    property: &Property,
    parts: &[Part],
    series: &mut Vec<Series>,
) -> (Vec<Rows>, Vec<Absent>) {
    let mut absent = Vec::new();
    let mut all: Vec<Rows> = Vec::new();
    for (place, station) in property.stations.iter().enumerate() {
        let mut making =
            Making { property, parts, series: &mut *series, absent: &mut absent, station, place };
        all.push(making.rows());
    }
    for follower in 0..all.len() {
        let sources = all.get(follower).map(Rows::all_sources).unwrap_or_default();
        for source in sources.iter().filter(|s| s.station != follower) {
            if let Some(rows) = all.get_mut(source.station)
                && !rows.followers.contains(&follower)
            {
                rows.followers.push(follower);
            }
        }
    }
    (all, absent)
}

impl Rows {
    /// The longest time for which a reading stands for the present one.
    pub(crate) fn longest_reach(&self) -> Span {
        self.sources.iter().flatten().map(|s| s.reach).max().unwrap_or_default()
    }

    fn all_sources(&self) -> Vec<Source> {
        let column = self.sea_level.and_then(|s| s.column);
        let sun = self.crop.map(|c| c.sun);
        self.sources.iter().copied().flatten().chain(column).chain(sun).collect()
    }
}
