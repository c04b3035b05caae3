//! One window of one instrument, as a pure function of the samples in and before it.

use crate::book::Draft;
use crate::counting::{Count, increments};
use crate::plan::{CONTEXT, LONG, Part, SHORT, Work, depth};
use crate::track::Point;
use observation::property::{Instrument, Reports, Signal};
use observation::reading::to_steps;
use observation::signal::counter::Increment;
use observation::signal::cup::{Cup, Stretch, gust, turns};
use observation::signal::direction::{self, Directions};
use observation::signal::vane::Seen;
use observation::signal::{calibration, ratio};
use observation::time::MINUTE;
use observation::{Flag, Quantity, Reason, Reasons, Span, Time, Value};
use quality::single::{Checked, check};

/// Share of a window that must be covered for wind (WMO-No. 8: 75 per cent of the
/// samples; from memory), below which the reading carries `incomplete`.
const COVERED_WIND: f64 = 0.75;
/// The same for other quantities (66 per cent; from memory).
pub(crate) const COVERED: f64 = 0.66;

/// A slice of samples and where the counter stands before its first.
pub(crate) struct Samples<'a> {
    pub(crate) points: &'a [Point],
    pub(crate) count: Count,
    /// Samples of the supply channel, for a ratio.
    pub(crate) supply: &'a [Point],
}

/// What a window is asked about besides its samples.
pub(crate) struct Asked {
    /// Its end.
    pub(crate) minute: Time,
    /// Whether the station said anything in the minute.
    pub(crate) alive: bool,
    /// Whether the wind is calm by the station's own cup.
    pub(crate) calm: bool,
}

/// What one value of a directly read quantity means, before checks.
pub(crate) fn canonical(
    instrument: &Instrument,
    part: &Part,
    point: &Point,
    supply: Option<f64>,
) -> Option<(f64, u32)> {
    let raw = point.number()?;
    let raw = match &instrument.signal {
        Signal::Ratio(bands) => {
            let share = match (bands.supply, supply) {
                (Some(_), supply) => ratio::ratio(raw, supply?).ok()?,
                (None, _) => raw,
            };
            if instrument.quantity.is_direction() {
                return ratio::direction(bands, share, instrument.mounting).ok().map(|d| (d, 0));
            }
            ratio::value(bands, share).ok()?
        }
        _ => raw,
    };
    let made = calibration::direct(raw, part.scale, &instrument.calibrations, point.time)?;
    let value = if instrument.quantity.is_direction() {
        direction::normalise(made.value + instrument.mounting)?
    } else {
        made.value
    };
    Some((value, made.made_by))
}

/// The supply that was read with or last before a sample, at most an hour before.
pub(crate) fn supply_at(points: &[Point], time: Time) -> Option<f64> {
    let end = points.partition_point(|p| p.time <= time);
    let point = points.get(end.checked_sub(1)?)?;
    (time - point.time <= Span::hours(1)).then(|| point.number()).flatten()
}

/// Evaluates every series of the instrument whose window ends at `asked.minute`.
pub(crate) fn evaluate(
    instrument: &Instrument,
    part: &Part,
    samples: &Samples<'_>,
    asked: &Asked,
    drafts: &mut Vec<Draft>,
) {
    match &part.work {
        Work::Point { .. } | Work::Mean { .. } => {}
        Work::Greatest { maximum } => greatest(instrument, part, samples, asked, *maximum, drafts),
        Work::Wind { short, long, gust, over } => {
            let list = [(*short, SHORT), (*long, LONG)];
            if part.counts || matches!(instrument.signal, Signal::Frequency) {
                wind_by_turns(instrument, part, samples, asked, list, (*gust, *over), drafts);
            } else {
                wind_by_values(instrument, part, samples, asked, list, *gust, drafts);
            }
        }
        Work::Direction { mean, spread, vane } => {
            let seen = directions(instrument, part, vane.as_deref(), samples, asked.minute);
            direction_drafts(instrument, &seen, asked, *mean, *spread, drafts);
        }
        Work::Rain { sum, .. } => rain(instrument, part, samples, asked, *sum, drafts),
    }
}

/// The samples with event time in `(from, to]`.
fn within(points: &[Point], from: Time, to: Time) -> &[Point] {
    let start = points.partition_point(|p| p.time <= from);
    let end = points.partition_point(|p| p.time <= to);
    points.get(start..end).unwrap_or_default()
}

