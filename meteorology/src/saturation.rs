//! Saturation vapour pressure over water and ice, by seven published methods.
//!
//! The rule: a method is used as printed and only inside its own range. The methods
//! differ by up to 0.3 % at 20 Cel, so every result names its method.

use crate::validity::{OutOfRange, Valid, within};

/// 0 Cel in kelvins (definition of the degree Celsius).
pub const ZERO_CELSIUS: f64 = 273.15;

/// What the vapour is in balance with.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Phase {
    /// Liquid water, above or below freezing.
    Water,
    /// Ice.
    Ice,
}

/// A published formula for the saturation vapour pressure of the pure phase.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Method {
    /// WMO-No. 8, Vol. I, Annex 4.B. The default: what weather services report dew
    /// points with, and it has a closed inverse, so that dew point and vapour pressure
    /// convert into each other without loss.
    #[default]
    Wmo8,
    /// Sonntag, Zeitschrift fuer Meteorologie 70, 1990, 340-344.
    Sonntag1990,
    /// Murphy and Koop, Q. J. R. Meteorol. Soc. 131, 2005, 1539-1565, eq. 7 and 10.
    MurphyKoop2005,
    /// Hyland and Wexler, ASHRAE Transactions 89-2A, 1983, 500-519.
    HylandWexler1983,
    /// Bolton, Monthly Weather Review 108, 1980, 1046-1053, eq. 10.
    Bolton1980,
    /// Alduchov and Eskridge, J. Appl. Meteorol. 35, 1996, 601-609, eq. 21 and 23.
    AlduchovEskridge1996,
    /// Allen et al., FAO Irrigation and Drainage Paper 56, 1998, eq. 11 (Tetens).
    Fao56,
    /// IAPWS R7-97(2012) eq. 30 over water, IAPWS R14-08(2011) eq. 6 over ice.
    Iapws,
}

impl Method {
    /// Every method.
    pub const ALL: [Self; 8] = [
        Self::Wmo8,
        Self::Sonntag1990,
        Self::MurphyKoop2005,
        Self::HylandWexler1983,
        Self::Bolton1980,
        Self::AlduchovEskridge1996,
        Self::Fao56,
        Self::Iapws,
    ];

    /// The name used on the command line.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Wmo8 => "wmo-no-8",
            Self::Sonntag1990 => "sonntag-1990",
            Self::MurphyKoop2005 => "murphy-koop-2005",
            Self::HylandWexler1983 => "hyland-wexler-1983",
            Self::Bolton1980 => "bolton-1980",
            Self::AlduchovEskridge1996 => "alduchov-eskridge-1996",
            Self::Fao56 => "fao-56",
            Self::Iapws => "iapws",
        }
    }

    /// The method of a name.
    pub fn parse(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|m| m.name() == name)
    }

    /// The temperatures in Cel it holds for; none for a phase it does not cover.
    #[allow(clippy::match_same_arms, reason = "a row a published method, also where ranges agree")]
    pub const fn range(self, phase: Phase) -> Option<(f64, f64)> {
        match (self, phase) {
            (Self::Wmo8, Phase::Water) => Some((-45.0, 60.0)),
            (Self::Wmo8, Phase::Ice) => Some((-65.0, 0.01)),
            (Self::Sonntag1990, Phase::Water) => Some((-100.0, 100.0)),
            (Self::Sonntag1990, Phase::Ice) => Some((-100.0, 0.01)),
            // 123 to 332 K over water, 110 K to the triple point over ice.
            (Self::MurphyKoop2005, Phase::Water) => Some((-150.15, 58.85)),
            (Self::MurphyKoop2005, Phase::Ice) => Some((-163.15, 0.01)),
            (Self::HylandWexler1983, Phase::Water) => Some((0.0, 200.0)),
            (Self::HylandWexler1983, Phase::Ice) => Some((-100.0, 0.01)),
            (Self::Bolton1980, Phase::Water) => Some((-30.0, 35.0)),
            (Self::AlduchovEskridge1996, Phase::Water) => Some((-40.0, 50.0)),
            (Self::AlduchovEskridge1996, Phase::Ice) => Some((-80.0, 0.01)),
            (Self::Fao56, Phase::Water) => Some((-40.0, 60.0)),
            // R7-97: 273.15 K to the critical point, cut here at 100 Cel.
            (Self::Iapws, Phase::Water) => Some((0.0, 100.0)),
            // R14-08: 50 K to the triple point.
            (Self::Iapws, Phase::Ice) => Some((-223.15, 0.01)),
            (Self::Bolton1980 | Self::Fao56, Phase::Ice) => None,
        }
    }

    /// The coefficients `(A hPa, B, C Cel)` of `A exp(B t / (C + t))` where the method
    /// has that form, from the sources named at each method.
    pub(crate) const fn magnus(self, phase: Phase) -> Option<(f64, f64, f64)> {
        match (self, phase) {
            (Self::Wmo8, Phase::Water) => Some((6.112, 17.62, 243.12)),
            (Self::Wmo8, Phase::Ice) => Some((6.112, 22.46, 272.62)),
            (Self::Bolton1980, Phase::Water) => Some((6.112, 17.67, 243.5)),
            (Self::AlduchovEskridge1996, Phase::Water) => Some((6.1094, 17.625, 243.04)),
            (Self::AlduchovEskridge1996, Phase::Ice) => Some((6.1121, 22.587, 273.86)),
            (Self::Fao56, Phase::Water) => Some((6.108, 17.27, 237.3)),
            _ => None,
        }
    }
}

