//! How pairs of neighbours differ, hour by hour, in the band that was learned for them, or
//! that is usual in the span; the most unusual first.

use super::figures::{plain, signed};
use super::hourly::{everywhere, hourly, lines};
use super::roles::Role;
use super::source::Source;
use crate::page::graphics::strip::{Strip, drawn};
use history::{Look, ReadError};
use maud::{Markup, html};
use observation::time::HOUR;
use observation::{Property, Quantity, SeriesIndex, Time};
use processor::UsualPair;
use quality::pairs::{Both, Comparison, compare, difference};

/// Fewest common hours of which something is usual.
pub const LEAST: usize = 12;
/// Half the width of a band, in spreads.
pub const WIDE: f64 = 2.0;
/// Most strips.
const MOST: usize = 6;

/// An hour of both, and whether both count.
type Hour = (Both, bool);

/// Two stations and one quantity.
pub struct Pair {
    stations: [String; 2],
    quantity: Quantity,
    hours: Vec<Hour>,
    usual: Comparison,
    /// From when to when it was learned; none where it is that of the span.
    learned: Option<(Time, Time)>,
}

/// All pairs that have enough hours in common, the most unusual first; `learned` is what the
/// judgement holds to be usual.
///
/// # Errors
/// When the history cannot be read.
pub fn read(
    look: &Look<'_>,
    property: &Property,
    learned: &[UsualPair],
    (from, to): (Time, Time),
) -> Result<Vec<Pair>, ReadError> {
    let roles = [Role::Temperature, Role::Humidity, Role::Pressure];
    let chosen: Vec<Vec<(String, SeriesIndex)>> = roles
        .iter()
        .map(|role| {
            let mut all = everywhere(look, property, *role);
            // Pressures at two heights are not to be compared.
            let quantity = |index| look.names().series(index).map(|s| s.quantity);
            all.retain(|(_, index)| quantity(*index) != Some(Quantity::SurfaceAirPressure));
            all
        })
        .filter(|s| s.len() > 1)
        .collect();
    let series: Vec<SeriesIndex> = chosen.iter().flatten().map(|s| s.1).collect();
    if series.is_empty() {
        return Ok(Vec::new());
    }
    let all = hourly(look, &series, from, to)?;
    let mut pairs = Vec::new();
    for list in &chosen {
        for (place, (first, left)) in list.iter().enumerate() {
            for (second, right) in list.iter().skip(place + 1) {
                let names = look.names();
                let Some((one, other)) = names.series(*left).zip(names.series(*right)) else {
                    continue;
                };
                let (Some(a), Some(b)) = (all.get(left), all.get(right)) else { continue };
                if one.quantity != other.quantity {
                    continue;
                }
                let together = |(hour, first): (&i64, &super::hourly::Mean)| {
                    let second = b.get(hour)?;
                    let both = Both {
                        time: Time(hour * HOUR),
                        first: first.value,
                        second: second.value,
                        wind: None,
                        direction: None,
                        sun: 0.0,
                    };
                    Some((both, first.counts && second.counts))
                };
                let hours: Vec<Hour> = a.iter().filter_map(together).collect();
                let stations = [first.clone(), second.clone()];
                pairs.extend(Pair::new(property, learned, stations, one.quantity, hours));
            }
        }
    }
    pairs.sort_by(|a, b| b.unusual().total_cmp(&a.unusual()));
    pairs.truncate(MOST);
    Ok(pairs)
}

impl Pair {
    /// None where nothing is usual.
    fn new(
        property: &Property,
        learned: &[UsualPair],
        stations: [String; 2],
        quantity: Quantity,
        hours: Vec<Hour>,
    ) -> Option<Self> {
        let places = [property.station(&stations[0])?, property.station(&stations[1])?];
        let of = |pair: &&UsualPair| pair.quantity == quantity && pair.stations == places;
        if hours.len() < LEAST {
            return None;
        }
        if let Some(pair) = learned.iter().find(of) {
            let learned = Some((pair.from, pair.to));
            return Some(Self { stations, quantity, hours, usual: pair.usual, learned });
        }
        let usual = compare(quantity, hours.iter().filter(|h| h.1).map(|h| &h.0))?;
        (usual.count >= LEAST).then_some(Self { stations, quantity, hours, usual, learned: None })
    }

    /// How many spreads the last hour is from what is usual.
    fn unusual(&self) -> f64 {
        let last = self.hours.last().map_or(0.0, |(both, _)| difference(self.quantity, both));
        (last - self.usual.bias).abs() / self.usual.spread.max(0.01)
    }

    /// By hour, times a factor, those that count or those that do not.
    fn differences(&self, factor: f64, counts: bool) -> impl Iterator<Item = (i64, f64)> {
        let own = self.hours.iter().filter(move |(_, c)| *c == counts);
        own.map(move |(both, _)| (both.time.0 / HOUR, difference(self.quantity, both) * factor))
    }
}

/// Factor and unit of a difference.
pub fn unit(source: &Source<'_>, quantity: Quantity) -> (f64, String) {
    (source.shown.scale(quantity).0, source.shown.difference_label(quantity))
}

/// The strips of all pairs; nothing where there is one station only.
pub fn strips(source: &Source<'_>, pairs: Option<&[Pair]>) -> Markup {
    let texts = source.texts;
    if source.property.stations.len() < 2 {
        return html! {};
    }
    html! {
        section id="pairs" aria-labelledby="pairs-h" {
            h2 id="pairs-h" { (texts.pairs) }
            p { @match pairs {
                None => (texts.pairs_elsewhere),
                Some([]) => (texts.learning),
                Some(_) => (texts.pairs_note),
            } }
            @for (place, pair) in pairs.unwrap_or_default().iter().enumerate() { (strip(source, place, pair)) }
        }
    }
}

fn strip(source: &Source<'_>, place: usize, pair: &Pair) -> Markup {
    let texts = source.texts;
    let (factor, unit) = unit(source, pair.quantity);
    let [first, second] = [0, 1].map(|n| source.station(&pair.stations[n]));
    let usual = (pair.usual.bias * factor, pair.usual.spread * factor * WIDE);
    let title = format!("{first} \u{2212} {second}: {}", texts.quantity(pair.quantity));
    let within = match pair.learned {
        Some((from, to)) => {
            format!("{} {}\u{2013}{}", texts.learned, source.local.day(from), source.local.day(to))
        }
        None => texts.in_this_span.to_owned(),
    };
    let words = format!(
        "{} {} \u{b1} {}\u{a0}{unit}, {within}, {}\u{a0}h",
        texts.usual,
        signed(usual.0, 2),
        plain(usual.1, 2),
        pair.usual.count
    );
    let (from, to) = (source.gathered.from, source.gathered.to);
    let doubted = lines(pair.differences(factor, false), from, to);
    drawn(&Strip {
        id: format!("pair{place}"),
        heading: html! {
            strong { (title) } ", " (words)
            @if !doubted.is_empty() { "; " span.doubted { (texts.thick) } }
        },
        title: title.clone(),
        description: words.clone(),
        lines: lines(pair.differences(factor, true), from, to),
        doubted,
        band: Some(usual),
        since: None,
    })
}
