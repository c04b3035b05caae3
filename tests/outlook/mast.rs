//! Another place than the one the outlook starts from: does learning from own hours help?
//!
//! `demo_data.csv` of `brightwind` 2.7.0 (MIT; where the mast stands is not said): one mast,
//! ten minutes, January 2016 to November 2017. Its pressure is in whole hPa at a height that
//! is not said, so a constant brings its mean to 1015 hPa; its wind is that of 40 m.

use meteorology::humidity;
use meteorology::outlook::{Hour, Model, Place, Score, Terms, WINDOW};
use meteorology::saturation::Method;
use observation::Time;
use observation::signal::direction::Directions;
use std::collections::BTreeMap;
use std::path::Path;

/// Values of an hour that make it one.
const LEAST: usize = 5;

/// Sums of one hour.
#[derive(Default)]
struct Sums {
    count: usize,
    /// Temperature, humidity, pressure, speed, rain.
    sums: [f64; 5],
    directions: Directions,
}

/// Prints the score of chances with and without learning, by half-year of the record.
pub(crate) fn print(path: &Path) -> Result<(), String> {
    let hours = hours(path)?;
    let mut place = Place::default();
    let (mut learned, mut plain) = (BTreeMap::new(), BTreeMap::new());
    let mut told_to_people: BTreeMap<i64, usize> = BTreeMap::new();
    let (first, last) = match (hours.first_key_value(), hours.last_key_value()) {
        (Some((first, _)), Some((last, _))) => (*first, *last),
        _ => return Err("the record is empty".to_owned()),
    };
    let of = |hour: i64| hours.get(&hour).copied().unwrap_or_default();
    for hour in first..=last {
        let before: Vec<Hour> = (hour + 1 - WINDOW as i64..=hour).map(of).collect();
        let told = place.take(hour, &before);
        let following: Vec<Hour> = (hour + 1..=hour + 12).map(of).collect();
        if let (Some(told), Some(terms), Some(wet)) =
            (told, Terms::of(&before), meteorology::outlook::terms::outcome(&following))
        {
            let half_year = (hour - first) / (24 * 183) + 1;
            *told_to_people.entry(half_year).or_insert(0) += usize::from(told.proven);
            for (scores, chance) in
                [(&mut learned, told.chance), (&mut plain, Model::starting().chance(&terms))]
            {
                let score: &mut Score = scores.entry(half_year).or_default();
                score.add(hour, chance, terms.was_wet(), wet);
            }
        }
    }
    println!(
        "one mast, {} hours; skill over the share of wet hours of each half-year itself",
        hours.len()
    );
    for (half_year, own) in &learned {
        let skill = |score: &Score| score.skill().unwrap_or(f64::NAN);
        println!(
            "half-year {half_year}: {} hours, {:.3} wet, skill {:.3} as it learns, {:.3} as it starts; over persistence {:.3}; told to people {}",
            own.count,
            own.share().unwrap_or(f64::NAN),
            skill(own),
            plain.get(half_year).map_or(f64::NAN, skill),
            own.skill_over_persistence().unwrap_or(f64::NAN),
            told_to_people.get(half_year).copied().unwrap_or_default()
        );
    }
    Ok(())
}

fn hours(path: &Path) -> Result<BTreeMap<i64, Hour>, String> {
    let text = std::fs::read_to_string(path).map_err(|e| format!("{}: {e}", path.display()))?;
    let mut lines = text.trim_start_matches('\u{feff}').lines();
    let names: Vec<&str> = lines.next().unwrap_or("").split(',').collect();
    let column =
        |name: &str| names.iter().position(|n| *n == name).ok_or(format!("no column {name}"));
    let columns =
        [column("T2m")?, column("RH2m")?, column("P2m")?, column("Spd40mN")?, column("PrcpTot")?];
    let vane = column("Dir38mS")?;
    let mut all: BTreeMap<i64, Sums> = BTreeMap::new();
    for line in lines {
        let fields: Vec<&str> = line.split(',').collect();
        let value = |place: usize| fields.get(place).and_then(|f| f.parse::<f64>().ok());
        let stamp = fields.first().map_or(String::new(), |f| f.replace(' ', "T") + "Z");
        let Ok(time) = Time::parse(&stamp) else { continue };
        let Some(values) = columns.iter().map(|c| value(*c)).collect::<Option<Vec<f64>>>() else {
            continue;
        };
        let hour = all.entry(time.0.div_euclid(3_600_000)).or_default();
        hour.count += 1;
        for (sum, value) in hour.sums.iter_mut().zip(values) {
            *sum += value;
        }
        if let Some(direction) = value(vane) {
            hour.directions.add(direction, 1.0);
        }
    }
    all.retain(|_, sums| sums.count >= LEAST);
    let usual = all.values().map(|s| s.sums[2] / s.count as f64).sum::<f64>() / all.len() as f64;
    let hour = |sums: &Sums| {
        let mean = |place: usize| sums.sums[place] / sums.count as f64;
        let (temperature, humidity) = (mean(0), mean(1).clamp(1.0, 100.0));
        Hour {
            pressure: Some(mean(2) - usual + 1015.0),
            temperature: Some(temperature),
            dew_point: humidity::dew_point(Method::Wmo8, temperature, humidity).ok(),
            humidity: Some(humidity),
            speed: Some(mean(3)),
            direction: sums.directions.mean(),
            rain: Some(sums.sums[4]),
        }
    };
    Ok(all.iter().map(|(at, sums)| (*at, hour(sums))).collect())
}
