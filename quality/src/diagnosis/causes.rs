//! The closed list of causes.

/// A diagnosis opens at this confidence.
pub const SUSPECTED: f64 = 0.5;
/// From this confidence on it may become a notice, and the readings say `doubtful`.
pub const SURE: f64 = 0.9;

/// Work at a mast or on a roof.
const MAST: &str = "Mast or roof: not alone, not in wind, ice, darkness or thunder (30 minutes after the last); keep mast, ladder and person 1.5 mast heights from any overhead line; lower the mast rather than climb it; where it cannot be lowered, or local rules ask for it, leave it to a qualified person.";
/// Work at a screen near the ground.
const SCREEN: &str = "Look for wasps and hot metal before reaching in; mind guys and branches.";
/// A gauge.
const GAUGE: &str =
    "Take the gauge down to a bench; carry no water up a ladder; open a work note first.";
/// Cables and batteries.
const POWER: &str = "Extra-low voltage only; mains is for a licensed electrician; never unplug cables in thunder; a lithium cell is not charged below 0 Cel, and a swollen one is discarded.";
/// Nothing in particular.
const NONE: &str = "";

macro_rules! causes {
    ($( $name:ident = $word:literal, $group:ident, $unit:literal, $about:literal, $look:literal, $caution:ident; )*) => {
        /// What may be wrong.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub enum Cause { $( #[doc = $about] $name, )* }

        impl Cause {
            /// The whole list.
            pub const ALL: &'static [Self] = &[ $( Self::$name, )* ];

            /// Its name.
            pub const fn word(self) -> &'static str {
                match self { $( Self::$name => $word, )* }
            }

            /// Its group.
            pub const fn group(self) -> CauseGroup {
                match self { $( Self::$name => CauseGroup::$group, )* }
            }

            /// The UCUM code of its size; empty where it has none.
            pub const fn unit(self) -> &'static str {
                match self { $( Self::$name => $unit, )* }
            }

            /// What it means.
            pub const fn about(self) -> &'static str {
                match self { $( Self::$name => $about, )* }
            }

            /// Where to look, in order, and the usual remedy.
            pub const fn remedy(self) -> &'static str {
                match self { $( Self::$name => $look, )* }
            }

            /// What to mind before that; empty where there is nothing in particular.
            pub const fn cautions(self) -> &'static str {
                match self { $( Self::$name => $caution, )* }
            }
        }
    };
}

/// Causes between which data cannot decide, or which share a remedy.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum CauseGroup {
    /// The thermometer itself.
    Thermometer,
    /// How it is sheltered from sun and wetted.
    Screen,
    /// The humidity or dew-point sensor.
    Humidity,
    /// The barometer, or the height it is said to have.
    Barometer,
    /// The vane.
    Vane,
    /// The cup and its factor.
    Cup,
    /// What stands around the mast.
    Exposure,
    /// The gauge catches too little.
    TooLittleRain,
    /// The gauge counts too much.
    TooMuchRain,
    /// The clock of the station.
    Clock,
    /// Battery and supply.
    Power,
    /// The way of the messages.
    Link,
    /// A sensor that fails, or its wiring.
    Wiring,
    /// What the settings say of an instrument.
    Settings,
    /// Not known.
    Unknown,
}

impl CauseGroup {
    /// Its name.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Thermometer => "thermometer",
            Self::Screen => "screen",
            Self::Humidity => "humidity",
            Self::Barometer => "barometer",
            Self::Vane => "vane",
            Self::Cup => "cup",
            Self::Exposure => "exposure",
            Self::TooLittleRain => "catches_too_little",
            Self::TooMuchRain => "counts_too_much",
            Self::Clock => "clock",
            Self::Power => "power",
            Self::Link => "link",
            Self::Wiring => "wiring",
            Self::Settings => "settings",
            Self::Unknown => "not_known",
        }
    }
}

