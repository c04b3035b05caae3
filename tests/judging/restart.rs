//! A judgement that is saved and restored goes on as if nothing had happened.

use observation::Time;
use quality::neighbours::{Limits, Neighbourhood, Site, State, Values};

const HOUR: i64 = 3_600_000;

/// An hour of invented weather; a tenth of the values is missing.
fn hour(random: &mut fastrand::Rng, hour: i64) -> Vec<Values> {
    let phase = std::f64::consts::TAU * (hour % 24) as f64 / 24.0;
    let slow = 0.6 * (hour as f64 / 11.0).sin() + 0.6 * (hour as f64 / 29.0).sin();
    (0..3)
        .map(|_| {
            let mut around = |middle: f64, spread: f64| {
                let noise = random.f64() + random.f64() + random.f64() - 1.5;
                if random.u8(..10) == 0 { f64::NAN } else { middle + spread * noise }
            };
            Values {
                temperature: around(12.0 + 5.0 * phase.sin() + 4.0 * slow, 0.6),
                humidity: around(70.0 - 10.0 * phase.sin(), 3.0),
                dew_point: around(6.0 + 2.0 * slow, 0.6),
                pressure: around(1013.0 + 8.0 * slow, 0.2),
                speed: around(5.0 + 2.0 * slow, 0.6),
                direction: around(200.0 + 60.0 * slow, 8.0),
                rain: around(0.0, 0.0),
            }
        })
        .collect()
}

#[test]
fn a_restored_judgement_says_what_an_uninterrupted_one_says() {
    let limits = Limits::default();
    let site =
        |i: u8| Site { latitude: 54.0 + 0.001 * f64::from(i), longitude: -2.0, elevation: 200.0 };
    let mut whole = Neighbourhood::new(&[site(0), site(1), site(2)], 1, &limits);
    let mut random = fastrand::Rng::with_seed(3);
    let mut opened = 0;
    let mut broken: Option<Neighbourhood> = None;
    for at in 0..56 * 24 {
        let mut values = hour(&mut random, at);
        if at >= 48 * 24 {
            values[2].temperature += 2.0;
        }
        // Not at the start of a day, and again while a suspicion is open.
        if at == 40 * 24 + 7 || at == 52 * 24 + 13 {
            let state = serde_json::to_vec(&whole).expect("a state can be written");
            assert!(state.len() < 4_000_000, "{} bytes", state.len());
            broken = Some(serde_json::from_slice(&state).expect("and read"));
        }
        let expected = whole.take(Time(at * HOUR), &values, &limits);
        opened += expected.suspicions.iter().filter(|s| s.state == State::Opened).count();
        if let Some(restored) = &mut broken {
            assert_eq!(restored.take(Time(at * HOUR), &values, &limits), expected, "hour {at}");
        }
    }
    assert!(opened > 0, "the warm thermometer was to be found");
}
