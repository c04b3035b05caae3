//! The quantities, by their CF standard names where one exists (CF Standard Name
//! Table, names marked from memory in the project's reference notes), else by the
//! trade's name spelled out; their canonical units, steps and metric names; and one
//! newtype for each canonical unit, which the formulas take and give.

use crate::Unit;
use serde::{Deserialize, Deserializer, Serialize, Serializer};
use std::fmt;

macro_rules! quantities {
    ($( $(#[$doc:meta])* $name:ident = $word:literal, $unit:literal, $decimals:literal, $base:ident; )*) => {
        /// A measured or derived quantity.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub enum Quantity { $( $(#[$doc])* $name, )* }

        impl Quantity {
            /// Every quantity, in the order of this list.
            pub const ALL: &'static [Self] = &[ $( Self::$name, )* ];

            /// The name.
            pub const fn name(self) -> &'static str {
                match self { $( Self::$name => $word, )* }
            }

            /// The UCUM code of the canonical unit.
            pub const fn unit(self) -> &'static str {
                match self { $( Self::$name => $unit, )* }
            }

            /// Readings are whole multiples of ten to the power of minus this.
            pub const fn decimals(self) -> u8 {
                match self { $( Self::$name => $decimals, )* }
            }

            /// The base unit of the metric.
            pub const fn base(self) -> Base {
                match self { $( Self::$name => Base::$base, )* }
            }
        }
    };
}

quantities! {
    /// Temperature of the air in a screen.
    AirTemperature = "air_temperature", "Cel", 2, Celsius;
    /// Relative humidity over liquid water at all temperatures.
    RelativeHumidity = "relative_humidity", "%", 2, Ratio;
    /// Dew point over liquid water.
    DewPointTemperature = "dew_point_temperature", "Cel", 2, Celsius;
    /// Frost point over ice.
    FrostPointTemperature = "frost_point_temperature", "Cel", 2, Celsius;
    /// Wet-bulb temperature.
    WetBulbTemperature = "wet_bulb_temperature", "Cel", 2, Celsius;
    /// Temperature at which dry air would have the density of the moist air.
    VirtualTemperature = "virtual_temperature", "Cel", 2, Celsius;
    /// Pressure at the barometer.
    SurfaceAirPressure = "surface_air_pressure", "hPa", 2, Pascals;
    /// Pressure reduced to mean sea level.
    AirPressureAtMeanSeaLevel = "air_pressure_at_mean_sea_level", "hPa", 2, Pascals;
    /// Change of the pressure at the barometer over the period.
    TendencyOfSurfaceAirPressure = "tendency_of_surface_air_pressure", "hPa", 2, Pascals;
    /// How the pressure changed within the period: WMO code table 0200, 0 to 8.
    CharacteristicOfPressureTendency = "characteristic_of_pressure_tendency", "1", 0, Code;
    /// Pressure reduced to sea level in the standard atmosphere (QNH).
    AltimeterSetting = "altimeter_setting", "hPa", 2, Pascals;
    /// Pressure at a stated height.
    AirPressure = "air_pressure", "hPa", 2, Pascals;
    /// Wind speed.
    WindSpeed = "wind_speed", "m/s", 2, MetersPerSecond;
    /// Direction the wind blows from, clockwise from true north, above 0 to 360.
    WindFromDirection = "wind_from_direction", "deg", 1, Degrees;
    /// Gust.
    WindSpeedOfGust = "wind_speed_of_gust", "m/s", 2, MetersPerSecond;
    /// Depth of precipitation as water.
    PrecipitationDepth = "lwe_thickness_of_precipitation_amount", "mm", 3, Meters;
    /// Rate of rainfall.
    RainfallRate = "rainfall_rate", "mm/h", 2, MetersPerSecond;
    /// Global irradiance on the horizontal.
    ShortwaveFlux = "surface_downwelling_shortwave_flux_in_air", "W/m2", 1, WattsPerSquareMeter;
    /// Temperature in the soil.
    SoilTemperature = "soil_temperature", "Cel", 2, Celsius;
    /// Temperature just above short grass.
    GrassTemperature = "grass_temperature", "Cel", 2, Celsius;
    /// Depth of snow on the ground.
    SurfaceSnowThickness = "surface_snow_thickness", "m", 3, Meters;
    /// Heat index.
    HeatIndexOfAirTemperature = "heat_index_of_air_temperature", "Cel", 2, Celsius;
    /// Wind chill.
    WindChillOfAirTemperature = "wind_chill_of_air_temperature", "Cel", 2, Celsius;
    /// Humidex, in its own degrees.
    Humidex = "humidex", "1", 2, Ratio;
    /// Beaufort force of the wind at the cup's own height.
    BeaufortWindForce = "beaufort_wind_force", "1", 0, Code;
    /// Apparent temperature in shade.
    ApparentTemperature = "apparent_temperature", "Cel", 2, Celsius;
    /// Mass of vapour by mass of dry air.
    HumidityMixingRatio = "humidity_mixing_ratio", "1", 6, Ratio;
    /// Mass of vapour by mass of moist air.
    SpecificHumidity = "specific_humidity", "1", 6, Ratio;
    /// Mass of vapour in a volume.
    AbsoluteHumidity = "absolute_humidity", "g/m3", 2, GramsPerCubicMeter;
    /// Partial pressure of vapour.
    WaterVaporPartialPressure = "water_vapor_partial_pressure_in_air", "hPa", 3, Pascals;
    /// Saturation vapour pressure.
    SaturationVaporPressure = "saturation_vapor_pressure", "hPa", 3, Pascals;
    /// Density of moist air.
    AirDensity = "air_density", "kg/m3", 4, GramsPerCubicMeter;
    /// Evapotranspiration of the reference crop.
    ReferenceEvapotranspiration = "reference_evapotranspiration", "mm", 3, Meters;
    /// Chance of any precipitation in the twelve hours after the reading's time.
    ProbabilityOfPrecipitation = "probability_of_precipitation", "%", 1, Ratio;
    /// Voltage of the station's battery.
    BatteryVoltage = "battery_voltage", "V", 3, Volts;
    /// Voltage that feeds a sensor.
    SupplyVoltage = "supply_voltage", "V", 3, Volts;
    /// Strength of the radio signal.
    SignalStrength = "signal_strength", "dBm", 1, Decibels;
    /// Time since the station started.
    Uptime = "uptime", "s", 0, Seconds;
    /// Illuminance.
    Illuminance = "illuminance", "lx", 1, Lux;
}

