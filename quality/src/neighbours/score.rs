//! One score for every hypothesis "this quantity of this station is off by a constant
//! since then" (Willsky & Jones 1976, from memory: generalized likelihood ratio of a jump).

use super::contrast::Contrasts;
use super::limits::{GroupLimits, Limits};
use super::matrix::{dot, square};
use super::spread::Spread;
use super::windows::{Sums, Windows};

/// Windows in hours.
const WINDOWS: [usize; 13] = [6, 12, 24, 36, 48, 72, 96, 120, 168, 240, 336, 504, 720];
/// The longest of them.
pub(super) const LONGEST: usize = WINDOWS[WINDOWS.len() - 1];
/// Windows that must have become quiet before a suspicion closes, hours.
const QUIET: std::ops::RangeInclusive<usize> = 72..=168;
/// Values a window needs, whatever its length.
const LEAST_VALUES: f64 = 3.0;

/// The strongest window of one hypothesis.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Score {
    /// Signed: its size in spreads of a window of that length.
    pub(super) value: f64,
    /// Length of the window, hours.
    pub(super) window: usize,
    /// Offset in the unit of the contrast.
    pub(super) size: f64,
    /// Largest score, without sign, among the windows that decide on closing.
    pub(super) recent: f64,
}

/// The date and the size of a change, looked at again.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Change {
    /// Hours since it.
    pub(super) hours: usize,
    /// Offset in the unit of the contrast.
    pub(super) size: f64,
    /// Standard error of the size.
    pub(super) error: f64,
}

/// The signatures as the spread of 24-h means sees them.
#[derive(Clone, Debug, Default)]
pub(super) struct Scale {
    /// By hypothesis: whitened signature and its length.
    signatures: Vec<(Vec<f64>, f64)>,
}

impl Scale {
    pub(super) fn new(contrasts: &Contrasts, days: &Spread) -> Self {
        let Some(factor) = days.factor() else { return Self::default() };
        let signatures = (0..contrasts.hypotheses())
            .map(|hypothesis| {
                let mut signature = contrasts.signature(hypothesis);
                factor.whiten(&mut signature);
                let length = square(&signature).sqrt();
                (signature, length)
            })
            .collect();
        Self { signatures }
    }

    /// The scores of all hypotheses. No window begins before step `from`.
    pub(super) fn scores(
        &self,
        windows: &Windows,
        spreads: (&Spread, &Spread),
        from: usize,
        steps_per_hour: usize,
        (limits, own): (&Limits, &GroupLimits),
    ) -> Vec<Score> {
        let (steps, days) = spreads;
        let mut found = vec![Score::default(); self.signatures.len()];
        let Some(factor) = days.factor() else { return found };
        let mut sums = Sums::default();
        let seen = windows.seen();
        for hours in WINDOWS.into_iter().filter(|hours| *hours >= own.first_window) {
            let length = hours * steps_per_hour;
            if seen < from + length {
                break;
            }
            let least = LEAST_VALUES.max(own.presence * length as f64);
            if !windows.between(seen - length, seen, &mut sums) || sums.count < least {
                continue;
            }
            // Weather spreads the residuals about their mean; an offset does not.
            let about_zero = steps.length(&sums.drawn).unwrap_or(0.0);
            let scatter = (sums.length - about_zero).max(1.0).sqrt();
            let easing = (hours as f64 / 24.0).powf(limits.decay + limits.tilt) / scatter;
            factor.whiten(&mut sums.drawn);
            factor.whiten(&mut sums.plain);
            for (score, (signature, norm)) in found.iter_mut().zip(&self.signatures) {
                let value = dot(signature, &sums.drawn) / norm * easing;
                if QUIET.contains(&hours) {
                    score.recent = score.recent.max(value.abs());
                }
                if value.abs() > score.value.abs() {
                    score.value = value;
                    score.window = hours;
                    score.size = dot(signature, &sums.plain) / (norm * norm);
                }
            }
        }
        found
    }

    /// The most likely time of a change of one hypothesis that has lasted until now, no
    /// earlier than step `from`.
    pub(super) fn change(
        &self,
        hypothesis: usize,
        windows: &Windows,
        days: &Spread,
        from: usize,
        steps_per_hour: usize,
        (limits, own): (&Limits, &GroupLimits),
    ) -> Option<Change> {
        let (signature, norm) = self.signatures.get(hypothesis)?;
        let factor = days.factor()?;
        let (mut best, mut found) = (0.0, None);
        let mut sums = Sums::default();
        let seen = windows.seen();
        for hours in 6..=LONGEST {
            let length = hours * steps_per_hour;
            if seen < from + length {
                break;
            }
            let least = LEAST_VALUES.max(own.presence * length as f64);
            if !windows.between(seen - length, seen, &mut sums) || sums.count < least {
                continue;
            }
            let spread = (24.0 / hours as f64).powf(limits.decay);
            factor.whiten(&mut sums.drawn);
            let value = (dot(signature, &sums.drawn) / norm / spread).abs();
            if value > best {
                factor.whiten(&mut sums.plain);
                best = value;
                let size = dot(signature, &sums.plain) / (norm * norm);
                found = Some(Change { hours, size, error: spread / norm });
            }
        }
        found
    }
}
