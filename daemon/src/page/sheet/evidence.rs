//! What a diagnosis rests on, drawn: the instrument's hours less the middle of the same
//! quantity at the other stations.

use super::hourly::{everywhere, hourly, lines};
use super::pairs::{LEAST, WIDE, unit};
use super::roles::Role;
use super::source::Source;
use crate::page::graphics::strip::{Strip, drawn};
use history::{Look, ReadError};
use maud::{Markup, html};
use observation::time::HOUR;
use observation::{Diagnosis, Property, Quantity, SeriesIndex, Span, Time};
use quality::pairs::{Both, difference};

/// Days shown before what a diagnosis speaks of began.
const BEFORE: Span = Span::days(5);

/// A diagnosis drawn.
pub struct Evidence {
    /// Which diagnosis, by its place in the list.
    pub place: usize,
    quantity: Quantity,
    from: Time,
    to: Time,
    since: Time,
    differences: Vec<(i64, f64)>,
    band: Option<(f64, f64)>,
}

/// What diagnoses of an instrument rest on: its hours less the median of the same
/// quantity at the other stations.
///
/// # Errors
/// When the history cannot be read.
pub fn read(
    look: &Look<'_>,
    property: &Property,
    diagnoses: &[Diagnosis],
    now: Time,
) -> Result<Vec<Evidence>, ReadError> {
    let mut found = Vec::new();
    for (place, said) in diagnoses.iter().enumerate().take(3) {
        let Some((station, instrument)) = said.station.as_ref().zip(said.instrument.as_ref())
        else {
            continue;
        };
        let Some(role) = property
            .station(station)
            .and_then(|s| {
                property.instruments.iter().find(|i| i.station == s && i.id == *instrument)
            })
            .and_then(|i| Role::of(i.quantity))
        else {
            continue;
        };
        let list = everywhere(look, property, role);
        let Some(own) = list.iter().find(|(id, _)| id == station).map(|(_, s)| *s) else {
            continue;
        };
        let others: Vec<SeriesIndex> = list.iter().map(|(_, s)| *s).filter(|s| *s != own).collect();
        let Some(quantity) = look.names().series(own).map(|s| s.quantity) else { continue };
        let since = said.since;
        let (from, to) = (since - BEFORE, now.min(since + Span::days(10)));
        let series: Vec<SeriesIndex> = list.iter().map(|(_, s)| *s).collect();
        let hours = hourly(look, &series, from, to)?;
        let Some(mine) = hours.get(&own) else { continue };
        let differences: Vec<(i64, f64)> = mine
            .iter()
            .filter_map(|(hour, mean)| {
                let theirs: Vec<f64> =
                    others.iter().filter_map(|s| Some(hours.get(s)?.get(hour)?.value)).collect();
                let middle = meteorology::statistics::median(&theirs)?;
                let both = Both {
                    time: Time(hour * HOUR),
                    first: mean.value,
                    second: middle,
                    wind: None,
                    direction: None,
                    sun: 0.0,
                };
                Some((*hour, difference(quantity, &both)))
            })
            .collect();
        let before: Vec<f64> =
            differences.iter().filter(|(hour, _)| hour * HOUR < since.0).map(|d| d.1).collect();
        let band = meteorology::statistics::median(&before)
            .zip(meteorology::statistics::scaled_deviation(&before))
            .filter(|_| before.len() >= LEAST)
            .map(|(middle, spread)| (middle, spread * WIDE));
        found.push(Evidence { place, quantity, from, to, since, differences, band });
    }
    Ok(found)
}

/// The drawing of what a diagnosis rests on.
pub fn strip(source: &Source<'_>, found: &Evidence, title: &str) -> Markup {
    let (factor, unit) = unit(source, found.quantity);
    let texts = source.texts;
    let hours = found.differences.iter().map(|(hour, value)| (*hour, value * factor));
    drawn(&Strip {
        id: format!("evidence{}", found.place),
        heading: html! { (texts.evidence_note) ", " (unit) ", " (source.local.day(found.from)) " \u{2013} " (source.local.day(found.to)) },
        title: title.to_owned(),
        description: texts.evidence_note.to_owned(),
        lines: lines(hours, found.from, found.to),
        doubted: Vec::new(),
        band: found.band.map(|(middle, half)| (middle * factor, half * factor)),
        since: Some((found.since - found.from).0 as f64 / (found.to - found.from).0.max(1) as f64),
    })
}
