//! Rows of humidity, pressure, comfort and evapotranspiration.

use super::{Got, Row, one, word};
use meteorology::saturation::{Method, Phase};
use meteorology::{
    comfort, evapotranspiration as et, growing, humidity, pressure, saturation, tendency,
};

fn celsius(fahrenheit: f64) -> f64 {
    (fahrenheit - 32.0) / 1.8
}

fn fahrenheit(celsius: f64) -> f64 {
    celsius * 1.8 + 32.0
}

fn saturated(row: &Row<'_>) -> Got {
    let id = row.id();
    let method = [
        ("es-ashrae", Method::HylandWexler1983),
        ("es-mk", Method::MurphyKoop2005),
        ("es-if97", Method::Iapws),
        ("es-iapws", Method::Iapws),
        ("es-wmo", Method::Wmo8),
        ("es-bolton", Method::Bolton1980),
        ("es-aerk", Method::AlduchovEskridge1996),
        ("es-fao56", Method::Fao56),
    ];
    let method = method.iter().find(|(start, _)| id.starts_with(start)).unwrap().1;
    let ice = row.input("phase").and_then(toml::Value::as_str) == Some("ice");
    let phase = if ice { Phase::Ice } else { Phase::Water };
    let celsius = if row.input("temperature_k").is_some() {
        row.number("temperature_k") - 273.15
    } else {
        row.number("temperature_c")
    };
    let per_hectopascal = match row.unit() {
        "Pa" => 100.0,
        "hPa" => 1.0,
        "kPa" => 0.1,
        other => panic!("{id}: unit {other}"),
    };
    one(saturation::pressure(method, phase, celsius).map(|p| p * per_hectopascal))
}

fn wet_bulb(row: &Row<'_>) -> (f64, f64, f64) {
    (row.number("dry_bulb_c"), row.number("wet_bulb_c"), row.number("pressure_pa") / 100.0)
}

/// Vapour pressure by the thermodynamic wet bulb.
fn vapour(row: &Row<'_>) -> f64 {
    let (dry, wet, pressure) = wet_bulb(row);
    let mixed = humidity::mixing_ratio_from_wet_bulb(dry, wet, pressure).unwrap();
    humidity::from_mixing_ratio(humidity::MASS_RATIO_ASHRAE, mixed, pressure)
}

fn height(row: &Row<'_>) -> f64 {
    row.input("geometric_altitude_m").map_or_else(
        || row.number("geopotential_altitude_m"),
        |_| pressure::geopotential(row.number("geometric_altitude_m")),
    )
}

fn chill(row: &Row<'_>) -> Got {
    let metric = row.input("wind_speed_km_h").is_some();
    let temperatures = row.numbers(if metric { "temperature_c" } else { "temperature_f" });
    let chill = |t: f64| {
        if metric {
            comfort::wind_chill(t, row.number("wind_speed_km_h") / 3.6).unwrap()
        } else {
            let wind = row.number("wind_speed_mph") * 0.447_04;
            fahrenheit(comfort::wind_chill_nws(celsius(t), wind).unwrap())
        }
    };
    Got::Numbers(temperatures.into_iter().map(chill).collect())
}

/// Three pressures that have a shape of code table 0200.
fn shape(row: &Row<'_>) -> Got {
    let (before, middle, now) = match row.word("shape") {
        "rise_then_fall" => (1000.0, 1002.0, 1001.0),
        "rise_then_steady_or_slower_rise" => (1000.0, 1002.0, 1002.0),
        "rise" => (1000.0, 1001.0, 1002.0),
        "fall_or_steady_then_rise_or_faster_rise" => (1000.0, 999.0, 1001.0),
        "steady" => (1000.0, 1000.0, 1000.0),
        "fall_then_rise" => (1000.0, 998.0, 999.0),
        "fall_then_steady_or_slower_fall" => (1000.0, 998.0, 998.0),
        "fall" => (1000.0, 999.0, 998.0),
        "steady_or_rise_then_fall_or_faster_fall" => (1000.0, 1000.0, 998.0),
        other => panic!("{}: shape {other}", row.id()),
    };
    Got::Numbers(vec![f64::from(tendency::characteristic(before, middle, now))])
}

