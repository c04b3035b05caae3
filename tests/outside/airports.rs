//! Open data: a year of three airports, and pairs of altimeter setting and sea-level
//! pressure from published reports (`metar.tsv`).

use meteorology::saturation::{self, Method, Phase};
use meteorology::summaries::Summary;
use meteorology::{humidity, pressure};
use observation::{StationIndex, Time, Unit};
use std::collections::BTreeMap;
use std::process::Command;

/// The rows of `airports.py`, by their first column.
pub(crate) fn rows() -> Vec<Vec<String>> {
    let python = std::env::var("ISOBARN_TESTS_PYTHON").unwrap_or_else(|_| "python3".into());
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/outside/airports.py");
    let output = Command::new(&python).arg(script).output().expect("Python starts");
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "`tests/run --install` installs what {python} lacks: {said}");
    let text = String::from_utf8(output.stdout).unwrap();
    text.lines().map(|line| line.split('\t').map(str::to_owned).collect()).collect()
}

/// Every row of the record in its order of time: when, where, and temperature and dew point
/// in degF, humidity in % and wind speed in mph as they are published.
pub(crate) fn raw() -> Vec<(Time, StationIndex, [Option<f64>; 4])> {
    let rows = rows();
    let raw = rows.iter().filter(|row| row[0] == "raw").map(|row| {
        let station = ["EWR", "JFK", "LGA"].iter().position(|s| *s == row[1]).unwrap();
        let seconds: i64 = row[2].parse().unwrap();
        let value = |column: usize| row[column].parse().ok();
        let values = [value(3), value(4), value(5), value(6)];
        (Time(seconds * 1000), StationIndex(u16::try_from(station).unwrap()), values)
    });
    let mut raw: Vec<_> = raw.collect();
    raw.sort_by_key(|row| (row.0, row.1));
    raw
}

fn celsius(fahrenheit: f64) -> f64 {
    let from = Unit::parse("[degF]").unwrap();
    from.convert(fahrenheit, &Unit::parse("Cel").unwrap()).unwrap()
}

#[test]
fn a_year_of_three_airports_has_its_dew_points_and_its_days() {
    let rows = rows();
    let number = |row: &[String], column: usize| row[column].parse::<f64>().unwrap();
    // The published humidity was made from temperature and dew point by Bolton's formula and
    // stands to 0.01 %: that moves the dew point by up to 0.008 degF in the driest hours.
    let (mut hours, mut largest, mut apart) = (0_u32, 0.0_f64, Vec::new());
    let mut summaries: BTreeMap<(&str, i64), Summary> = BTreeMap::new();
    for row in rows.iter().filter(|row| row[0] == "hour") {
        if row[6] != "1" {
            continue;
        }
        let (t, published) = (celsius(number(row, 3)), number(row, 4));
        let dew_point = humidity::dew_point(Method::Bolton1980, t, number(row, 5));
        let Ok(dew_point) = dew_point else {
            // Some hours are warmer than the formula's 35 Cel.
            assert!(t > 35.0, "{row:?}: {dew_point:?}");
            continue;
        };
        let difference = ((dew_point - celsius(published)) * 1.8).abs();
        hours += 1;
        if difference > 0.01 {
            apart.push(row.join(" "));
        } else {
            largest = largest.max(difference);
        }
    }
    // Two regular reports of the year contradict themselves.
    assert!(hours > 23_000 && apart.len() <= 2, "{hours} {apart:?}");

    for row in rows.iter().filter(|row| row[0] == "hour") {
        let seconds: i64 = row[2].parse().unwrap();
        let day = seconds - seconds.rem_euclid(86_400);
        let summary =
            summaries.entry((row[1].as_str(), day)).or_insert_with(|| Summary::expecting(24));
        #[allow(clippy::cast_possible_truncation)]
        let hundredths = (number(row, 3) * 100.0).round() as i64;
        summary.add(hundredths, Time(seconds * 1000));
    }
    let mut days = 0;
    for row in rows.iter().filter(|row| row[0] == "day") {
        let summary = &summaries[&(row[1].as_str(), row[2].parse::<i64>().unwrap())];
        let ours = [summary.minimum().unwrap().steps, summary.maximum().unwrap().steps];
        for (ours, column) in ours.into_iter().zip([4, 5]) {
            assert!((ours as f64 / 100.0 - number(row, column)).abs() < 1e-6, "{row:?}: {ours}");
        }
        days += 1;
    }
    assert!(days > 1_080, "{days}");
    crate::summary::write(
        "airports",
        &format!(
            "{hours} dew points of three airports, largest difference {largest:.1e} K of degF, \
             {} that contradict themselves; highest and lowest of {days} days as pandas has them",
            apart.len()
        ),
    );
}

#[test]
fn reports_of_pressure_agree_at_low_stations_and_are_refused_at_high_ones() {
    let inches = Unit::parse("[in_i'Hg]").unwrap();
    let hectopascals = Unit::parse("hPa").unwrap();
    let (mut low, mut sum, mut high) = (0, 0.0, 0);
    for line in include_str!("metar.tsv").lines().filter(|line| !line.starts_with('#')) {
        let columns: Vec<&str> = line.split('\t').collect();
        let number = |column: usize| columns[column].parse::<f64>().unwrap();
        let (elevation, t, dew_point) = (number(2), number(3), number(4));
        let setting = inches.convert(number(5) / 100.0, &hectopascals).unwrap();
        let station = pressure::from_altimeter_setting(setting, elevation).unwrap();
        let vapour = saturation::pressure(Method::Wmo8, Phase::Water, dew_point).unwrap();
        let height = pressure::geopotential(elevation);
        let reduced = pressure::sea_level(station, t, vapour, height);
        if elevation > pressure::LOW_LEVEL {
            assert_eq!(reduced.err(), pressure::no_sea_level(height), "{line}");
            high += 1;
            continue;
        }
        let apart = reduced.unwrap() - number(6);
        // Half a hundredth of an inch and half a tenth of hPa; the temperature of the report
        // stands for a mean of twelve hours, which may be 15 K off: 0.0063 hPa a metre.
        let allowed = 0.17 + 0.05 + 0.0063 * elevation;
        assert!(apart.abs() < allowed, "{line}: {apart} hPa");
        low += 1;
        sum += apart;
    }
    assert!(low >= 11 && high >= 5, "{low} {high}");
    // One-sided differences would be an error of method.
    let mean = sum / f64::from(low);
    assert!(mean.abs() < 0.3, "{mean}");
    crate::summary::write(
        "metar",
        &format!(
            "{low} reported sea-level pressures, mean difference {mean:.2} hPa; {high} refused"
        ),
    );
}
