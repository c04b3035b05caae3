//! Readings of one station that cannot both be right.

use super::plan::{DEW_POINT, HUMIDITY, RAIN, TEMPERATURE};
use crate::Processor;
use crate::plan::Work;
use observation::reading::from_steps;
use observation::{Flag, Quantity, Reason, SeriesIndex, Span, Time};
use quality::consistency::{dew_point_fits, gust_fits, humidity_fits, light_fits, rain_fits};

/// How old a humidity may be to speak of rain.
const HUMID: Span = Span::minutes(10);

impl Processor {
    /// Looks at the readings of a station up to a minute.
    pub(super) fn consistent(&mut self, station: usize, minute: Time) {
        let mut found: Vec<(SeriesIndex, Time)> = Vec::new();
        self.moisture(station, minute, &mut found);
        self.gusts(station, minute, &mut found);
        self.light(station, minute, &mut found);
        for (series, time) in found {
            self.book.overlay.doubt(series.0, time, Flag::Inconsistent, Reason::Consistency);
            self.again.push((series, time));
        }
    }

    /// Temperature, dew point and humidity of the same time; rain in dry air.
    fn moisture(&self, station: usize, minute: Time, found: &mut Vec<(SeriesIndex, Time)>) {
        let Some(seat) = self.compare.seats.seat_of.get(station).copied().flatten() else {
            return;
        };
        let voice = |slot| self.compare.seats.voice(seat, slot);
        let last = |slot| self.compare.hours.last((seat, slot), minute);
        if let (Some(dew), Some(dew_voice)) = (last(DEW_POINT), voice(DEW_POINT))
            && let (Some(air), Some(air_voice)) = (last(TEMPERATURE), voice(TEMPERATURE))
            && dew.time == air.time
            && dew.time > minute - dew_voice.interval - Span::minutes(1)
        {
            if !dew_point_fits(air.value, dew.value) {
                found.push((air_voice.series, air.time));
                found.push((dew_voice.series, dew.time));
            }
            if let (Some(humid), Some(humid_voice)) = (last(HUMIDITY), voice(HUMIDITY))
                && humid.time == dew.time
                && humidity_fits(air.value, dew.value, humid.value) == Some(false)
            {
                for voice in [air_voice, dew_voice, humid_voice] {
                    found.push((voice.series, humid.time));
                }
            }
        }
        if let (Some(rain), Some(rain_voice)) = (last(RAIN), voice(RAIN))
            && let Some(humid) = last(HUMIDITY)
            && rain.time == minute
            && rain.time - humid.time <= HUMID
            && !rain_fits(rain.value, humid.value)
        {
            found.push((rain_voice.series, rain.time));
        }
    }

    /// The gust of ten minutes and their mean.
    fn gusts(&self, station: usize, minute: Time, found: &mut Vec<(SeriesIndex, Time)>) {
        let newest = |series| self.book.newest(series, minute, minute);
        for &place in self.plan.by_station.get(station).map_or(&[][..], Vec::as_slice) {
            let Some(Work::Wind { long, gust, .. }) = self.plan.parts.get(place).map(|p| &p.work)
            else {
                continue;
            };
            let decimals = Quantity::WindSpeed.decimals();
            if let (Some((mean, _)), Some((most, _))) = (newest(*long), newest(*gust))
                && !gust_fits(from_steps(mean, decimals), from_steps(most, decimals))
            {
                found.push((*long, minute));
                found.push((*gust, minute));
            }
        }
    }

    /// Light and the sun.
    fn light(&self, station: usize, minute: Time, found: &mut Vec<(SeriesIndex, Time)>) {
        for &place in self.plan.by_station.get(station).map_or(&[][..], Vec::as_slice) {
            let Some(instrument) = self.property.instruments.get(place) else { continue };
            if instrument.quantity != Quantity::ShortwaveFlux {
                continue;
            }
            let Some(part) = self.plan.parts.get(place) else { continue };
            let Some(at) = self.property.stations.get(station) else { continue };
            let Some((time, steps)) = self.book.newest_at(part.first(), minute) else { continue };
            let value = from_steps(steps, instrument.quantity.decimals());
            // Only what would be too much at night is worth the sun's position.
            if time <= minute - Span::minutes(1) || light_fits(value, -90.0) {
                continue;
            }
            let unix = time.seconds();
            let here = meteorology::sun::Place {
                latitude: at.latitude,
                longitude: at.longitude,
                elevation: at.elevation,
                pressure: 1013.0,
                temperature: 10.0,
            };
            let sun = meteorology::sun::position(unix, meteorology::sun::delta_t(unix), &here);
            if !light_fits(value, 90.0 - sun.zenith) {
                found.push((part.first(), time));
            }
        }
    }
}
