//! From what the comparison of neighbours found to a cause, in words.

use super::causes::Cause;
use super::points::POINTS;
use crate::charts::Charted;
use crate::neighbours::{Kind, Suspicion};
use observation::Quantity;

/// The cause that a suspicion has by itself, before conditions are looked at.
pub const fn named(suspicion: &Suspicion) -> Cause {
    use Quantity as Q;
    if suspicion.station.is_none() {
        return Cause::Disagreement;
    }
    match (suspicion.kind, suspicion.quantity) {
        (Kind::Clock, _) => Cause::StationClockWrong,
        (Kind::Blocked, _) => Cause::GaugeCatchesTooLittle,
        (Kind::Offset, Q::AirTemperature) => Cause::ThermometerOffset,
        (Kind::Offset, Q::RelativeHumidity) => Cause::HumidityOffset,
        (Kind::Offset, Q::DewPointTemperature) => Cause::DewPointOffset,
        (Kind::Offset, Q::WindSpeed) => Cause::CupFactorWrong,
        (Kind::Offset, Q::WindFromDirection) => Cause::VaneTurned,
        (Kind::Offset, _) => Cause::BarometerOffset,
        (Kind::Stuck, Q::AirTemperature) => Cause::ThermometerStuck,
        (Kind::Stuck, Q::RelativeHumidity | Q::DewPointTemperature) => Cause::HumidityStuck,
        (Kind::Stuck, Q::WindSpeed) => Cause::CupStuck,
        (Kind::Stuck, Q::WindFromDirection) => Cause::VaneStuck,
        (Kind::Stuck, _) => Cause::BarometerStuck,
    }
}

/// What was found, in a sentence; `hours` since it began.
pub fn words(suspicion: &Suspicion, hours: f64) -> String {
    let size = suspicion.size.unwrap_or(0.0);
    let unit = suspicion.quantity.unit();
    let name = suspicion.quantity.name().replace('_', " ");
    let more = if size < 0.0 { "below" } else { "above" };
    match suspicion.kind {
        Kind::Stuck => format!("{name} has not moved for {hours:.0} h while the neighbours did"),
        Kind::Blocked => {
            format!("no tip in {hours:.0} h in which the neighbours agree on {size:.1} mm of rain")
        }
        Kind::Clock => format!(
            "changes of pressure fit those of the neighbours when shifted by {:.0} h ({})",
            size.abs(),
            if size > 0.0 { "the station is late" } else { "the station is early" }
        ),
        Kind::Offset if suspicion.quantity == Quantity::WindSpeed => {
            format!("{name} is {size:.2} times what the neighbours let expect, for {hours:.0} h")
        }
        Kind::Offset if suspicion.quantity == Quantity::WindFromDirection => format!(
            "{name} is turned by {size:.0} deg against what the neighbours let expect, for {hours:.0} h"
        ),
        Kind::Offset => format!(
            "{name} is {:.2} {unit} {more} what the neighbours let expect, for {hours:.0} h",
            size.abs()
        ),
    }
}

/// What a chart of a condition told, in a sentence.
pub fn words_of_chart(charted: &Charted) -> String {
    let size = charted.size;
    let found = match charted.cause {
        Cause::SunlitScreen => format!(
            "air temperature is {size:+.1} Cel in sun and light wind against what it is at night and was before"
        ),
        Cause::HumiditySlowToDry => format!(
            "relative humidity is {size:+.0} % in the hours after rain or fog against what it is when dry and was before"
        ),
        Cause::CupSlowAtHighWind => {
            format!("strong wind is {size:.2} times what light wind and the days before let expect")
        }
        Cause::CupSticking => {
            format!("light wind is {size:.2} times what strong wind and the days before let expect")
        }
        Cause::GaugeCountsTooMuch | Cause::GaugeCatchesTooLittle => {
            format!("rain is {size:.2} times what the neighbours and the days before let expect")
        }
        Cause::BarometerPumped => format!(
            "pressure is {size:+.2} hPa in strong wind against what it is in light wind and was before"
        ),
        Cause::BarometerWarmed => format!(
            "pressure is {size:+.2} hPa in the sun against what it is at night and was before"
        ),
        Cause::VaneSwitchDead => return gap_in_the_rose(charted),
        Cause::GaugeRainAlone => return rain_alone(charted),
        _ => format!(
            "wind from around {:.0} deg is {size:.2} times what other sectors and the days before let expect",
            charted.sector.unwrap_or(0.0)
        ),
    };
    format!(
        "{found}, on {} such days (cumulative sum at {:.1} of its limit)",
        charted.days, charted.score
    )
}

fn gap_in_the_rose(charted: &Charted) -> String {
    let middle = charted.sector.unwrap_or(0.0);
    let wide = (charted.size / 45.0).round();
    let points: Vec<&str> = (0..POINTS.len())
        .filter(|place| {
            let off = (*place as f64 * 45.0 - middle + 180.0).rem_euclid(360.0) - 180.0;
            off.abs() <= wide * 22.5
        })
        .filter_map(|place| POINTS.get(place).map(|(name, _)| *name))
        .collect();
    format!(
        "wind direction left out {} in {} h of wind from there, on {} days, and shows other points as before (cumulative sum at {:.1} of its limit)",
        points.join(", "),
        charted.hours.unwrap_or(0),
        charted.days,
        charted.score
    )
}

fn rain_alone(charted: &Charted) -> String {
    let alone = charted.alone;
    let hour = alone
        .and_then(|a| a.hour)
        .map_or(String::new(), |hour| format!(", mostly around {:02.0}:30 UTC", hour.floor()));
    let humidity = alone
        .and_then(|a| a.humidity)
        .map_or(String::new(), |humidity| format!(", at a relative humidity of {humidity:.0} %"));
    format!(
        "{:.1} mm in {} h on {} days while no neighbour had rain{hour}{humidity} (cumulative sum at {:.1} of its limit)",
        charted.size,
        charted.hours.unwrap_or(0),
        charted.days,
        charted.score
    )
}
