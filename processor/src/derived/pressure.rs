//! Pressure over time and at sea level.

use super::past::{Past, Trust};
use super::recipes::Input;
use super::rows::{Rows, Source};
use crate::book::Draft;
use crate::plan::TENDENCY;
use meteorology::humidity::vapour_pressure;
use meteorology::pressure::{geopotential, sea_level};
use meteorology::saturation::Method;
use meteorology::tendency::characteristic;
use observation::reading::{from_steps, to_steps};
use observation::time::{HOUR, MINUTE};
use observation::{Quantity, SeriesIndex, Span, Time};

/// Least reach of a pressure that is compared with another.
pub(super) const TENDENCY_REACH: Span = Span(MINUTE);
/// Time between the temperatures that make a mean of twelve hours.
const MARK: Span = Span::minutes(10);
/// How many they are.
const MARKS: i64 = 72;
/// How many must be there: 66 % (WMO-No. 488, App. VI.2; from memory).
const LEAST_MARKS: i64 = 48;

/// How the pressure at sea level is made.
#[derive(Clone, Copy, Debug)]
pub(crate) struct SeaLevel {
    pub(crate) series: SeriesIndex,
    /// The thermometer whose mean of twelve hours is taken; the present temperature where
    /// there is none.
    pub(crate) column: Option<Source>,
}

/// The mean of twelve hours of one ten minutes, held while several of its minutes are
/// computed.
#[derive(Debug, Default)]
pub(super) struct HeldMean(Option<(i64, Option<f64>)>);

impl SeaLevel {
    /// How far back the mean reaches.
    pub(crate) const DEPTH: Span = Span(HOUR * 12 + MINUTE * 10);

    /// Mean of the temperatures at the seventy-two full ten minutes before this one: so
    /// it never hangs on which station is evaluated first in a minute.
    fn mean(column: &Source, minute: Time, past: Past<'_>) -> Option<f64> {
        let last = Time(minute.0.div_euclid(MARK.0) * MARK.0);
        let (mut sum, mut count) = (0_i64, 0_i64);
        for nth in 1..=MARKS {
            let mark = last - Span(MARK.0 * nth);
            let known = past.newest(column.series, mark, column.reach);
            if let Some(known) = known.filter(|k| k.flag.counts()) {
                sum += known.steps;
                count += 1;
            }
        }
        let decimals = i32::from(column.quantity.decimals());
        (count >= LEAST_MARKS).then(|| sum as f64 / count as f64 / 10_f64.powi(decimals))
    }

    pub(super) fn draft(
        &self,
        rows: &Rows,
        minute: Time,
        past: Past<'_>,
        held: &mut HeldMean,
    ) -> Option<Draft> {
        let mut trust = Trust::GOOD;
        let mut value = |input| {
            let source = rows.source(input)?;
            let known = past.newest(source.series, minute, source.reach)?;
            trust = trust.and(&known);
            Some(from_steps(known.steps, source.quantity.decimals()))
        };
        let pressure = value(Input::Pressure)?;
        let temperature = value(Input::Temperature)?;
        let humidity = value(Input::Humidity)?;
        let mean = match &self.column {
            Some(column) => {
                let mark = minute.0.div_euclid(MARK.0);
                if held.0.is_none_or(|(of, _)| of != mark) {
                    held.0 = Some((mark, Self::mean(column, minute, past)));
                }
                held.0?.1?
            }
            None => temperature,
        };
        let vapour = vapour_pressure(Method::Wmo8, temperature, humidity).ok()?;
        let value = sea_level(pressure, mean, vapour, geopotential(rows.height)).ok()?;
        let decimals = Quantity::AirPressureAtMeanSeaLevel.decimals();
        Some(Draft {
            series: self.series,
            time: minute,
            value: Some(to_steps(value, decimals)?),
            flag: trust.flag,
            reasons: trust.reasons,
            made_by: 0,
        })
    }

    /// The minutes whose mean a temperature at `time` is part of.
    pub(super) fn touched_by(time: Time, reach: Span) -> impl Iterator<Item = Time> {
        let first = time.step_end(MARK) + MARK;
        let last = time.step_end(MARK) + reach + Self::DEPTH;
        let minutes = (last - first).0 / MINUTE;
        (0..=minutes.max(0)).map(move |n| first + Span(n * MINUTE))
    }
}

/// Change over three hours and its shape, of rounded pressures at the barometer.
pub(super) fn tendency(rows: &Rows, minute: Time, past: Past<'_>) -> [Option<Draft>; 2] {
    let Some(source) = rows.source(Input::Pressure) else { return [None, None] };
    let reach = source.reach.max(TENDENCY_REACH);
    let at = |before: Span| past.newest(source.series, minute - before, reach);
    let (Some(now), Some(before)) = (at(Span::ZERO), at(TENDENCY)) else { return [None, None] };
    let trust = Trust::GOOD.and(&now).and(&before);
    let draft = |series: Option<SeriesIndex>, value: i64, trust: Trust| {
        let (flag, reasons) = (trust.flag, trust.reasons);
        Some(Draft { series: series?, time: minute, value: Some(value), flag, reasons, made_by: 0 })
    };
    let change = draft(rows.tendency, now.steps - before.steps, trust);
    let shape = at(Span(TENDENCY.0 / 2)).and_then(|middle| {
        let hpa = |steps| from_steps(steps, source.quantity.decimals());
        let code = characteristic(hpa(before.steps), hpa(middle.steps), hpa(now.steps));
        draft(rows.characteristic, i64::from(code), trust.and(&middle))
    });
    [change, shape]
}