/// The base unit in which a quantity stands in metrics, by Prometheus's naming
/// practice (Prometheus documentation, Metric and label naming, base units).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Base {
    /// Degrees Celsius.
    Celsius,
    /// A fraction of one.
    Ratio,
    /// Pascals.
    Pascals,
    /// Metres.
    Meters,
    /// Metres per second.
    MetersPerSecond,
    /// Degrees of arc.
    Degrees,
    /// Watts per square metre.
    WattsPerSquareMeter,
    /// Volts.
    Volts,
    /// Decibels over a milliwatt.
    Decibels,
    /// Seconds.
    Seconds,
    /// Lux.
    Lux,
    /// Grams per cubic metre.
    GramsPerCubicMeter,
    /// A number out of a code table.
    Code,
}

impl Base {
    /// The suffix of the metric's name.
    pub const fn suffix(self) -> &'static str {
        match self {
            Self::Celsius => "celsius",
            Self::Ratio => "ratio",
            Self::Pascals => "pascals",
            Self::Meters => "meters",
            Self::MetersPerSecond => "meters_per_second",
            Self::Degrees => "degrees",
            Self::WattsPerSquareMeter => "watts_per_square_meter",
            Self::Volts => "volts",
            Self::Decibels => "decibel_milliwatts",
            Self::Seconds => "seconds",
            Self::Lux => "lux",
            Self::GramsPerCubicMeter => "grams_per_cubic_meter",
            Self::Code => "code",
        }
    }

    /// The UCUM code of the base unit.
    pub const fn unit(self) -> &'static str {
        match self {
            Self::Celsius => "Cel",
            Self::Ratio | Self::Code => "1",
            Self::Pascals => "Pa",
            Self::Meters => "m",
            Self::MetersPerSecond => "m/s",
            Self::Degrees => "deg",
            Self::WattsPerSquareMeter => "W/m2",
            Self::Volts => "V",
            Self::Decibels => "dBm",
            Self::Seconds => "s",
            Self::Lux => "lx",
            Self::GramsPerCubicMeter => "g/m3",
        }
    }
}