fn psychrometer(row: &Row<'_>) -> Got {
    let (dry, wet) = (row.number("dry_bulb_c"), row.number("wet_bulb_c"));
    if row.input("pressure_kpa").is_some() {
        let (pressure, coefficient) = (row.number("pressure_kpa"), row.number("coefficient_per_c"));
        return Got::Numbers(vec![et::from_psychrometer(dry, wet, pressure, coefficient)]);
    }
    let pressure = row.number("pressure_hpa");
    one(humidity::from_psychrometer(Method::Wmo8, dry, wet, pressure, Phase::Water))
}

fn daily(row: &Row<'_>) -> Got {
    let n = |name| row.number(name);
    let (highest, lowest) = (n("tmax_c"), n("tmin_c"));
    let (latitude, day) = (n("latitude_deg"), n("day_of_year"));
    let outside = et::extraterrestrial(latitude, day);
    one(et::daily(&et::Day {
        highest,
        lowest,
        vapour: et::from_extremes(highest, lowest, n("rhmax_pct"), n("rhmin_pct")),
        wind: n("wind_km_h") / 3.6 * et::wind_factor(n("wind_height_m")).unwrap(),
        radiation: Some(et::from_sunshine(n("sunshine_h"), et::daylight(latitude, day), outside)),
        latitude,
        elevation: n("altitude_m"),
        day,
    }))
}

fn hourly(row: &Row<'_>) -> Got {
    let n = |name| row.number(name);
    let elevation = n("altitude_m");
    let clearness = row
        .input("rs_rso")
        .map_or_else(|| n("rs_mj_h") / et::clear_sky(elevation, n("ra_mj_h")), |_| n("rs_rso"));
    one(et::hourly(&et::Hour {
        temperature: n("temperature_c"),
        humidity: n("relative_humidity_pct"),
        wind: n("u2_m_s"),
        radiation: n("rs_mj_h"),
        clearness,
        elevation,
    }))
}

fn degrees(row: &Row<'_>) -> Got {
    let n = |name| row.number(name);
    let (highest, lowest, base) = (n("tmax_c"), n("tmin_c"), n("base_c"));
    if (n("method") - 1.0).abs() < 0.5 {
        one(growing::degrees_mean_first(highest, lowest, base))
    } else {
        one(growing::degrees_clamped_first(highest, lowest, base, None))
    }
}

fn sea_level(row: &Row<'_>) -> Got {
    let n = |name| row.number(name);
    let t = n("temperature_c");
    if row.input("station_pressure_pa").is_some() {
        let reduced = pressure::sea_level_dry(n("station_pressure_pa") / 100.0, t, n("altitude_m"));
        return one(reduced.map(|p| p * 100.0));
    }
    let height = n("geopotential_height_gpm");
    one(pressure::sea_level(n("station_pressure_hpa"), t, n("vapour_pressure_hpa"), height))
}

fn by_ashrae(quantity: &str, row: &Row<'_>) -> Option<Got> {
    const METHOD: Method = Method::HylandWexler1983;
    let n = |name| row.number(name);
    Some(match quantity {
        "humidity_ratio_from_wet_bulb" => {
            let (dry, wet, pressure) = wet_bulb(row);
            one(humidity::mixing_ratio_from_wet_bulb(dry, wet, pressure))
        }
        "relative_humidity_from_wet_bulb" => {
            let over = saturation::pressure(METHOD, Phase::Water, n("dry_bulb_c")).unwrap();
            Got::Numbers(vec![100.0 * vapour(row) / over])
        }
        "dew_point_from_wet_bulb" => {
            one(saturation::temperature(METHOD, Phase::Water, vapour(row)))
        }
        "saturation_mixing_ratio" => {
            let pressure = n("pressure_pa") / 100.0;
            let pure = saturation::pressure(METHOD, Phase::Water, n("temperature_c")).unwrap();
            let moist = humidity::enhancement(pressure).unwrap() * pure;
            one(humidity::mixing_ratio(humidity::MASS_RATIO_ASHRAE, moist, pressure))
        }
        "dry_air_specific_volume" => {
            let density = humidity::air_density(n("temperature_c"), 0.0, n("pressure_pa") / 100.0);
            one(density.map(f64::recip))
        }
        _ => return None,
    })
}

