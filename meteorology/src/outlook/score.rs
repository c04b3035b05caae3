//! What chances were worth.
//!
//! Brier score: mean of (chance - what happened)² (Brier 1950, Verification of forecasts
//! expressed in terms of probability). Skill: one less the ratio of the score to that of a
//! reference (WMO-No. 485, Attachment on verification; Wilks, Statistical methods in the
//! atmospheric sciences, ch. 8; from memory). Two references: *climatology* says each time
//! the share of wet outcomes of the very same hours, which nobody knows beforehand, so that
//! skill is understated at first; *persistence* says rain if the last twelve hours had any.

use serde::{Deserialize, Serialize};

/// Bins of equal width that chances fall into.
pub const BINS: usize = 10;
/// Days with chances before one is told.
pub const LEAST_DAYS: u64 = 60;

/// Chances of one bin.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Bin {
    /// How many.
    pub count: u64,
    /// Their sum.
    pub chances: f64,
    /// After how many it rained.
    pub wet: u64,
}

impl Bin {
    /// Mean chance less share of rain; none of an empty bin.
    pub fn gap(&self) -> Option<f64> {
        let count = self.count as f64;
        (self.count > 0).then(|| self.chances / count - self.wet as f64 / count)
    }
}

/// The score of many chances.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Score {
    /// Chances whose outcome is known.
    pub count: u64,
    /// After how many it rained.
    pub wet: u64,
    /// UTC days of them.
    pub days: u64,
    /// Day of the last, counted from 1970.
    last_day: Option<i64>,
    /// Chances whose outcome nobody can tell.
    pub unknown: u64,
    /// Sum of squared differences.
    sum: f64,
    /// How often persistence was wrong.
    persistence_wrong: u64,
    /// Reliability, by tenths of the chance.
    pub bins: [Bin; BINS],
}

impl Score {
    /// Counts a chance of an hour counted from 1970, and what became of it.
    pub fn add(&mut self, hour: i64, chance: f64, was_wet: bool, wet: bool) {
        self.count += 1;
        self.wet += u64::from(wet);
        let day = hour.div_euclid(24);
        if self.last_day.is_none_or(|last| day > last) {
            self.last_day = Some(day);
            self.days += 1;
        }
        self.sum += (chance - f64::from(u8::from(wet))).powi(2);
        self.persistence_wrong += u64::from(was_wet != wet);
        if let Some(bin) = self.bins.get_mut(bin_of(chance)) {
            bin.count += 1;
            bin.chances += chance;
            bin.wet += u64::from(wet);
        }
    }

    /// Counts one whose outcome nobody can tell.
    pub const fn add_unknown(&mut self) {
        self.unknown += 1;
    }

    /// Brier score; none while nothing is counted.
    pub fn brier(&self) -> Option<f64> {
        (self.count > 0).then(|| self.sum / self.count as f64)
    }

    /// Share of rain; none while nothing is counted.
    pub fn share(&self) -> Option<f64> {
        (self.count > 0).then(|| self.wet as f64 / self.count as f64)
    }

    /// Skill over climatology; none where it rained always or never.
    pub fn skill(&self) -> Option<f64> {
        let share = self.share()?;
        let reference = share * (1.0 - share);
        (reference > 0.0).then(|| 1.0 - self.brier().unwrap_or(0.0) / reference)
    }

    /// Skill over persistence; none where persistence was never wrong.
    pub fn skill_over_persistence(&self) -> Option<f64> {
        let reference = self.persistence_wrong as f64 / self.count.max(1) as f64;
        (self.persistence_wrong > 0).then(|| 1.0 - self.brier().unwrap_or(0.0) / reference)
    }

    /// Whether a chance may be told: enough days, and better than both references.
    pub fn is_proven(&self) -> bool {
        let better = |skill: Option<f64>| skill.is_some_and(|skill| skill > 0.0);
        self.days >= LEAST_DAYS && better(self.skill()) && better(self.skill_over_persistence())
    }

    /// The bin that a chance falls into.
    pub fn bin(&self, chance: f64) -> Bin {
        self.bins.get(bin_of(chance)).copied().unwrap_or_default()
    }
}

fn bin_of(chance: f64) -> usize {
    ((chance * BINS as f64) as usize).min(BINS - 1)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    /// Four chances worked by hand: (0.9, wet), (0.2, dry), (0.6, wet), (0.3, wet):
    /// 0.01 + 0.04 + 0.16 + 0.49 = 0.70.
    #[test]
    fn a_score_worked_by_hand() {
        let mut score = Score::default();
        for (hour, (chance, was_wet, wet)) in
            [(0.9, true, true), (0.2, true, false), (0.6, false, true), (0.3, true, true)]
                .into_iter()
                .enumerate()
        {
            score.add(i64::try_from(hour).unwrap() * 12, chance, was_wet, wet);
        }
        assert!((score.brier().unwrap() - 0.175).abs() < 1e-12);
        assert!((score.skill().unwrap() - (1.0 - 0.175 / (0.75 * 0.25))).abs() < 1e-12);
        assert!((score.skill_over_persistence().unwrap() - (1.0 - 0.175 / 0.5)).abs() < 1e-12);
        assert_eq!((score.days, score.bins[9].count, score.bins[9].wet), (2, 1, 1));
        assert!(!score.is_proven(), "two days are too few");
    }

    #[test]
    fn it_is_proven_after_sixty_days_with_skill_only() {
        let mut score = Score::default();
        for hour in 0..60 * 24 {
            let wet = (hour / 24) % 3 == 0;
            score.add(hour, if wet { 0.7 } else { 0.2 }, hour % 2 == 0, wet);
            assert!(!score.is_proven() || hour >= 59 * 24);
        }
        assert!(score.is_proven());
        let mut useless = Score::default();
        for hour in 0..90 * 24 {
            useless.add(hour, 0.5, hour % 2 == 0, (hour / 24) % 3 == 0);
        }
        assert!(!useless.is_proven(), "{:?}", useless.skill());
    }
}
