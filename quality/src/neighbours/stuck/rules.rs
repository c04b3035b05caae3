//! How often a value repeats, by how far the neighbours moved: as it was measured on airport
//! reports, before anything is learned.

use observation::Quantity;

/// Bins of the neighbours' move.
pub(super) const BINS: usize = 5;

/// What is known beforehand of one quantity.
pub(super) struct Rule {
    pub(super) quantity: Quantity,
    /// Upper ends of the bins of the neighbours' move but for the last.
    pub(super) bins: [f64; BINS - 1],
    /// Chance of an equal value in each bin.
    pub(super) chances: [f64; BINS],
    /// Sum of -ln chance at which a run is suspected.
    pub(super) limit: f64,
}

/// By quantity.
pub(super) const RULES: [Rule; 4] = [
    Rule {
        quantity: Quantity::AirTemperature,
        bins: [0.3, 0.9, 1.5, 2.5],
        chances: [0.353, 0.203, 0.081, 0.048, 0.043],
        limit: 14.2,
    },
    Rule {
        quantity: Quantity::AirPressureAtMeanSeaLevel,
        bins: [0.15, 0.25, 0.45, 0.75],
        chances: [0.285, 0.071, 0.043, 0.032, 0.051],
        limit: 10.6,
    },
    Rule {
        quantity: Quantity::WindFromDirection,
        bins: [5.0, 15.0, 25.0, 45.0],
        chances: [0.290, 0.277, 0.235, 0.212, 0.210],
        limit: 12.2,
    },
    Rule {
        quantity: Quantity::WindSpeed,
        bins: [0.3, 0.8, 1.3, 2.3],
        chances: [0.191, 0.165, 0.193, 0.156, 0.089],
        limit: 14.5,
    },
];
