//! What the conditions of invented hours tell.

use super::*;

/// Hours of invented weather: wind and direction wander, sun by the hour.
fn hours(count: usize, change: impl Fn(usize, &Hour) -> f64) -> Vec<Hour> {
    (0..count)
        .map(|i| {
            let at = i as f64;
            let sun = 50.0 * (std::f64::consts::TAU * (at - 6.0) / 24.0).sin();
            let wind = 4.0 + 3.5 * (at / 7.3).sin();
            let wet = (i % 24) as f64;
            let hour = Hour {
                own: 0.0,
                others: 10.0,
                sun,
                wind,
                direction: (at * 17.0).rem_euclid(360.0),
                humidity: if wet < 4.0 { 99.0 } else { 70.0 },
                since_wet: (wet - 3.0).max(0.0),
                number: i as i64,
            };
            Hour { own: hour.others + change(i, &hour), ..hour }
        })
        .collect()
}

fn told(cause: Cause, change: impl Fn(usize, &Hour) -> f64) -> Option<Cause> {
    let (before, after) = (hours(480, |_, _| 0.3), hours(360, change));
    refine(cause, &Month { before, lately: after.clone(), after }).map(|r| r.cause)
}

#[test]
fn sun_heat_wet_and_drift_are_told_from_an_offset() {
    let t = Cause::ThermometerOffset;
    assert_eq!(told(t, |_, _| 2.3), Some(t));
    let in_sun = |_: usize, h: &Hour| 0.3 + h.sun.max(0.0) / 25.0 / (0.5 + h.wind);
    assert_eq!(told(t, in_sun), Some(Cause::SunlitScreen));
    let calm = |_: usize, h: &Hour| if h.wind < 3.0 { 1.5 } else { 0.3 };
    assert_eq!(told(t, calm), Some(Cause::SelfHeating));
    assert_eq!(told(t, |i, _| 0.3 + 0.004 * i as f64), Some(Cause::ThermometerDrift));
    let h = Cause::HumidityOffset;
    assert_eq!(told(h, |_, _| 10.0), Some(h));
    let wet = |_: usize, h: &Hour| if h.since_wet <= 8.0 { 12.0 } else { 0.0 };
    assert_eq!(told(h, wet), Some(Cause::HumiditySlowToDry));
    assert_eq!(told(Cause::VaneTurned, |_, _| 30.0), None);
    let p = Cause::BarometerOffset;
    assert_eq!(told(p, |_, _| 1.3), None);
    assert_eq!(told(p, |_, h| 0.3 - 0.012 * h.wind * h.wind), Some(Cause::BarometerPumped));
    assert_eq!(told(p, |_, h| 0.3 + 0.02 * h.sun.max(0.0)), Some(Cause::BarometerWarmed));
    assert_eq!(told(p, |i, _| 0.3 + 0.004 * i as f64), Some(Cause::BarometerDrift));
}

#[test]
fn a_young_offset_is_not_taken_for_the_suns_doing() {
    // Half a day of a warm thermometer, all of it with the sun up; the days before were
    // as usual.
    let (before, after) = (hours(480, |_, _| 0.3), hours(19, |_, _| 2.3).split_off(7));
    let young = |days: usize| {
        let mut lately = hours(24 * 5, |i, h| {
            let warm = h.sun > 0.0 && i >= 24 * (5 - days);
            if warm { 2.3 } else { 0.3 }
        });
        lately.truncate(24 * 5);
        let month = Month { before: before.clone(), after: after.clone(), lately };
        refine(Cause::ThermometerOffset, &month).map(|r| r.cause)
    };
    assert_eq!(young(1), None);
    assert_eq!(young(3), Some(Cause::SunlitScreen));
}

#[test]
fn lost_pulses_a_tight_bearing_and_a_shelter_are_told_from_a_factor() {
    let winds = |factor: &dyn Fn(f64, f64) -> f64| {
        hours(480, |_, _| 0.0)
            .into_iter()
            .map(|h| {
                let others = h.wind;
                Hour { others, own: others * factor(others, h.direction), ..h }
            })
            .collect::<Vec<Hour>>()
    };
    let before = winds(&|_, _| 1.0);
    let told = |factor: &dyn Fn(f64, f64) -> f64| {
        let month = Month { before: before.clone(), after: winds(factor), lately: Vec::new() };
        refine(Cause::CupFactorWrong, &month).map(|r| r.cause)
    };
    assert_eq!(told(&|_, _| 0.6), Some(Cause::CupFactorWrong));
    assert_eq!(told(&|u, _| 1.0 - 0.03 * u), Some(Cause::CupSlowAtHighWind));
    assert_eq!(told(&|u, _| (1.0 - 0.9 / u).max(0.0)), Some(Cause::CupSticking));
    let trees = |_: f64, d: f64| if (70.0..160.0).contains(&d) { 0.5 } else { 1.0 };
    assert_eq!(told(&trees), Some(Cause::MastSheltered));
}