const NO_ICE: OutOfRange = OutOfRange::Undefined("the method has no formula over ice");

/// Saturation vapour pressure in hPa of the pure phase at `celsius`.
///
/// # Errors
/// A temperature outside the method's range, or a phase it does not cover.
#[inline]
pub fn pressure(method: Method, phase: Phase, celsius: f64) -> Valid {
    let (low, high) = method.range(phase).ok_or(NO_ICE)?;
    within("air_temperature", celsius, low, high, "Cel")?;
    Ok(unchecked(method, phase, celsius))
}

/// The same without the range, for solving inside it.
#[inline]
pub(crate) fn unchecked(method: Method, phase: Phase, celsius: f64) -> f64 {
    if let Some((a, b, c)) = method.magnus(phase) {
        return a * (b * celsius / (c + celsius)).exp();
    }
    let t = celsius + ZERO_CELSIUS;
    match (method, phase) {
        (Method::Sonntag1990, Phase::Water) => (-6096.9385 / t + 16.635_794 - 2.711_193e-2 * t
            + 1.673_952e-5 * t * t
            + 2.433_502 * t.ln())
        .exp(),
        (Method::Sonntag1990, _) => (-6024.5282 / t + 24.7219 + 1.061_386_8e-2 * t
            - 1.319_882_5e-5 * t * t
            - 0.493_825_77 * t.ln())
        .exp(),
        (Method::MurphyKoop2005, Phase::Water) => murphy_koop_water(t),
        (Method::MurphyKoop2005, _) => {
            // Eq. 7, in Pa.
            (9.550_426 - 5_723.265 / t + 3.530_68 * t.ln() - 0.007_283_32 * t).exp() / 100.0
        }
        (Method::HylandWexler1983, Phase::Water) => {
            // In Pa; coefficients C8 to C13 of ASHRAE Handbook Fundamentals 2017, ch. 1.
            (-5.800_220_6e3 / t + 1.391_499_3 - 4.864_023_9e-2 * t + 4.176_476_8e-5 * t * t
                - 1.445_209_3e-8 * t.powi(3)
                + 6.545_967_3 * t.ln())
            .exp()
                / 100.0
        }
        (Method::HylandWexler1983, _) => {
            // In Pa; coefficients C1 to C7.
            (-5.674_535_9e3 / t + 6.392_524_7 - 9.677_843e-3 * t
                + 6.221_570_1e-7 * t * t
                + 2.074_782_5e-9 * t.powi(3)
                - 9.484_024e-13 * t.powi(4)
                + 4.163_501_9 * t.ln())
            .exp()
                / 100.0
        }
        (_, Phase::Water) => region_four(t),
        (_, Phase::Ice) => sublimation(t),
    }
}

