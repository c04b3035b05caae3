//! Quantities that are computed from readings of the same minute, and what each takes.
//!
//! Wind is taken as the cup measures it, at its own height: nothing here pretends to
//! know the wind at ten metres.

use meteorology::humidity::{self, MASS_RATIO};
use meteorology::saturation::{self, Method, Phase};
use meteorology::validity::{OutOfRange, Valid};
use meteorology::{comfort, pressure, wind};
use observation::Quantity;

/// One thing a recipe takes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Input {
    Temperature,
    Humidity,
    Pressure,
    Wind,
}

impl Input {
    pub(crate) const ALL: [Self; 4] =
        [Self::Temperature, Self::Humidity, Self::Pressure, Self::Wind];

    /// What an instrument measures that gives it.
    pub(crate) const fn quantity(self) -> Quantity {
        match self {
            Self::Temperature => Quantity::AirTemperature,
            Self::Humidity => Quantity::RelativeHumidity,
            Self::Pressure => Quantity::SurfaceAirPressure,
            Self::Wind => Quantity::WindSpeed,
        }
    }

    /// The key that names its instrument in the settings.
    pub(crate) const fn key(self) -> &'static str {
        match self {
            Self::Temperature => "thermometer",
            Self::Humidity => "hygrometer",
            Self::Pressure => "barometer",
            Self::Wind => "anemometer",
        }
    }
}

/// Values in canonical units; not a number where the recipe does not take one.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Given {
    pub(crate) temperature: f64,
    pub(crate) humidity: f64,
    pub(crate) pressure: f64,
    pub(crate) wind: f64,
    /// Of the barometer above mean sea level, m.
    pub(crate) height: f64,
    /// Of the station above mean sea level, m.
    pub(crate) elevation: f64,
}

impl Given {
    fn vapour(&self) -> Valid {
        humidity::vapour_pressure(Method::Wmo8, self.temperature, self.humidity)
    }

    fn mixing_ratio(&self) -> Valid {
        humidity::mixing_ratio(MASS_RATIO, self.vapour()?, self.pressure)
    }

    fn wet_bulb(&self, pressure: f64) -> Valid {
        humidity::wet_bulb(Method::Wmo8, self.temperature, self.humidity, pressure)
    }

    /// Only where water freezes: above, the dew point says it.
    fn frost_point(&self) -> Valid {
        if self.temperature >= 0.0 {
            return Err(OutOfRange::Undefined("a frost point is given below 0 Cel"));
        }
        humidity::frost_point(Method::Wmo8, self.temperature, self.humidity)
    }
}

/// How one quantity is computed.
#[derive(Clone, Copy)]
pub(crate) struct Recipe {
    pub(crate) quantity: Quantity,
    pub(crate) needs: &'static [Input],
    /// Whether it is given without being chosen.
    pub(crate) usual: bool,
    pub(crate) compute: fn(&Given) -> Valid,
}

impl std::fmt::Debug for Recipe {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Recipe").field("quantity", &self.quantity).finish_non_exhaustive()
    }
}

use Input::{Humidity, Pressure, Temperature, Wind};

/// All of them. Of recipes of the same quantity the first whose inputs are there is used.
pub(crate) const RECIPES: &[Recipe] = &[
    Recipe {
        quantity: Quantity::DewPointTemperature,
        needs: &[Temperature, Humidity],
        usual: true,
        compute: |g| humidity::dew_point(Method::Wmo8, g.temperature, g.humidity),
    },
    Recipe {
        quantity: Quantity::FrostPointTemperature,
        needs: &[Temperature, Humidity],
        usual: true,
        compute: Given::frost_point,
    },
    Recipe {
        quantity: Quantity::WetBulbTemperature,
        needs: &[Temperature, Humidity, Pressure],
        usual: true,
        compute: |g| g.wet_bulb(g.pressure),
    },
    // Thirty hectopascals more or less are a tenth of a kelvin: without a barometer the
    // standard atmosphere will do.
    Recipe {
        quantity: Quantity::WetBulbTemperature,
        needs: &[Temperature, Humidity],
        usual: true,
        compute: |g| g.wet_bulb(pressure::standard_pressure(pressure::geopotential(g.elevation))?),
    },
    Recipe {
        quantity: Quantity::AltimeterSetting,
        needs: &[Pressure],
        usual: true,
        compute: |g| pressure::altimeter_setting(g.pressure, g.height),
    },
    Recipe {
        quantity: Quantity::WaterVaporPartialPressure,
        needs: &[Temperature, Humidity],
        usual: false,
        compute: Given::vapour,
    },
    Recipe {
        quantity: Quantity::SaturationVaporPressure,
        needs: &[Temperature],
        usual: false,
        compute: |g| saturation::pressure(Method::Wmo8, Phase::Water, g.temperature),
    },
    Recipe {
        quantity: Quantity::HumidityMixingRatio,
        needs: &[Temperature, Humidity, Pressure],
        usual: false,
        compute: Given::mixing_ratio,
    },
    Recipe {
        quantity: Quantity::SpecificHumidity,
        needs: &[Temperature, Humidity, Pressure],
        usual: false,
        compute: |g| g.mixing_ratio().map(humidity::specific_humidity),
    },
    Recipe {
        quantity: Quantity::AbsoluteHumidity,
        needs: &[Temperature, Humidity],
        usual: false,
        compute: |g| humidity::absolute_humidity(g.vapour()?, g.temperature),
    },
    Recipe {
        quantity: Quantity::VirtualTemperature,
        needs: &[Temperature, Humidity, Pressure],
        usual: false,
        compute: |g| humidity::virtual_temperature(g.temperature, g.mixing_ratio()?),
    },
    Recipe {
        quantity: Quantity::AirDensity,
        needs: &[Temperature, Humidity, Pressure],
        usual: false,
        compute: |g| humidity::air_density(g.temperature, g.vapour()?, g.pressure),
    },
    Recipe {
        quantity: Quantity::HeatIndexOfAirTemperature,
        needs: &[Temperature, Humidity],
        usual: false,
        compute: |g| comfort::heat_index(g.temperature, g.humidity),
    },
    Recipe {
        quantity: Quantity::WindChillOfAirTemperature,
        needs: &[Temperature, Wind],
        usual: false,
        compute: |g| comfort::wind_chill(g.temperature, g.wind),
    },
    Recipe {
        quantity: Quantity::Humidex,
        needs: &[Temperature, Humidity],
        usual: false,
        compute: |g| comfort::humidex_from_humidity(g.temperature, g.humidity),
    },
    Recipe {
        quantity: Quantity::ApparentTemperature,
        needs: &[Temperature, Humidity, Wind],
        usual: false,
        compute: |g| comfort::apparent_temperature(g.temperature, g.humidity, g.wind),
    },
    // Of the mean over ten minutes, which is the wind taken here.
    Recipe {
        quantity: Quantity::BeaufortWindForce,
        needs: &[Wind],
        usual: false,
        compute: |g| wind::beaufort(g.wind).map(f64::from),
    },
];
