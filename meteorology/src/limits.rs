//! Published limits for values of automatic stations.
//!
//! The rule: the tables stand here as published, one row a parameter; what a station's
//! checks make of them is not decided here. Units are the canonical ones of the quantity.

/// Limits of one parameter (Zahumensky 2004, Guidelines on Quality Control Procedures for
/// Data from Automatic Weather Stations, taken over into WMO-No. 488, App. VI.2; read in
/// secondary copies, the soil's rows from memory).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Limits {
    /// The parameter.
    pub parameter: &'static str,
    /// Lowest and highest plausible value.
    pub range: Option<(f64, f64)>,
    /// Largest change between two samples.
    pub sample_step: Option<f64>,
    /// Change between two one-minute values above which the value is suspect.
    pub minute_suspect: Option<f64>,
    /// And above which it is erroneous.
    pub minute_erroneous: Option<f64>,
    /// Least variability over 60 minutes.
    pub hour_variability: Option<f64>,
}

const fn row(
    parameter: &'static str,
    range: Option<(f64, f64)>,
    sample_step: Option<f64>,
    minute: (Option<f64>, Option<f64>),
    hour_variability: Option<f64>,
) -> Limits {
    Limits {
        parameter,
        range,
        sample_step,
        minute_suspect: minute.0,
        minute_erroneous: minute.1,
        hour_variability,
    }
}

/// The table.
pub const STATION: &[Limits] = &[
    row("air_temperature", Some((-80.0, 60.0)), Some(2.0), (Some(3.0), None), Some(0.1)),
    row("dew_point_temperature", Some((-80.0, 35.0)), Some(2.0), (Some(2.0), Some(4.0)), Some(0.1)),
    row(
        "ground_surface_temperature",
        Some((-80.0, 80.0)),
        Some(2.0),
        (Some(5.0), Some(10.0)),
        Some(0.1),
    ),
    row(
        "soil_temperature_5_to_20_cm",
        Some((-50.0, 50.0)),
        Some(2.0),
        (Some(0.5), Some(1.0)),
        None,
    ),
    row("soil_temperature_50_cm", Some((-50.0, 50.0)), Some(2.0), (Some(0.3), Some(0.5)), None),
    row("soil_temperature_100_cm", Some((-50.0, 50.0)), Some(2.0), (Some(0.1), Some(0.2)), None),
    row("relative_humidity", Some((0.0, 100.0)), Some(5.0), (Some(10.0), Some(15.0)), Some(1.0)),
    row(
        "surface_air_pressure",
        Some((500.0, 1100.0)),
        Some(0.3),
        (Some(0.5), Some(2.0)),
        Some(0.1),
    ),
    row("wind_speed", Some((0.0, 75.0)), Some(20.0), (Some(10.0), Some(20.0)), Some(0.5)),
    row("wind_from_direction", Some((0.0, 360.0)), None, (None, None), Some(10.0)),
    row(
        "surface_downwelling_shortwave_flux_in_air",
        Some((0.0, 1600.0)),
        Some(800.0),
        (Some(800.0), Some(1000.0)),
        None,
    ),
    // Depth in one minute.
    row("lwe_thickness_of_precipitation_amount", Some((0.0, 40.0)), None, (None, None), None),
];

/// The limits of a parameter.
pub fn of(parameter: &str) -> Option<&'static Limits> {
    STATION.iter().find(|l| l.parameter == parameter)
}

/// Hours over which [`time_consistency`] gives tolerances.
pub const HOURS: [u8; 5] = [1, 2, 3, 6, 12];

/// Changes over 1, 2, 3, 6 and 12 hours above which both values are suspect (WMO-No. 305,
/// Guide on the Global Data-processing System, 1993, table of tolerances).
pub fn time_consistency(parameter: &str) -> Option<[f64; 5]> {
    match parameter {
        "air_temperature" => Some([4.0, 7.0, 9.0, 15.0, 25.0]),
        "dew_point_temperature" => Some([4.0, 6.0, 8.0, 12.0, 20.0]),
        "surface_air_pressure" => Some([3.0, 6.0, 9.0, 18.0, 36.0]),
        _ => None,
    }
}

/// Pressure at the station in hPa: below the first or above the last it is erroneous,
/// between the first two or the last two suspect (WMO-No. 305, 1993, p. VI.7).
pub const GROSS_PRESSURE: [f64; 4] = [300.0, 400.0, 1080.0, 1100.0];

/// Whether a value is a spike between its neighbours: `|v - before| + |v - after|` above
/// four standard deviations of the last ten minutes or more (Zahumensky 2004).
pub fn is_spike(before: f64, value: f64, after: f64, deviation: f64) -> bool {
    (value - before).abs() + (value - after).abs() > 4.0 * deviation
}