/// Murphy and Koop 2005, eq. 10, given in Pa, here in hPa.
fn murphy_koop_water(t: f64) -> f64 {
    let logarithm = t.ln();
    (54.842_763 - 6_763.22 / t - 4.21 * logarithm
        + 0.000_367 * t
        + (0.0415 * (t - 218.8)).tanh()
            * (53.878 - 1_331.22 / t - 9.445_23 * logarithm + 0.014_025 * t))
        .exp()
        / 100.0
}

/// IAPWS R7-97(2012), eq. 30, given in MPa, here in hPa.
fn region_four(t: f64) -> f64 {
    let theta = t - 0.238_555_575_678_49 / (t - 0.650_175_348_447_98e3);
    let a = theta * theta + 0.116_705_214_527_67e4 * theta - 0.724_213_167_032_06e6;
    let b = -0.170_738_469_400_92e2 * theta * theta + 0.120_208_247_024_70e5 * theta
        - 0.323_255_503_223_33e7;
    let c = 0.149_151_086_135_30e2 * theta * theta - 0.482_326_573_615_91e4 * theta
        + 0.405_113_405_420_57e6;
    (2.0 * c / (-b + (b * b - 4.0 * a * c).sqrt())).powi(4) * 1e4
}

/// IAPWS R14-08(2011), eq. 6; triple point 273.16 K and 611.657 Pa.
fn sublimation(t: f64) -> f64 {
    let theta = t / 273.16;
    let sum = -0.212_144_006e2 * theta.powf(0.333_333_333e-2)
        + 0.273_203_819e2 * theta.powf(0.120_666_667e1)
        - 0.610_598_130e1 * theta.powf(0.170_333_333e1);
    6.116_57 * (sum / theta).exp()
}

/// The temperature in Cel at which the pure phase has the vapour pressure `hpa`: the
/// closed inverse where the method has one, else solved to 1e-10 Cel.
///
/// # Errors
/// No vapour, or a temperature outside the method's range.
#[inline]
pub fn temperature(method: Method, phase: Phase, hpa: f64) -> Valid {
    let (low, high) = method.range(phase).ok_or(NO_ICE)?;
    if let Some((a, b, c)) = method.magnus(phase) {
        let x = (hpa / a).ln();
        let celsius = c * x / (b - x);
        // Strictly inside its ends nothing else needs to be looked at.
        if celsius > low && celsius < high && hpa > 0.0 && hpa < 1e5 {
            return Ok(celsius);
        }
    }
    let name = "water_vapor_partial_pressure_in_air";
    // A hair beyond the ends, so that a round trip at an end comes back.
    let (least, most) = (unchecked(method, phase, low), unchecked(method, phase, high));
    within(name, hpa, least * (1.0 - 1e-12), most * (1.0 + 1e-12), "hPa")?;
    if let Some((a, b, c)) = method.magnus(phase) {
        let x = (hpa / a).ln();
        return Ok(c * x / (b - x));
    }
    // Newton on the logarithm, which is nearly straight in 1/T; starts at Magnus.
    let x = (hpa / 6.112).ln();
    let mut t = (243.12 * x / (17.62 - x)).clamp(low, high);
    for _ in 0..60 {
        let here = unchecked(method, phase, t).ln();
        let step = 1e-3;
        let slope = (unchecked(method, phase, t + step).ln() - here) / step;
        let next = (t - (here - hpa.ln()) / slope).clamp(low - 1.0, high + 1.0);
        if (next - t).abs() < 1e-10 {
            return Ok(next);
        }
        t = next;
    }
    Ok(t)
}
