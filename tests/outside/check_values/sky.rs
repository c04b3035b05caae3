//! Rows of the sun.

use super::{Got, Row};
use meteorology::{evapotranspiration as et, sun};
use observation::Time;

fn position(row: &Row<'_>) -> sun::Position {
    let place = sun::Place {
        latitude: row.number("latitude_deg"),
        longitude: row.number("longitude_deg"),
        elevation: row.number("elevation_m"),
        pressure: row.number("pressure_hpa"),
        temperature: row.number("temperature_c"),
    };
    let time = Time::parse(row.word("local_time")).unwrap();
    sun::position(time.seconds(), row.number("delta_t_s"), &place)
}

pub(super) fn row(quantity: &str, row: &Row<'_>) -> Option<Got> {
    let n = |name| row.number(name);
    Some(Got::Numbers(match quantity {
        "solar_declination" => vec![et::declination(n("day_of_year"))],
        "sunset_hour_angle" => vec![et::sunset_angle(n("latitude_deg"), n("day_of_year"))],
        "inverse_relative_distance" => vec![et::inverse_distance(n("day_of_year"))],
        "solar_zenith_apparent" => vec![position(row).zenith],
        "solar_zenith_geometric" => vec![position(row).true_zenith],
        "solar_azimuth" => vec![position(row).azimuth],
        "surface_incidence_angle" => {
            vec![sun::incidence(&position(row), n("slope_deg"), n("azimuth_rotation_deg"))]
        }
        "julian_day" => vec![sun::julian_day(Time::parse(row.word("utc")).unwrap().seconds())],
        "sunrise_sunset_utc" => {
            let midnight = format!("{}T00:00:00Z", row.word("date"));
            let midnight = Time::parse(&midnight).unwrap().seconds();
            let (latitude, longitude) = (n("latitude_deg"), n("longitude_deg"));
            let day = sun::day(midnight, latitude, longitude, n("horizon_deg"));
            vec![day.rise.unwrap() - midnight, day.set.unwrap() - midnight]
        }
        _ => return None,
    }))
}
