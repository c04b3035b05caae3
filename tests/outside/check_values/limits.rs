//! Rows of limits and of robust and spatial statistics. Where the checks of a station
//! already use a limit, it is held against the same row.

use super::{Got, Row, one, word};
use meteorology::{limits, statistics};
use observation::{Quantity, Span};

/// The parameter's name here.
fn parameter<'a>(row: &Row<'a>) -> &'a str {
    match row.word("parameter") {
        "soil_temperature" => "soil_temperature_5_to_20_cm",
        "ground_or_soil_temperature" => "ground_surface_temperature",
        "station_pressure" | "pressure_hpa" => "surface_air_pressure",
        "wind_direction" => "wind_from_direction",
        "wind_speed_2_min" | "wind_speed_2_or_10_min" => "wind_speed",
        "solar_irradiance" => "surface_downwelling_shortwave_flux_in_air",
        "precipitation_1_min" => "lwe_thickness_of_precipitation_amount",
        other => other,
    }
}

fn table(row: &Row<'_>) -> &'static limits::Limits {
    limits::of(parameter(row)).unwrap_or_else(|| panic!("{}: no limits", row.id()))
}

/// What the station's checks use, if they use a limit here, must be one of the table's.
fn agrees(row: &Row<'_>, table: &[f64], used: Option<f64>) {
    if let Some(used) = used {
        let known = table.iter().any(|limit| (limit - used).abs() < 1e-12);
        assert!(known, "{}: {table:?} in the table, {used} in use", row.id());
    }
}

pub(super) fn row(quantity: &str, row: &Row<'_>) -> Option<Got> {
    let limit = |span| Quantity::parse(parameter(row)).and_then(|q| quality::step::limit(q, span));
    let n = |name| row.number(name);
    Some(match quantity {
        "qc_plausible_range" => {
            let (low, high) = table(row).range.unwrap();
            let used = Quantity::parse(parameter(row)).and_then(quality::range::plausible);
            agrees(row, &[low], used.map(|u| u.0));
            agrees(row, &[high], used.map(|u| u.1));
            Got::Numbers(vec![low, high])
        }
        "qc_max_change_between_1_min_values" => {
            let both = [table(row).minute_suspect, table(row).minute_erroneous];
            let both: Vec<f64> = both.into_iter().flatten().collect();
            agrees(row, &both, limit(Span::minutes(1)));
            Got::Numbers(both)
        }
        "qc_max_change_between_samples" => {
            let step = table(row).sample_step.unwrap();
            agrees(row, &[step], limit(Span::seconds(1)));
            Got::Numbers(vec![step])
        }
        "qc_min_variability_60_min" => {
            assert!((n("window_min") - 60.0).abs() < 1e-9);
            Got::Numbers(vec![table(row).hour_variability.unwrap()])
        }
        "qc_time_consistency_tolerance" => {
            let tolerances = limits::time_consistency(parameter(row)).unwrap();
            assert_eq!(row.numbers("interval_h"), limits::HOURS.map(f64::from));
            for (hours, tolerance) in limits::HOURS.into_iter().zip(tolerances) {
                agrees(row, &[tolerance], limit(Span::hours(i64::from(hours))));
            }
            Got::Numbers(tolerances.to_vec())
        }
        "qc_gross_error_limits" => Got::Numbers(limits::GROSS_PRESSURE.to_vec()),
        "qc_4_sigma_spike" => {
            let spike = limits::is_spike(n("previous"), n("value"), n("next"), n("sigma"));
            word(if spike { "suspect" } else { "good" })
        }
        "mad_consistency_factor" => Got::Numbers(vec![statistics::NORMAL_CONSISTENCY]),
        "scaled_mad" => {
            one(statistics::scaled_deviation(&row.numbers("data")).ok_or("no deviation"))
        }
        "barnes_weight" => {
            Got::Numbers(vec![statistics::distance_weight(n("distance_km"), n("kappa_km2"))])
        }
        "spatial_regression_estimate" => {
            let estimates = row.numbers("neighbour_estimates").into_iter();
            let neighbours: Vec<_> = estimates.zip(row.numbers("neighbour_rmse")).collect();
            one(statistics::regression_estimate(&neighbours).map(|e| e.0).ok_or("no estimate"))
        }
        _ => return None,
    })
}
