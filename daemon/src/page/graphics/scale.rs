//! Round numbers on an axis.

/// An axis of values, from its lower end to its upper, with a line at each multiple of
/// the step.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Scale {
    /// The lower end.
    pub low: f64,
    /// The upper end.
    pub high: f64,
    /// From line to line.
    pub step: f64,
}

impl Scale {
    /// A scale that holds both ends, at least `least` high, with about `lines` lines.
    pub fn holding(low: f64, high: f64, least: f64, lines: f64) -> Self {
        let missing = (least - (high - low)).max(0.0) / 2.0;
        let (low, high) = (low - missing, high + missing);
        let rough = ((high - low) / lines).max(1e-9);
        let power = 10_f64.powf(rough.log10().floor());
        let step = [1.0, 2.0, 5.0, 10.0]
            .into_iter()
            .map(|m| m * power)
            .find(|s| *s >= rough * 0.999)
            .unwrap_or(10.0 * power);
        Self { low: (low / step).floor() * step, high: (high / step).ceil() * step, step }
    }

    /// As [`Scale::holding`], beginning at zero: for what is never negative.
    pub fn from_zero(high: f64, least: f64, lines: f64) -> Self {
        Self { low: 0.0, ..Self::holding(0.0, high.max(least), 0.0, lines) }
    }

    /// Where a value stands: 0 at the upper end, 1 at the lower.
    pub fn down(&self, value: f64) -> f64 {
        ((self.high - value) / (self.high - self.low)).clamp(0.0, 1.0)
    }

    /// The values of the lines, both ends included.
    pub fn lines(&self) -> impl Iterator<Item = f64> {
        let Self { low, high, step } = *self;
        let count = ((high - low) / step).round().clamp(0.0, 50.0) as u32;
        (0..=count).map(move |n| low + step * f64::from(n))
    }

    /// Decimals that tell its lines apart.
    pub fn decimals(&self) -> usize {
        (-self.step.log10().floor()).clamp(0.0, 3.0) as usize
    }
}

#[cfg(test)]
mod tests {
    use super::Scale;

    #[test]
    fn scales_hold_their_values_and_step_roundly() {
        let scale = Scale::holding(7.3, 18.9, 5.0, 4.0);
        assert_eq!((scale.low, scale.high, scale.step), (5.0, 20.0, 5.0));
        assert_eq!(scale.lines().collect::<Vec<_>>(), [5.0, 10.0, 15.0, 20.0]);
        let flat = Scale::holding(1013.2, 1013.2, 4.0, 4.0);
        assert!(flat.high - flat.low >= 4.0 && flat.down(1013.2) > 0.2, "{flat:?}");
        let rain = Scale::from_zero(0.3, 1.0, 3.0);
        assert_eq!((rain.low, rain.high), (0.0, 1.0));
        assert_eq!(rain.decimals(), 1);
    }
}