fn stretches(
    instrument: &Instrument,
    part: &Part,
    samples: &Samples<'_>,
) -> (Vec<Stretch>, Vec<(Increment, bool)>) {
    if matches!(instrument.signal, Signal::Frequency) {
        let mut before: Option<Time> = None;
        let made = samples
            .points
            .iter()
            .filter(|p| !p.left_out())
            .filter_map(|p| {
                let hertz = part.scale.apply(p.number()?);
                let patience = Span(instrument.interval.0 + instrument.interval.0 / 2);
                let from = before.filter(|&b| p.time - b <= patience);
                let from = from.unwrap_or(p.time - instrument.interval);
                before = Some(p.time);
                Stretch::of_frequency(hertz, from, p.time)
            })
            .collect();
        return (made, Vec::new());
    }
    let counted = increments(samples.count, instrument, samples.points);
    let made = counted.iter().filter(|(_, out)| !out).filter_map(|(i, _)| Stretch::of(i)).collect();
    (made, counted)
}

/// Trust in what was counted in a window.
fn trust(counted: &[(Increment, bool)], from: Time, to: Time) -> (Flag, Reasons) {
    let mut worst = Flag::Unchecked;
    let mut reasons = Reasons::NONE;
    for (increment, _) in counted.iter().filter(|(i, _)| i.to > from && i.to <= to) {
        if increment.flag == Flag::Doubtful {
            worst = worst.worse(Flag::Doubtful);
        }
        reasons = reasons.union(increment.reasons);
    }
    (worst, reasons)
}

fn checked_draft(
    series: observation::SeriesIndex,
    quantity: Quantity,
    plausible: Option<(f64, f64)>,
    minute: Time,
    value: f64,
    trust: (Flag, Reasons),
    made_by: u32,
) -> Option<Draft> {
    let Checked { value, flag, reasons } = check(quantity, value, plausible, None);
    Some(Draft {
        series,
        time: minute,
        value: Some(to_steps(value, quantity.decimals())?),
        flag: flag.worse(trust.0),
        reasons: reasons.union(trust.1),
        made_by,
    })
}

fn wind_by_turns(
    instrument: &Instrument,
    part: &Part,
    samples: &Samples<'_>,
    asked: &Asked,
    means: [(observation::SeriesIndex, Span); 2],
    (gust_series, over): (observation::SeriesIndex, Span),
    drafts: &mut Vec<Draft>,
) {
    let minute = asked.minute;
    let Some(active) = calibration::active(&instrument.calibrations, minute) else { return };
    let Some(cup) = Cup::of(active.transfer) else { return };
    let (stretches, counted) = stretches(instrument, part, samples);
    for (series, period) in means {
        let sum = turns(&stretches, minute - period, minute);
        let Some(speed) = sum.hertz().and_then(|hertz| cup.speed(hertz)) else { continue };
        let mut trusted = trust(&counted, minute - period, minute);
        if (sum.covered.0 as f64) < COVERED_WIND * period.0 as f64 {
            trusted.1 = trusted.1.with(Reason::Incomplete);
        }
        drafts.extend(checked_draft(
            series,
            Quantity::WindSpeed,
            instrument.plausible,
            minute,
            speed.value,
            trusted,
            active.made_by,
        ));
    }
    let found = gust(&stretches, minute - LONG, minute, over);
    if let Some(speed) = found.and_then(|g| cup.speed(g.hertz)) {
        let covered = turns(&stretches, minute - LONG, minute).covered;
        let mut trusted = trust(&counted, minute - LONG, minute);
        if (covered.0 as f64) < COVERED_WIND * LONG.0 as f64 {
            trusted.1 = trusted.1.with(Reason::Incomplete);
        }
        drafts.extend(checked_draft(
            gust_series,
            Quantity::WindSpeedOfGust,
            None,
            minute,
            speed.value,
            trusted,
            active.made_by,
        ));
    }
}

/// How complete a periodic channel is in a window.
fn complete(instrument: &Instrument, found: usize, period: Span, share: f64) -> Reasons {
    let periodic = matches!(instrument.reports, Reports::Periodic);
    let expected = period.0 as f64 / instrument.interval.0.max(1) as f64;
    if periodic && (found as f64) < share * expected.floor() {
        Reason::Incomplete.into()
    } else {
        Reasons::NONE
    }
}

