//! Smooth noise that is a pure function of a seed, a layer and a place on a line.

/// The noise of one seed. Layers do not know of each other.
#[derive(Clone, Copy, Debug)]
pub(super) struct Noise {
    seed: u64,
}

impl Noise {
    pub(super) const fn new(seed: u64) -> Self {
        Self { seed }
    }

    /// Smooth noise between -1 and 1: random values at whole numbers, eased between.
    #[expect(clippy::cast_possible_truncation, reason = "a whole number of a scaled instant")]
    pub(super) fn smooth(self, layer: u64, x: f64) -> f64 {
        let corner = x.floor();
        let part = x - corner;
        let eased = part * part * (3.0 - 2.0 * part);
        let left = self.corner(layer, corner as i64);
        let right = self.corner(layer, (corner + 1.0) as i64);
        left + (right - left) * eased
    }

    /// A random value between -1 and 1 that belongs to a layer and a whole number.
    pub(super) fn corner(self, layer: u64, x: i64) -> f64 {
        let mixed = fastrand::Rng::with_seed(
            self.seed.wrapping_mul(0x9e37_79b9_7f4a_7c15)
                ^ layer.wrapping_mul(0xd1b5_4a32_d192_ed03)
                ^ x.cast_unsigned().wrapping_mul(0x94d0_49bb_1331_11eb),
        )
        .f64();
        2.0 * mixed - 1.0
    }
}
