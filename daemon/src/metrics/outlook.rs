//! What the outlook's chances of rain were worth so far.

use super::exposition::Exposition;
use crate::snapshot::Snapshot;

/// Adds them: nothing before a chance was scored. The chance itself is a value among the
/// others, `isobarn_probability_of_precipitation_ratio`, once it is proven.
pub(super) fn add(out: &mut Exposition, snapshot: &Snapshot) {
    let Some(outlook) = &snapshot.outlook else { return };
    let score = &outlook.score;
    let Some(brier) = score.brier() else { return };
    out.gauge(
        "isobarn_outlook_brier_score",
        "Mean squared error of the chances of rain in 12 h given here.",
        &[],
        brier,
    );
    out.gauge(
        "isobarn_outlook_scored_days",
        "Days with chances of rain whose outcome is known.",
        &[],
        score.days as f64,
    );
    let skills = [("climatology", score.skill()), ("persistence", score.skill_over_persistence())];
    for (reference, skill) in skills {
        if let Some(skill) = skill {
            out.gauge(
                "isobarn_outlook_skill_ratio",
                "One less the ratio of the Brier score to that of a reference.",
                &[("reference", reference)],
                skill,
            );
        }
    }
}