/// Values of a window that pass the range, with how many do not.
struct Passed {
    values: Vec<f64>,
    wrong: usize,
    made_by: u32,
}

fn passed(
    instrument: &Instrument,
    part: &Part,
    samples: &Samples<'_>,
    from: Time,
    to: Time,
) -> Passed {
    let mut passed = Passed { values: Vec::new(), wrong: 0, made_by: 0 };
    for point in within(samples.points, from, to).iter().filter(|p| !p.left_out()) {
        let supply = supply_at(samples.supply, point.time);
        match canonical(instrument, part, point, supply) {
            Some((value, made_by)) => {
                let checked = check(instrument.quantity, value, instrument.plausible, None);
                passed.made_by = made_by;
                if checked.flag == Flag::Erroneous {
                    passed.wrong += 1;
                } else {
                    passed.values.push(checked.value);
                }
            }
            None => passed.wrong += 1,
        }
    }
    passed
}

fn wind_by_values(
    instrument: &Instrument,
    part: &Part,
    samples: &Samples<'_>,
    asked: &Asked,
    means: [(observation::SeriesIndex, Span); 2],
    gust_series: observation::SeriesIndex,
    drafts: &mut Vec<Draft>,
) {
    let minute = asked.minute;
    for (series, period) in means {
        let Passed { values, wrong, made_by } =
            passed(instrument, part, samples, minute - period, minute);
        if values.is_empty() {
            continue;
        }
        let mean = values.iter().sum::<f64>() / values.len() as f64;
        let mut reasons = complete(instrument, values.len(), period, COVERED_WIND);
        if wrong > 0 {
            reasons = reasons.with(Reason::Range);
        }
        let trusted = (Flag::Unchecked, reasons);
        let plausible = instrument.plausible;
        drafts.extend(checked_draft(
            series,
            Quantity::WindSpeed,
            plausible,
            minute,
            mean,
            trusted,
            made_by,
        ));
    }
    greatest(instrument, part, samples, asked, gust_series, drafts);
}

fn greatest(
    instrument: &Instrument,
    part: &Part,
    samples: &Samples<'_>,
    asked: &Asked,
    series: observation::SeriesIndex,
    drafts: &mut Vec<Draft>,
) {
    let minute = asked.minute;
    let Passed { values, made_by, .. } = passed(instrument, part, samples, minute - LONG, minute);
    let Some(most) = values.iter().copied().max_by(f64::total_cmp) else { return };
    let reasons = complete(instrument, values.len(), LONG, COVERED_WIND);
    let trusted = (Flag::Unchecked, reasons);
    let quantity = Quantity::WindSpeedOfGust;
    drafts.extend(checked_draft(series, quantity, None, minute, most, trusted, made_by));
}

/// Directions of a window.
struct SeenDirections {
    directions: Directions,
    faults: usize,
    found: usize,
}

fn directions(
    instrument: &Instrument,
    part: &Part,
    vane: Option<&observation::signal::vane::Vane>,
    samples: &Samples<'_>,
    minute: Time,
) -> SeenDirections {
    let mut all = SeenDirections { directions: Directions::default(), faults: 0, found: 0 };
    let mut seen = Seen::default();
    for point in within(samples.points, minute - LONG - CONTEXT, minute) {
        if point.left_out() {
            continue;
        }
        let inside = point.time > minute - LONG;
        match point_direction(instrument, part, vane, point, samples.supply, &mut seen) {
            Ok(direction) if inside => {
                all.found += 1;
                if let Some(degrees) = direction {
                    all.directions.add(degrees, 1.0);
                }
            }
            Err(()) if inside => {
                all.found += 1;
                all.faults += 1;
            }
            _ => {}
        }
    }
    all
}

