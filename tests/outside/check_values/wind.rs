//! Rows of wind, rain and units.

use super::{Got, Row, one};
use meteorology::{evapotranspiration as et, rain, wind};
use observation::Unit;
use observation::signal::{cup::Cup, direction, gauge};

fn convert(row: &Row<'_>) -> Got {
    let from = match row.word("from_unit") {
        "kn" => "[kn_i]",
        "mph" => "[mi_i]/h",
        "inHg" => "[in_i'Hg]",
        other => panic!("{}: unit {other}", row.id()),
    };
    let (from, to) = (Unit::parse(from).unwrap(), Unit::parse(row.unit()).unwrap());
    Got::Numbers(vec![from.convert(row.number("value"), &to).unwrap()])
}

fn class(row: &Row<'_>) -> Got {
    let scheme = match row.word("scheme") {
        "AMS" => rain::Scheme::Ams,
        "WMO" => rain::Scheme::Wmo,
        other => panic!("{}: scheme {other}", row.id()),
    };
    super::word(scheme.class(row.number("rate_mm_h")).unwrap())
}

pub(super) fn row(quantity: &str, row: &Row<'_>) -> Option<Got> {
    let n = |name| row.number(name);
    Some(match quantity {
        "beaufort" => one(wind::beaufort(n("wind_speed_m_s")).map(f64::from)),
        "wind_components" => {
            let (u, v) = wind::components(n("speed"), n("direction_deg"));
            Got::Numbers(vec![u, v])
        }
        "wind_direction_from_components" => {
            Got::Numbers(vec![wind::direction_of(n("u"), n("v")).unwrap()])
        }
        "direction_std_dev" => {
            let mut all = direction::Directions::default();
            row.numbers("directions_deg").into_iter().for_each(|d| all.add(d, 1.0));
            Got::Numbers(vec![all.standard_deviation().unwrap()])
        }
        "wind_speed_at_2m" => one(et::wind_factor(n("height_m")).map(|f| f * n("wind_speed_m_s"))),
        "wind_profile_factor" => one(et::wind_factor(n("height_m"))),
        "wind_speed_log_profile" => one(wind::at_height(
            n("wind_speed_m_s"),
            n("from_height_m"),
            n("to_height_m"),
            n("roughness_length_m"),
        )),
        "standard_open_terrain_wind" => {
            let (speed, roughness) = (n("wind_speed_m_s"), n("upstream_roughness_m"));
            one(wind::over_open_ground(speed, n("height_m"), roughness))
        }
        "compass_point" => {
            let sixteen = direction::point_of_sixteen(n("direction_deg")).unwrap();
            let eight = direction::point_of_eight(n("direction_deg")).unwrap();
            Got::Words(vec![sixteen.to_owned(), eight.to_owned()])
        }
        "cup_anemometer_speed" => {
            let (slope, offset) = (n("slope_m"), n("offset_m_s"));
            let cup = Cup { slope, offset, threshold: offset };
            Got::Numbers(vec![cup.speed(n("frequency_hz")).unwrap().value])
        }
        "first_order_step_response" => {
            let (speed, elapsed) = (n("wind_speed_m_s"), n("elapsed_s"));
            one(wind::step_response(speed, n("distance_constant_m"), elapsed))
        }
        "unit_conversion" => convert(row),
        "tip_depth" => {
            let diameter = row.input("collector_area_cm2").map_or_else(
                || n("collector_diameter_mm"),
                |_| 20.0 * (n("collector_area_cm2") / std::f64::consts::PI).sqrt(),
            );
            Got::Numbers(vec![gauge::depth_of_change(n("volume_ml"), diameter).unwrap()])
        }
        "rain_rate" => one(rain::rate(n("tip_depth_mm"), n("interval_s"))),
        "rain_rate_dead_time_corrected" => {
            let rate = rain::rate(n("tip_depth_mm"), n("interval_s")).unwrap();
            one(rain::corrected(rate, n("interval_s"), n("dead_time_s")))
        }
        "rain_intensity_class" => class(row),
        _ => return None,
    })
}