impl Quantity {
    /// The quantity of a name; the short form `rainfall_depth` is understood.
    pub fn parse(name: &str) -> Option<Self> {
        if name == "rainfall_depth" {
            return Some(Self::PrecipitationDepth);
        }
        Self::ALL.iter().copied().find(|q| q.name() == name)
    }

    /// The name in metrics without the program's prefix, such as `air_temperature_celsius`.
    pub fn metric_name(self) -> String {
        let name = match self {
            Self::PrecipitationDepth => "rainfall",
            other => other.name(),
        };
        format!("{name}_{}", self.base().suffix())
    }

    /// The value of `steps` in the base unit, rounded once: 987.6 hPa is exactly 98760 Pa.
    /// None where the units do not fit, which no quantity's do.
    pub fn base_value(self, steps: i64) -> Option<f64> {
        let unit = Unit::parse(self.unit()).ok()?;
        let base = Unit::parse(self.base().unit()).ok()?;
        let scale = 10_f64.powi(i32::from(self.decimals()));
        let steps = steps as f64;
        if unit.code() == base.code() {
            return Some(steps / scale);
        }
        // The larger of factor and divisor is the exact one: 100 rather than 0.01.
        let factor = unit.convert_difference(1.0, &base)?;
        let divisor = base.convert_difference(1.0, &unit)?;
        Some(if factor >= 1.0 { steps * factor / scale } else { steps / (divisor * scale) })
    }

    /// Whether values lie on a circle of 360 degrees.
    pub const fn is_direction(self) -> bool {
        matches!(self, Self::WindFromDirection)
    }
}

impl fmt::Display for Quantity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

impl Serialize for Quantity {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(self.name())
    }
}

impl<'de> Deserialize<'de> for Quantity {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let name = std::borrow::Cow::<'de, str>::deserialize(deserializer)?;
        Self::parse(&name).ok_or_else(|| {
            serde::de::Error::custom(format!("`{name}` is not a quantity known here"))
        })
    }
}

macro_rules! canonical {
    ($( $(#[$doc:meta])* $name:ident; )*) => { $(
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
        pub struct $name(pub f64);

        impl $name {
            /// The bare number.
            pub const fn get(self) -> f64 { self.0 }
        }
    )* };
}

canonical! {
    /// A temperature in degrees Celsius.
    Celsius;
    /// A difference of temperatures in kelvins.
    Kelvins;
    /// A relative humidity in per cent.
    Percent;
    /// A pressure in hectopascals.
    Hectopascals;
    /// A speed in metres per second.
    MetersPerSecond;
    /// An angle in degrees.
    Degrees;
    /// A depth of water in millimetres.
    Millimeters;
    /// A rate of rainfall in millimetres per hour.
    MillimetersPerHour;
    /// An irradiance in watts per square metre.
    WattsPerSquareMeter;
    /// A length or height in metres.
    Meters;
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Unit;

    #[test]
    fn every_canonical_unit_is_known_and_fits_its_metric_base() {
        for &quantity in Quantity::ALL {
            let unit = Unit::parse(quantity.unit()).unwrap_or_else(|e| panic!("{quantity}: {e}"));
            let base =
                Unit::parse(quantity.base().unit()).unwrap_or_else(|e| panic!("{quantity}: {e}"));
            assert!(unit.fits(&base), "{quantity}");
            assert_eq!(Quantity::parse(quantity.name()), Some(quantity));
        }
        assert_eq!(Quantity::parse("rainfall_depth"), Some(Quantity::PrecipitationDepth));
        assert_eq!(Quantity::parse("frog"), None);
    }
}
