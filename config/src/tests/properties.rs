//! Nothing that can be written into a file makes the reader panic.

use super::{PROPERTY, load_with};
use crate::AdapterTable;
use proptest::prelude::*;

/// Words and values that meet in settings.
fn line() -> impl Strategy<Value = String> {
    let key = prop::sample::select(vec![
        "id",
        "name",
        "unit",
        "quantity",
        "signal",
        "calibration",
        "from",
        "slope",
        "offset",
        "table",
        "placed",
        "station",
        "instrument",
        "interval",
        "plausible",
        "time_window",
        "token_file",
        "latitude",
        "channel",
        "serial",
        "stations",
        "frog",
        "source.http.a",
        "history.directory",
    ]);
    let value = prop::sample::select(vec![
        "1",
        "-1.5e300",
        "nan",
        "true",
        "\"\"",
        "\"orchard\"",
        "\"1 m\"",
        "\"..\"",
        "\"a..b Cel\"",
        "\"2026-03-01\"",
        "2026-03-01",
        "09:00:00",
        "[]",
        "[[]]",
        "[[\"1 Cel\", \"2 Cel\"], 5]",
        "{}",
        "[{}]",
        "{ ratio = { bands = [{ low = 1 }] } }",
        "{ switches = { order = \"NÉSW\" } }",
        "\"wind_speed\"",
        "\"m/s\"",
        "[{ slope = \"1 m/s/Hz\", from = \"\" }]",
        "0x7fffffffffffffff",
        "9223372036854775808",
        "\"\\u0000\"",
        "\"\u{1F32C}\"",
    ]);
    let header = prop::sample::select(vec![
        "[property]",
        "[http]",
        "[[station]]",
        "[[station.instrument]]",
        "[[sensor]]",
        "[[gateway]]",
        "[source.mqtt.b]",
        "[forward.x.y]",
        "[history]",
    ]);
    prop_oneof![
        4 => (key, value).prop_map(|(key, value)| format!("{key} = {value}")),
        1 => header.prop_map(str::to_owned),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(400))]

    #[test]
    fn any_text_is_answered(text in "\\PC{0,200}", set in "\\PC{0,40}") {
        if let Err(faults) = load_with(&text, &[&set]) {
            prop_assert!(!faults.render(true).is_empty());
            prop_assert!(faults.iter().all(|fault| !fault.message().is_empty()));
        }
    }

    #[test]
    fn any_settings_are_answered(lines in prop::collection::vec(line(), 0..25), whole in any::<bool>()) {
        let body = lines.join("\n");
        let text = if whole { format!("{PROPERTY}{body}") } else { body };
        if let Err(faults) = load_with(&text, &[]) {
            for fault in &faults {
                let (line, column) = fault.line_column().expect("a place in the file");
                let at = text.split('\n').nth(line - 1).unwrap_or_default();
                prop_assert!(column <= at.chars().count() + 1, "{fault}");
                prop_assert!(!fault.render(false).is_empty());
            }
        }
    }

    #[test]
    fn any_adapter_table_is_answered(lines in prop::collection::vec(line(), 0..12)) {
        #[derive(serde::Deserialize)]
        #[serde(deny_unknown_fields)]
        #[allow(dead_code)]
        struct Options { id: Option<u8>, name: Option<Vec<f64>>, unit: Option<String>, from: Option<bool> }
        let table = AdapterTable::from_text("mqtt", "b", &lines.join("\n"));
        if let Err(faults) = table.decode::<Options>("") {
            prop_assert!(!faults.is_empty());
        }
        prop_assert!(!table.fault_at(&["id", "0"], "odd", None).message().is_empty());
    }
}
