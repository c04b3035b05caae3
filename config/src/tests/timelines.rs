//! Calibrations of instruments and of sensors that move, merged.

use super::{PROPERTY, load_text, told};
use observation::Time;
use observation::property::Transfer;

fn screen(keys: &str, rest: &str) -> String {
    format!(
        "{PROPERTY}[[station]]\nid = \"orchard\"\n[[station.instrument]]\nid = \"t\"\nchannel = \"t\"\nquantity = \"air_temperature\"\nunit = \"Cel\"\n{keys}\n[[station.instrument]]\nid = \"cup\"\nchannel = \"c\"\nquantity = \"wind_speed\"\nsignal = \"pulse_count\"\ncalibration = [{{ slope = \"0.66 m/s/Hz\" }}]\n{rest}"
    )
}

fn merged(text: &str) -> Vec<(String, f64, Option<String>)> {
    let settings = load_text(text).unwrap_or_else(|faults| panic!("{faults}"));
    settings.property.instruments[0]
        .calibrations
        .iter()
        .map(|c| {
            let Transfer::Linear { offset, .. } = c.transfer else { panic!("not linear") };
            (c.from.to_string(), offset, c.sensor.clone())
        })
        .collect()
}

#[test]
fn a_date_is_the_first_moment_of_that_day_in_the_propertys_zone() {
    let text = screen(
        "calibration = [{ from = \"2026-07-01\", offset = \"1 K\" }, { from = 2026-01-01, offset = \"2 K\" }, { from = 2026-08-01T10:00:00+02:00, offset = \"3 K\" }]",
        "",
    );
    assert_eq!(
        merged(&text),
        [
            ("2026-01-01T00:00:00Z".to_owned(), 2.0, None),
            ("2026-06-30T23:00:00Z".to_owned(), 1.0, None),
            ("2026-08-01T08:00:00Z".to_owned(), 3.0, None),
        ]
    );
}

#[test]
fn fahrenheit_offsets_are_differences() {
    let text = screen("calibration = [{ offset = \"1.8 [degF]\" }]", "");
    let settings = load_text(&text).unwrap();
    let held = &settings.property.instruments[0].calibrations;
    let Transfer::Linear { factor, offset } = held[0].transfer else { panic!("not linear") };
    assert!((offset - 1.0).abs() < 1e-12 && (factor - 1.0).abs() < 1e-12);
    assert!(held[0].from < Time(0), "without a date it holds for ever");
    assert!(settings.timeline().starts_with("always  orchard/"), "{}", settings.timeline());
}

#[test]
fn calibrations_follow_the_sensor_and_the_later_entry_holds() {
    let text = screen(
        "calibration = [{ from = 2026-01-01, offset = \"5 K\" }, { from = 2026-05-01T00:00:00Z, offset = \"6 K\" }]",
        r#"
[[sensor]]
serial = "A"
placed = [
    { from = "2026-02-01", station = "orchard", instrument = "t" },
    { from = "2026-06-01T00:00:00Z", station = "orchard", instrument = "t" },
]
calibration = [
    { from = "2025-01-01", offset = "1 K" },
    { from = "2026-03-01", offset = "2 K" },
]
[[sensor]]
serial = "B"
placed = [{ from = "2026-04-01T00:00:00Z", station = "orchard", instrument = "t" }]
"#,
    );
    let a = Some("A".to_owned());
    assert_eq!(
        merged(&text),
        [
            ("2026-01-01T00:00:00Z".to_owned(), 5.0, None),
            ("2026-02-01T00:00:00Z".to_owned(), 1.0, a.clone()),
            ("2026-03-01T00:00:00Z".to_owned(), 2.0, a.clone()),
            // B came without a calibration: the place's own holds again.
            ("2026-04-01T00:00:00Z".to_owned(), 5.0, None),
            ("2026-05-01T00:00:00Z".to_owned(), 6.0, None),
            ("2026-06-01T00:00:00Z".to_owned(), 2.0, a),
        ]
    );
}

#[test]
fn placements_are_checked() {
    let sensor =
        |placed: &str| screen("", &format!("[[sensor]]\nserial = \"A\"\nplaced = [{placed}]\n"));
    for (placed, message) in [
        ("{ station = \"orchard\", instrument = \"t\" }", "`from` is missing"),
        (
            "{ from = \"2026-03-01\", station = \"orchid\", instrument = \"t\" }",
            "no station `orchid`",
        ),
        (
            "{ from = \"2026-03-01\", station = \"orchard\", instrument = \"q\" }",
            "no instrument `q`",
        ),
        (
            "{ from = \"2026-03-01\", station = \"orchard\", instrument = \"t\", at = 1 }",
            "unknown key `at`",
        ),
        (
            "{ from = \"2026-03-01\", station = \"orchard\", instrument = \"t\" }, { from = \"2026-04-01\", station = \"orchard\", instrument = \"cup\" }",
            "one quantity by one signal",
        ),
    ] {
        let faults = told(load_text(&sensor(placed)));
        assert_eq!(faults.len(), 1, "{faults:?}");
        assert!(faults[0].2.contains(message), "{placed}: {faults:?}");
    }
    let twice = screen(
        "",
        "[[sensor]]\nserial = \"A\"\nplaced = [{ from = 2026-03-01, station = \"orchard\", instrument = \"t\" }]\n[[sensor]]\nserial = \"B\"\nplaced = [{ from = 2026-03-01, station = \"orchard\", instrument = \"t\" }]\n[[sensor]]\nserial = \"B\"\nplaced = []\n",
    );
    let messages: Vec<_> = told(load_text(&twice)).into_iter().map(|(_, _, m)| m).collect();
    assert_eq!(messages.len(), 2, "{messages:?}");
    assert!(messages.iter().any(|m| m.contains("another sensor comes to this place")));
    assert!(messages.iter().any(|m| m.contains("another sensor `B`")));
}

#[test]
fn a_new_cup_without_any_calibration_is_refused() {
    let text = format!(
        "{PROPERTY}[[station]]\nid = \"o\"\n[[station.instrument]]\nid = \"cup\"\nchannel = \"c\"\nquantity = \"wind_speed\"\nsignal = \"pulse_count\"\n[[sensor]]\nserial = \"A\"\nplaced = [{{ from = 2026-01-01, station = \"o\", instrument = \"cup\" }}]\ncalibration = [{{ slope = \"0.66 m/s/Hz\" }}]\n[[sensor]]\nserial = \"B\"\nplaced = [{{ from = 2026-02-01, station = \"o\", instrument = \"cup\" }}]\n"
    );
    let faults = told(load_text(&text));
    assert_eq!(faults.len(), 1, "{faults:?}");
    assert_eq!((faults[0].0, faults[0].1), (15, 11));
    assert!(faults[0].2.contains("neither the sensor `B` nor its place"), "{faults:?}");
    let settings =
        load_text(&text.replace(
            "serial = \"B\"",
            "calibration = [{ slope = \"0.7 m/s/Hz\" }]\nserial = \"B\"",
        ))
        .unwrap();
    assert_eq!(settings.property.instruments[0].calibrations.len(), 2);
}
