//! Reference evapotranspiration of every full hour, FAO-56.

use super::past::{Past, Trust};
use super::recipes::Input;
use super::rows::{Rows, Source};
use crate::book::Draft;
use meteorology::evapotranspiration::{Hour, clear_sky, extraterrestrial_hour, hourly};
use observation::reading::to_steps;
use observation::time::{DAY, HOUR, MINUTE};
use observation::{Date, Quantity, SeriesIndex, Span, Time};

/// Share of an hour's radiation readings that must be there (WMO-No. 488, App. VI.2: 66 %;
/// from memory).
const COVERED: f64 = 0.66;
/// Values of temperature, humidity and wind taken from an hour, and how many must be
/// there.
const MARKS: i64 = 6;
const LEAST_MARKS: usize = 4;
/// Megajoules per square metre that a watt gives in an hour.
const PER_WATT: f64 = 0.0036;
/// Sine of the sun's height below which the share of the clear sky says little: the FAO
/// paper takes the hours before sunset then (chapter 4, box 9); 0.3 is the angle of its
/// successor (ASCE-EWRI, The ASCE standardized reference evapotranspiration equation,
/// 2005; from memory).
const LOW_SUN: f64 = 0.3;
/// Radiation outside the atmosphere in an hour of overhead sun, MJ/m2: 60 times the solar
/// constant of eq. 28.
const OVERHEAD: f64 = 60.0 * 0.082;
/// Least radiation outside the atmosphere that is compared with at all, MJ/m2.
const SOME_SUN: f64 = 0.1;
/// Hours looked back at for the clearness of the sky.
const HOURS: i64 = 24;

/// What the hourly equation takes of a station.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Crop {
    pub(crate) series: SeriesIndex,
    pub(crate) sun: Source,
    /// Radiation readings of a full hour.
    pub(crate) an_hour: usize,
    /// From the cup's height to 2 m.
    pub(crate) wind_factor: f64,
    pub(crate) latitude: f64,
    pub(crate) longitude: f64,
    pub(crate) elevation: f64,
}

impl Crop {
    /// How far back it looks.
    pub(crate) const DEPTH: Span = Span(HOUR * (HOURS + 1));

    /// Radiation outside the atmosphere in the hour that ends at `end`, MJ/m2.
    fn outside(&self, end: Time) -> f64 {
        let middle = end - Span(HOUR / 2);
        let day = Date::of_day(middle.utc_day()).day_of_year();
        let hour = middle.0.rem_euclid(DAY) as f64 / HOUR as f64;
        extraterrestrial_hour(self.latitude, self.longitude, f64::from(day), hour)
    }

    /// Radiation of the hour that ends at `end`, MJ/m2.
    fn radiation(&self, end: Time, past: Past<'_>) -> Option<f64> {
        let (mean, count) = past.mean(self.sun.series, end - Span(HOUR), end);
        let decimals = i32::from(self.sun.quantity.decimals());
        let enough = count as f64 >= COVERED * self.an_hour as f64;
        enough.then(|| (mean / 10_f64.powi(decimals) * PER_WATT).max(0.0))
    }

    /// Share of the clear-sky radiation: of the newest hour with the sun well up, else of
    /// that with the most sun of a day.
    fn clearness(&self, end: Time, past: Past<'_>) -> Option<f64> {
        let mut best: Option<(f64, f64)> = None;
        for back in 0..HOURS {
            let hour = end - Span(HOUR * back);
            let outside = self.outside(hour);
            if outside < SOME_SUN || best.is_some_and(|(most, _)| outside <= most) {
                continue;
            }
            let Some(radiation) = self.radiation(hour, past) else { continue };
            best = Some((outside, radiation / clear_sky(self.elevation, outside)));
            if outside >= LOW_SUN * OVERHEAD {
                break;
            }
        }
        best.map(|(_, share)| share)
    }

    pub(super) fn draft(&self, rows: &Rows, end: Time, past: Past<'_>) -> Option<Draft> {
        let mut trust = Trust::GOOD;
        let mut mean = |input| {
            let source = rows.source(input)?;
            let (mut sum, mut count) = (0_i64, 0_usize);
            for nth in 0..MARKS {
                let mark = end - Span(MINUTE * 10 * nth);
                let Some(known) = past.newest(source.series, mark, source.reach) else { continue };
                trust = trust.and(&known);
                sum += known.steps;
                count += 1;
            }
            (count >= LEAST_MARKS).then(|| {
                let scale = 10_f64.powi(i32::from(source.quantity.decimals()));
                sum as f64 / count as f64 / scale
            })
        };
        let hour = Hour {
            temperature: mean(Input::Temperature)?,
            humidity: mean(Input::Humidity)?,
            wind: mean(Input::Wind)? * self.wind_factor,
            radiation: self.radiation(end, past)?,
            clearness: self.clearness(end, past)?,
            elevation: self.elevation,
        };
        let decimals = Quantity::ReferenceEvapotranspiration.decimals();
        Some(Draft {
            series: self.series,
            time: end,
            value: Some(to_steps(hourly(&hour).ok()?, decimals)?),
            flag: trust.flag,
            reasons: trust.reasons,
            made_by: 0,
        })
    }
}