causes! {
    ThermometerOffset = "thermometer_offset", Thermometer, "Cel", "The thermometer reads too warm or too cold by about the same amount in all weather.",
        "Compare it with another in one screen for two days; then enter the difference as a calibration, or replace the sensor.", SCREEN;
    ThermometerDrift = "thermometer_drift", Thermometer, "Cel", "The thermometer departs slowly from its neighbours.",
        "Look for moisture at the sensor and its joints; replace it if the drift goes on.", SCREEN;
    ThermometerStuck = "thermometer_stuck", Thermometer, "", "The thermometer repeats one value while its neighbours move.",
        "Restart the station; look at the cable and whether the firmware repeats its last value.", NONE;
    SunlitScreen = "sunlit_screen", Screen, "Cel", "The thermometer reads warm when the sun shines and the wind is light: its screen lets sunlight in or is not ventilated.",
        "Look for webs and leaves in the screen, then for a missing plate or a dark wall near by; whiten, shade or ventilate it.", SCREEN;
    SelfHeating = "self_heating", Screen, "Cel", "The thermometer reads warm in calm air by day and by night: something near it is warm.",
        "Move the regulator and the radio out of the screen, or read the sensor less often.", SCREEN;
    HumidityOffset = "humidity_offset", Humidity, "%", "The humidity sensor reads too moist or too dry by about the same amount.",
        "Check it over two salts in a closed jar, sensor and salt apart; enter the result as a calibration.", SCREEN;
    HumidityDrift = "humidity_drift", Humidity, "%", "The humidity sensor departs slowly from its neighbours.",
        "Check it over two salts in a closed jar; a sensor that drifts on is replaced.", SCREEN;
    HumiditySlowToDry = "humidity_slow_to_dry", Humidity, "%", "The humidity sensor stays wet long after its neighbours have dried.",
        "Look for a wet or dirty filter and for water that drips on it; dry it, change the filter.", SCREEN;
    HumidityStuck = "humidity_stuck", Humidity, "", "The humidity sensor repeats one value while its neighbours move.",
        "Restart the station; look at the cable; dry the sensor.", NONE;
    DewPointOffset = "dew_point_offset", Humidity, "Cel", "The dew point is too high or too low by about the same amount.",
        "Check the humidity sensor it comes from over two salts in a closed jar.", SCREEN;
    BarometerOffset = "barometer_offset", Barometer, "hPa", "The barometer is off by about the same amount, or its height is entered wrongly.",
        "Check the height in the settings: that of the sensor above mean sea level; 8 m are 1 hPa. Then compare for three days in light wind.", NONE;
    BarometerDrift = "barometer_drift", Barometer, "hPa", "The barometer departs slowly from its neighbours.",
        "Compare for three days in light wind; a sensor that drifts on is replaced.", NONE;
    BarometerPumped = "barometer_pumped", Barometer, "hPa", "The barometer is off the more the wind blows: the wind pumps its box, or draws air from it.",
        "Look where the vent points and whether the lid closes; let the box breathe through a small hole that looks down, or through a static pressure head; keep the cable entries tight.", POWER;
    BarometerWarmed = "barometer_warmed", Barometer, "hPa", "The barometer is off while its box is warm in the sun: it follows its own temperature.",
        "Put the box in the shade, or the sensor indoors with a hose to the air; make sure that its own temperature is read and its compensation applied; a sensor that still follows is replaced.", POWER;
    BarometerStuck = "barometer_stuck", Barometer, "", "The barometer repeats one value while its neighbours move.",
        "Restart the station; look at the cable.", NONE;
    VaneTurned = "vane_turned", Vane, "deg", "The vane points beside the wind by about the same angle from all sectors: it is turned on its mast, or the mast is.",
        "Loosen, set to true north by a landmark or the sun, fasten; or enter the angle as mounting.", MAST;
    VaneStuck = "vane_stuck", Vane, "", "The vane does not follow the wind: it is seized, iced, or a switch or its wire is dead.",
        "From the ground: does it move? Then bearing, switches one by one, wires.", MAST;
    VaneSwitchDead = "vane_switch_dead", Vane, "deg", "The vane no longer points to some part of the rose though the wind blows from there: a switch or its wire is dead.",
        "Turn it slowly by hand through the whole circle and watch the switches one by one; then plug and wires.", MAST;
    CupFactorWrong = "cup_factor_wrong", Cup, "1", "The cup reads too slow or too fast by about the same factor.",
        "Check slope and offset in the settings and the count of pulses a turn; then the bearing.", MAST;
    CupSlowAtHighWind = "cup_slow_at_high_wind", Cup, "1", "The cup falls behind its neighbours the more the wind blows.",
        "Check the factor and whether fast pulses are lost (dead time, debouncing).", MAST;
    CupSticking = "cup_sticking", Cup, "m/s", "The cup stands or lags in light wind and is right in strong wind: its bearing is tight.",
        "Coast-down test indoors; clean or replace the bearing.", MAST;
    CupStuck = "cup_stuck", Cup, "", "The cup repeats one value while its neighbours move: seized, iced, held by a web, or its wire is dead.",
        "From the ground: does it turn? Then bearing, switch, wire.", MAST;
    MastSheltered = "mast_sheltered", Exposure, "1", "The wind is too weak from some sectors only: something stands there.",
        "Look along the sectors named; note the obstacle, or move the mast.", MAST;
    GaugeCatchesTooLittle = "gauge_catches_too_little", TooLittleRain, "mm", "The gauge stays dry, or catches too little, in rain that its neighbours agree on.",
        "In this order: leaves, web or nest in the funnel; bucket free to move; level; switch and wire; shelter from a new obstacle.", GAUGE;
    GaugeCountsTooMuch = "gauge_counts_too_much", TooMuchRain, "mm", "The gauge counts more than its neighbours in the same rain.",
        "In this order: bounce of the switch (each tip counted twice); depth per tip in the settings; splash or drip into the funnel; level.", GAUGE;
    GaugeRainAlone = "gauge_rain_alone", TooMuchRain, "mm", "The gauge counts rain while all its neighbours stay dry.",
        "In this order: sprinkler or hose (much the same hour, dry air); drip from above; knocks at the post by stock, mower or wind.", GAUGE;
    StationClockWrong = "station_clock_wrong", Clock, "h", "The times that the station states are off: its values fit those of the neighbours when shifted.",
        "Set its clock; check whether it sends local time as if it were UTC.", NONE;
    BatteryFailing = "battery_failing", Power, "V", "The battery falls lower from night to night.",
        "Clean the panel, look at the charge at noon; replace the battery if it does not hold.", POWER;
    RadioDropouts = "radio_dropouts", Link, "1", "Ever more of the messages do not arrive, or many where once nearly all did.",
        "Look at signal strength, antenna and what was put between; then the battery.", POWER;
    SensorFault = "sensor_fault", Wiring, "", "The values are those that a failing sensor is known to return.",
        "Look at plug, cable and supply of the sensor; then replace it.", POWER;
    UnitWrong = "unit_wrong", Settings, "", "The values make no sense in the unit that is declared for them, and would in another.",
        "Look in the firmware which unit it sends; then set `unit` of the instrument to that one, or send the declared one.", NONE;
    Disagreement = "disagreement", Unknown, "1", "Two stations disagree, and nothing says which of them is wrong.",
        "Exchange the two sensors for ten days: does the difference follow the sensor or stay at the place?", NONE;
}

impl Cause {
    /// The cause of a word.
    pub fn parse(word: &str) -> Option<Self> {
        Self::ALL.iter().copied().find(|cause| cause.word() == word)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::HashSet;

    #[test]
    fn words_are_unique_and_masts_come_with_their_cautions() {
        let words: HashSet<&str> = Cause::ALL.iter().map(|c| c.word()).collect();
        assert_eq!(words.len(), Cause::ALL.len());
        for &cause in Cause::ALL {
            assert_eq!(Cause::parse(cause.word()), Some(cause));
            assert!(!cause.about().is_empty() && !cause.remedy().is_empty(), "{cause:?}");
            let high =
                matches!(cause.group(), CauseGroup::Vane | CauseGroup::Cup | CauseGroup::Exposure);
            assert_eq!(high, cause.cautions() == MAST, "{cause:?}");
        }
    }
}
