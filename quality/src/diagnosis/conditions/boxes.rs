//! What a barometer's box does to it: the wind pumps it, the sun warms it (common practice; the
//! limits are own choices).

use super::{Cause, HIGH_SUN, Look, Refined, TIMES};

/// Wind that pumps a box, and wind that does not, m/s.
pub(crate) const PUMPING: f64 = 4.0;
pub(crate) const STILL: f64 = 2.0;
/// Least offset that is worth a condition, hPa.
const LEAST: f64 = 0.15;

/// Whether what is off is off in wind or in the sun alone.
pub(super) fn boxed(look: &Look) -> Option<Refined> {
    let wind = look
        .excess(|h| h.wind >= PUMPING && h.sun < HIGH_SUN)
        .zip(look.excess(|h| h.wind < STILL && h.sun < HIGH_SUN));
    if let Some((windy, calm)) = wind
        && stands_out(windy, calm)
    {
        return Some(Refined {
            cause: Cause::BarometerPumped,
            words: format!("{windy:+.2} hPa in strong wind, {calm:+.2} hPa in light wind"),
            numbers: vec![("in_wind", windy), ("in_calm", calm)],
        });
    }
    let sunny = look.excess(|h| h.sun >= HIGH_SUN && h.wind < PUMPING)?;
    let night = look.excess(|h| h.sun < -3.0 && h.wind < PUMPING)?;
    stands_out(sunny, night).then(|| Refined {
        cause: Cause::BarometerWarmed,
        words: format!("{sunny:+.2} hPa in the sun, {night:+.2} hPa at night"),
        numbers: vec![("in_sun", sunny), ("at_night", night)],
    })
}

fn stands_out(under: f64, beside: f64) -> bool {
    (under - beside).abs() >= LEAST && under.abs() >= TIMES * beside.abs()
}