/// The direction of one sample; `Err` for a fault of vane or wiring.
pub(crate) fn point_direction(
    instrument: &Instrument,
    part: &Part,
    vane: Option<&observation::signal::vane::Vane>,
    point: &Point,
    supply: &[Point],
    seen: &mut Seen,
) -> Result<Option<f64>, ()> {
    if let Some(vane) = vane {
        return match vane.read(&point.value, point.time, seen, None) {
            observation::signal::vane::Pointing::At(degrees) => Ok(Some(degrees)),
            observation::signal::vane::Pointing::Unknown => Ok(None),
            observation::signal::vane::Pointing::Fault(_) => Err(()),
        };
    }
    if let Value::Text(word) = &point.value {
        let degrees = direction::parse_point(word).ok_or(())?;
        return Ok(direction::normalise(degrees + instrument.mounting));
    }
    canonical(instrument, part, point, supply_at(supply, point.time))
        .map(|(degrees, _)| Some(degrees))
        .ok_or(())
}

fn direction_drafts(
    instrument: &Instrument,
    seen: &SeenDirections,
    asked: &Asked,
    mean: observation::SeriesIndex,
    spread: observation::SeriesIndex,
    drafts: &mut Vec<Draft>,
) {
    if seen.found == 0 {
        return;
    }
    let decimals = Quantity::WindFromDirection.decimals();
    let mut reasons = complete(instrument, seen.found, LONG, COVERED_WIND);
    let mut flag = Flag::Good;
    if seen.faults > 0 {
        reasons = reasons.with(Reason::Fault);
        // A quarter of faults leaves little to average (own choice).
        if seen.faults * 4 > seen.found {
            flag = Flag::Doubtful;
        }
    }
    let made_by = 0;
    let time = asked.minute;
    if seen.faults == seen.found {
        // Nothing but faults: the wiring needs a person.
        for series in [mean, spread] {
            drafts.push(Draft { series, time, value: None, flag: Flag::Missing, reasons, made_by });
        }
        return;
    }
    // In a calm there is no direction, and a vane at rest is no fault.
    if asked.calm {
        return;
    }
    if let Some(steps) = seen.directions.mean().and_then(|d| direction::to_steps(d, decimals)) {
        drafts.push(Draft { series: mean, time, value: Some(steps), flag, reasons, made_by });
    }
    if let Some(steps) = seen.directions.standard_deviation().and_then(|s| to_steps(s, decimals)) {
        drafts.push(Draft { series: spread, time, value: Some(steps), flag, reasons, made_by });
    }
}

fn rain(
    instrument: &Instrument,
    part: &Part,
    samples: &Samples<'_>,
    asked: &Asked,
    series: observation::SeriesIndex,
    drafts: &mut Vec<Draft>,
) {
    let minute = asked.minute;
    let from = minute - Span(MINUTE);
    let here = within(samples.points, from, minute);
    // Silence is zero only where the channel speaks on change and its station lives.
    let silent_zero = asked.alive && !matches!(instrument.reports, Reports::Periodic);
    if here.is_empty() && !silent_zero {
        return;
    }
    let mut sum = 0.0;
    let mut trusted = (Flag::Unchecked, Reasons::NONE);
    let mut made_by = depth(instrument, minute).map_or(0, |(_, made_by)| made_by);
    if part.counts {
        let counted = increments(samples.count, instrument, samples.points);
        trusted = trust(&counted, from, minute);
        for (increment, left_out) in counted.iter().filter(|(i, _)| i.to > from && i.to <= minute) {
            if let Some((one, made)) = depth(instrument, increment.to) {
                sum += observation::signal::gauge::depth(increment, one);
                made_by = made;
            }
            if *left_out && increment.count > 0 {
                trusted.0 = Flag::Doubtful;
                trusted.1 = trusted.1.with(Reason::Clock);
            }
        }
    } else {
        // A direct depth is what fell since the sample before, by the channel's own words.
        for point in here {
            if let Some((value, made)) = canonical(instrument, part, point, None) {
                sum += value;
                made_by = made;
            }
            if point.left_out() {
                trusted.0 = Flag::Doubtful;
                trusted.1 = trusted.1.with(Reason::Clock);
            }
        }
    }
    let plausible = (0.0..=quality::range::GREATEST_MINUTE_OF_RAIN).contains(&sum);
    let flag = trusted.0.worse(if plausible { Flag::Good } else { Flag::Erroneous });
    let reasons = if plausible { trusted.1 } else { trusted.1.with(Reason::Range) };
    let Some(steps) = to_steps(sum, Quantity::PrecipitationDepth.decimals()) else { return };
    drafts.push(Draft { series, time: minute, value: Some(steps), flag, reasons, made_by });
}
