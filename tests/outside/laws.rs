//! Laws that hold whatever the inputs.

use meteorology::saturation::{self, Method, Phase};
use meteorology::summaries::Summary;
use meteorology::{humidity, pressure, sun, wind};
use observation::Time;
use observation::signal::direction::Directions;
use proptest::prelude::*;

fn method() -> impl Strategy<Value = Method> {
    prop::sample::select(Method::ALL.to_vec())
}

fn circle_apart(a: f64, b: f64) -> f64 {
    let apart = (a - b).rem_euclid(360.0);
    apart.min(360.0 - apart)
}

fn summary(rows: &[(i64, i64)]) -> Summary {
    let mut summary = Summary::expecting(rows.len() as u64);
    for &(steps, at) in rows {
        summary.add(steps, Time(at));
    }
    summary
}

fn rows() -> impl Strategy<Value = Vec<(i64, i64)>> {
    prop::collection::vec((-9_000_i64..9_000, 0_i64..86_400_000), 0..40)
}

proptest! {
    #[test]
    fn a_dew_point_is_never_above_the_temperature(
        method in method(), t in -100.0_f64..100.0, u in 0.0_f64..=100.0,
    ) {
        if let Ok(dew_point) = humidity::dew_point(method, t, u) {
            prop_assert!(dew_point <= t, "{dew_point}");
            if let (true, Ok(frost)) = (dew_point < -0.1, humidity::frost_point(method, t, u)) {
                prop_assert!(frost >= dew_point - 0.02, "{frost} {dew_point}");
            }
        }
    }

    #[test]
    fn within_its_range_a_dew_point_exists(t in -30.0_f64..50.0, u in 25.0_f64..=100.0) {
        prop_assert!(humidity::dew_point(Method::Wmo8, t, u).is_ok());
    }

    #[test]
    fn saturation_and_its_inverse_come_round(
        method in method(), ice in any::<bool>(), share in 0.0_f64..=1.0,
    ) {
        let phase = if ice { Phase::Ice } else { Phase::Water };
        if let Some((low, high)) = method.range(phase) {
            let t = low + share * (high - low);
            let vapour = saturation::pressure(method, phase, t).unwrap();
            let back = saturation::temperature(method, phase, vapour).unwrap();
            prop_assert!((back - t).abs() < 1e-6, "{back} {t}");
        }
    }

    #[test]
    fn humidity_comes_round_by_dew_point_and_by_wet_bulb(
        t in -15.0_f64..50.0, u in 10.0_f64..=100.0, p in 600.0_f64..1080.0,
    ) {
        let dew_point = humidity::dew_point(Method::Wmo8, t, u).unwrap();
        let back = humidity::humidity_from_dew_point(Method::Wmo8, t, dew_point).unwrap();
        prop_assert!((back - u).abs() < 1e-9, "{back}");
        let wet = humidity::wet_bulb(Method::Wmo8, t, u, p).unwrap();
        prop_assert!(wet <= t && wet >= dew_point - 1e-6, "{wet} {dew_point}");
        let vapour = humidity::from_psychrometer(Method::Wmo8, t, wet, p, Phase::Water).unwrap();
        let pure = humidity::vapour_pressure(Method::Wmo8, t, u).unwrap();
        let moist = humidity::enhancement(p).unwrap() * pure;
        prop_assert!((vapour - moist).abs() < 1e-6 * moist.max(1.0), "{vapour} {moist}");
    }

    #[test]
    fn heights_and_altimeter_settings_come_round(
        h in -100.0_f64..4000.0, q in 900.0_f64..1070.0,
    ) {
        prop_assert!((pressure::geometric(pressure::geopotential(h)) - h).abs() < 1e-6);
        let station = pressure::from_altimeter_setting(q, h).unwrap();
        prop_assert!((pressure::altimeter_setting(station, h).unwrap() - q).abs() < 1e-8);
        let standard = pressure::standard_pressure(h).unwrap();
        prop_assert!((pressure::pressure_altitude(standard).unwrap() - h).abs() < 1e-6);
    }

    #[test]
    fn components_come_round(speed in 0.1_f64..80.0, d in 0.0_f64..360.0) {
        let (u, v) = wind::components(speed, d);
        prop_assert!((u.hypot(v) - speed).abs() < 1e-9);
        prop_assert!(circle_apart(wind::direction_of(u, v).unwrap(), d) < 1e-6);
    }

    #[test]
    fn a_vector_mean_has_no_order_and_turns_with_its_input(
        rows in prop::collection::vec((0.0_f64..360.0, 0.1_f64..40.0), 1..40),
        turn in 0.0_f64..360.0,
    ) {
        let sum = |rows: &[(f64, f64)], turn: f64| {
            let mut all = Directions::default();
            for (d, s) in rows {
                all.add(d + turn, *s);
            }
            all
        };
        let mut backwards = rows.clone();
        backwards.reverse();
        let here = sum(&rows, 0.0);
        // Close to no resultant the mean may appear or vanish by rounding.
        if here.resultant().is_some_and(|r| r > 0.02) {
            let here = here.mean().unwrap();
            prop_assert!(circle_apart(here, sum(&backwards, 0.0).mean().unwrap()) < 1e-6);
            prop_assert!(circle_apart(here + turn, sum(&rows, turn).mean().unwrap()) < 1e-6);
        }
    }

    #[test]
    fn summaries_merge_in_any_grouping_and_equal_a_full_recomputation(
        a in rows(), b in rows(), c in rows(),
    ) {
        let (first, second, third) = (summary(&a), summary(&b), summary(&c));
        let merged = first.merged(&second).merged(&third);
        prop_assert_eq!(merged, first.merged(&second.merged(&third)));
        prop_assert_eq!(first.merged(&second), second.merged(&first));
        let whole: Vec<_> = a.iter().chain(&b).chain(&c).copied().collect();
        prop_assert_eq!(merged, summary(&whole));
        let values: Vec<i64> = whole.iter().map(|r| r.0).collect();
        prop_assert_eq!(merged.maximum().map(|m| m.steps), values.iter().max().copied());
        prop_assert_eq!(merged.minimum().map(|m| m.steps), values.iter().min().copied());
        prop_assert_eq!(merged.sum(), values.iter().map(|v| i128::from(*v)).sum::<i128>());
    }

    // The parallax of 0.0024 deg is left out of rise and set.
    #[test]
    fn the_sun_stands_on_the_horizon_as_it_rises_and_sets(
        date in 11_000_i64..25_000, latitude in -64.0_f64..64.0, longitude in -180.0_f64..180.0,
    ) {
        let day = sun::day(date as f64 * 86_400.0, latitude, longitude, sun::HORIZON);
        let (rise, set) = (day.rise.unwrap(), day.set.unwrap());
        prop_assert!(rise < day.noon && day.noon < set && set - rise < 86_400.0);
        let place =
            sun::Place { latitude, longitude, elevation: 0.0, pressure: 1013.25, temperature: 15.0 };
        for at in [rise, set] {
            let zenith = sun::position(at, sun::delta_t(at), &place).true_zenith;
            prop_assert!((zenith - 90.0 + sun::HORIZON).abs() < 0.003, "{zenith}");
        }
    }
}
