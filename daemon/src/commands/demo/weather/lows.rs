//! Lows that pass at irregular intervals, each with its fronts: rain and a backed wind
//! ahead, a mild sector, then a veered wind, colder air and showers.

use super::noise::Noise;

/// Mean time between two lows, seconds.
const BETWEEN: f64 = 3.9 * 86_400.0;
/// Share of it by which a low may come earlier or later.
const IRREGULAR: f64 = 0.35;
/// Layers of noise that the lows are made of.
const WHEN: u64 = 101;
const HOW_DEEP: u64 = 102;
const HOW_WIDE: u64 = 103;
const HOW_WET: u64 = 104;

/// What all lows near an instant do together.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Lows {
    /// 0 far from any, about 1 in the middle of a deep one.
    pub(super) deep: f64,
    /// Below 0 ahead of the middle, above 0 behind it, -1 to 1 and a little more where two
    /// come close together.
    pub(super) behind: f64,
    /// How much of a front's rain band is overhead, 0 to about 1.
    pub(super) band: f64,
    /// How showery the air behind is, 0 to about 1.
    pub(super) showery: f64,
}

impl Lows {
    /// At `seconds` of Unix time.
    #[expect(clippy::cast_possible_truncation, reason = "the number of a low, some thousands")]
    pub(super) fn at(noise: Noise, seconds: f64) -> Self {
        let nearest = (seconds / BETWEEN).round() as i64;
        let mut all = Self::default();
        for number in nearest - 2..=nearest + 2 {
            let middle = (number as f64 + IRREGULAR * noise.corner(WHEN, number)) * BETWEEN;
            let depth = 0.62 + 0.38 * noise.corner(HOW_DEEP, number);
            let width = (0.7 + 0.25 * noise.corner(HOW_WIDE, number)) * 86_400.0;
            let wet = 0.65 + 0.35 * noise.corner(HOW_WET, number);
            let x = (seconds - middle) / width;
            let bell = (-x * x / 2.0).exp();
            all.deep += depth * bell;
            // Steepest in the middle, farthest out one width from it.
            all.behind += depth * x * bell * 0.5_f64.exp();
            all.band += depth * wet * (-((x + 0.35) / 0.45).powi(2)).exp();
            all.showery += depth * wet * (-((x - 1.1) / 0.6).powi(2)).exp();
        }
        all
    }
}
