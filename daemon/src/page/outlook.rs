//! `GET /v1/outlook`: what lies ahead, and what such outlooks were worth.

use super::Page;
use super::sheet::{ENGLISH, Shown};
use crate::snapshot::Outlook;
use axum::Json;
use axum::extract::State;
use meteorology::outlook::{HORIZON, LEAST_DAYS, Score};
use observation::Time;
use serde_json::{Value, json};
use std::sync::Arc;

/// The answer.
pub(super) async fn outlook(State(page): State<Arc<Page>>) -> Json<Value> {
    let now = page.view.clock.now();
    Json(of(page.view.snapshot().outlook.as_deref(), now))
}

fn of(outlook: Option<&Outlook>, now: Time) -> Value {
    let Some(outlook) = outlook else {
        return json!({ "outlook": null });
    };
    json!({ "outlook": {
        "time": outlook.time.to_string(),
        "hours": HORIZON,
        "stale": outlook.is_stale(now),
        // What keeps a figure with its unit on a page is an odd letter elsewhere.
        "text": ENGLISH.outlook(outlook, &Shown::default()).replace('\u{a0}', " "),
        "probability": outlook.probability.map(thousandths),
        "learned_hours": outlook.learned,
        "score": score(&outlook.score),
    } })
}

fn score(score: &Score) -> Value {
    let rounded = |value: Option<f64>| value.map(thousandths);
    let bins: Vec<Value> = score
        .bins
        .iter()
        .filter(|bin| bin.count > 0)
        .map(|bin| {
            let count = bin.count as f64;
            json!({
                "count": bin.count,
                "probability": thousandths(bin.chances / count),
                "rained": thousandths(bin.wet as f64 / count),
            })
        })
        .collect();
    json!({
        "count": score.count,
        "unknown": score.unknown,
        "days": score.days,
        "days_wanted": LEAST_DAYS,
        "proven": score.is_proven(),
        "rained": rounded(score.share()),
        "brier": rounded(score.brier()),
        "skill": { "climatology": rounded(score.skill()), "persistence": rounded(score.skill_over_persistence()) },
        "reliability": bins,
    })
}

fn thousandths(value: f64) -> f64 {
    (value * 1e3).round() / 1e3
}

#[cfg(test)]
mod tests {
    use super::*;
    use meteorology::outlook::Facts;
    use observation::Span;

    #[test]
    fn an_outlook_is_told_with_its_score_and_grows_stale() {
        let time = Time(1_780_000_000_000);
        let mut kept = Score::default();
        kept.add(0, 0.75, true, true);
        kept.add(1, 0.25, true, false);
        let outlook = Outlook {
            time,
            facts: Facts { pressure: Some(1008.2), ..Facts::default() },
            probability: None,
            score: kept,
            learned: 2,
        };
        let told = of(Some(&outlook), time + Span::minutes(70));
        let told = &told["outlook"];
        assert_eq!(told["text"], "1008.2 hPa at sea level.");
        assert_eq!((&told["stale"], &told["probability"]), (&json!(false), &Value::Null));
        assert_eq!(told["score"]["brier"], json!(0.063), "0.25 squared, twice, halved");
        assert_eq!(told["score"]["skill"]["climatology"], json!(0.75));
        assert_eq!(told["score"]["reliability"][1]["rained"], json!(1.0));
        assert_eq!(of(Some(&outlook), time + Span::hours(3))["outlook"]["stale"], json!(true));
        assert_eq!(of(None, time), json!({ "outlook": null }));
    }
}
