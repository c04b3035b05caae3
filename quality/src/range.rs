//! The plausible range: outside it a value is not weather.
//!
//! Limits: WMO, Guide to the Global Observing System (WMO-No. 488), appendix VI.2,
//! plausible value check, by way of a secondary copy; for quantities that the table
//! does not know, physical limits or common practice, as said beside them.

use observation::Quantity;

/// Lowest and highest plausible value in the canonical unit, both included. None
/// where no limit is known.
pub const fn plausible(quantity: Quantity) -> Option<(f64, f64)> {
    Some(match quantity {
        Quantity::AirTemperature | Quantity::WetBulbTemperature => (-80.0, 60.0),
        Quantity::DewPointTemperature | Quantity::FrostPointTemperature => (-80.0, 35.0),
        // Ground surface and soil, the widest rows of the table.
        Quantity::GrassTemperature => (-80.0, 80.0),
        Quantity::SoilTemperature => (-50.0, 50.0),
        Quantity::RelativeHumidity => (0.0, 100.0),
        Quantity::SurfaceAirPressure | Quantity::AirPressure => (500.0, 1_100.0),
        Quantity::WindSpeed => (0.0, 75.0),
        // Highest gust range of WMO-No. 8, annex 1.A (from memory).
        Quantity::WindSpeedOfGust => (0.0, 150.0),
        Quantity::WindFromDirection => (0.0, 360.0),
        Quantity::ShortwaveFlux => (0.0, 1_600.0),
        // 40 mm in one minute, as a rate; the table gives the minute.
        Quantity::RainfallRate => (0.0, 2_400.0),
        // Common practice: small direct-current systems.
        Quantity::BatteryVoltage | Quantity::SupplyVoltage => (0.0, 60.0),
        // No limits are published for the rest.
        _ => return None,
    })
}

/// The most that can fall in one minute, in millimetres (same table).
pub const GREATEST_MINUTE_OF_RAIN: f64 = 40.0;