fn by_fao(quantity: &str, row: &Row<'_>) -> Option<Got> {
    let n = |name| row.number(name);
    Some(match quantity {
        "vapour_pressure_from_rh" => {
            let vapour =
                et::from_extremes(n("tmax_c"), n("tmin_c"), n("rhmax_pct"), n("rhmin_pct"));
            Got::Numbers(vec![vapour])
        }
        "vapour_pressure_from_dew_point" => Got::Numbers(vec![et::saturation(n("dew_point_c"))]),
        "slope_of_saturation_curve" => Got::Numbers(vec![et::slope(n("temperature_c"))]),
        "psychrometric_constant" => {
            Got::Numbers(vec![et::psychrometric_constant(n("pressure_kpa"))])
        }
        "reference_evapotranspiration_daily" => daily(row),
        "reference_evapotranspiration_hourly" => hourly(row),
        "hargreaves_et0" => one(et::hargreaves(n("tmax_c"), n("tmin_c"), n("ra_mj"))),
        "clear_sky_radiation" => Got::Numbers(vec![et::clear_sky(n("altitude_m"), n("ra_mj"))]),
        "solar_radiation_from_temperature" => {
            one(et::from_temperatures(n("tmax_c"), n("tmin_c"), n("ra_mj"), n("krs")))
        }
        "net_longwave_radiation" => {
            let (highest, lowest) = (n("tmax_c"), n("tmin_c"));
            Got::Numbers(vec![et::net_longwave(
                highest,
                lowest,
                n("ea_kpa"),
                n("rs_mj"),
                n("rso_mj"),
            )])
        }
        "growing_degree_days" => degrees(row),
        _ => return None,
    })
}

pub(super) fn row(quantity: &str, row: &Row<'_>) -> Option<Got> {
    let n = |name| row.number(name);
    Some(match quantity {
        "saturation_vapour_pressure" => saturated(row),
        "vapour_pressure_from_psychrometer" => psychrometer(row),
        "wet_bulb_temperature" => {
            one(humidity::wet_bulb_stull(n("temperature_c"), n("relative_humidity_pct")))
        }
        "absolute_humidity" => {
            // The table rests on saturation itself, not on a Magnus form, which is 0.3 % low.
            let (t, u) = (n("temperature_c"), n("relative_humidity_pct"));
            let vapour = humidity::vapour_pressure(Method::Iapws, t, u).unwrap();
            one(humidity::absolute_humidity(vapour, t))
        }
        "dew_point" if row.input("vapour_pressure_hpa").is_some() => {
            one(saturation::temperature(Method::Wmo8, Phase::Water, n("vapour_pressure_hpa")))
        }
        "dew_point" => {
            one(humidity::dew_point(Method::Wmo8, n("temperature_c"), n("relative_humidity_pct")))
        }
        "frost_point" => {
            one(humidity::frost_point(Method::Wmo8, n("temperature_c"), n("relative_humidity_pct")))
        }
        "enhancement_factor" => one(humidity::enhancement(n("pressure_hpa"))),
        "standard_atmosphere_pressure" => {
            let per_hectopascal = if row.unit() == "Pa" { 100.0 } else { 1.0 };
            one(pressure::standard_pressure(height(row)).map(|p| p * per_hectopascal))
        }
        "standard_atmosphere_temperature" => one(pressure::standard_temperature(height(row))),
        "qnh" if row.input("method").is_some() => {
            one(pressure::altimeter_setting(n("qfe_hpa"), n("elevation_m")))
        }
        "qnh" => one(pressure::altimeter_setting_fitted(n("qfe_hpa"), n("elevation_m"))),
        "sea_level_pressure" => sea_level(row),
        "pressure_tendency_term" => word(tendency::Term::of(n("change_hpa_3h")).word()),
        "pressure_characteristic" => shape(row),
        "heat_index" => {
            let index =
                comfort::heat_index(celsius(n("temperature_f")), n("relative_humidity_pct"));
            one(index.map(fahrenheit))
        }
        "wind_chill" => chill(row),
        "humidex" => one(comfort::humidex(n("temperature_c"), n("dew_point_c"))),
        "apparent_temperature" => one(comfort::apparent_temperature(
            n("temperature_c"),
            n("relative_humidity_pct"),
            n("wind_speed_m_s"),
        )),
        other => return by_ashrae(other, row).or_else(|| by_fao(other, row)),
    })
}
