//! Commands that are asked for what there is not say so, with a status that a script sees.

use crate::settings::token;
use crate::settings::write;
use isobarn_tests::backlog::{self, Backlog};
use isobarn_tests::program::{Program, command, command_with_input};
use isobarn_tests::push::Client;
use observation::Span;
use serde_json::Value;

/// Status and words.
fn said(output: &std::process::Output) -> (Option<i32>, String) {
    (output.status.code(), String::from_utf8_lossy(&output.stderr).into_owned())
}

#[test]
fn what_is_not_there_is_told_and_a_script_sees_it() {
    let folder = tempfile::tempdir().unwrap();
    let settings = write(folder.path(), "");
    let path = settings.to_str().unwrap();
    let ask = |words: &[&str]| said(&command(&[words, &["--config", path]].concat()));
    for asked in ["export", "reprocess"] {
        let (status, words) = ask(&[asked]);
        assert_eq!(status, Some(1), "{asked}: {words}");
        assert!(words.contains("`isobarn run` begins one"), "{asked}: {words}");
        assert!(!folder.path().join("history").exists(), "{asked} makes none");
    }

    backlog::write(&settings, Backlog { records: 1, readings: 1, step: Span::seconds(10) });
    for (asked, expected) in [
        (["export", "--station", "orchrad"], "no station `orchrad`; did you mean `orchard`?"),
        (["export", "--station", "frog"], "no station `frog`"),
        (["export", "--quantity", "air_temprature"], "did you mean `air_temperature`?"),
        (["export", "--step", "5"], "write it like"),
        (["export", "--from", "yesterday"], "RFC 3339"),
        (["token", "add", "--station=orchrad"], "no station `orchrad`"),
        (["reprocess", "--from", "yesterday"], "RFC 3339"),
    ] {
        let (status, words) = ask(&asked);
        assert_eq!(status, Some(2), "{asked:?}: {words}");
        assert!(words.contains(expected), "{asked:?}: {words}");
    }
    assert_eq!(ask(&["export", "--station", "ridge"]), (Some(0), String::new()), "it is silent");

    for asked in ["replay", "import"] {
        let whole = [asked, "--config", path, "--input", "-"];
        let (status, words) = said(&command_with_input(&whole, b"hello\nthere\n"));
        assert_eq!(status, Some(1), "{asked}: {words}");
        assert!(words.contains("nothing of it was understood"), "{asked}: {words}");
        assert_eq!(
            said(&command_with_input(&whole, b"")).0,
            Some(0),
            "{asked}: nothing is no fault"
        );
    }
}

#[test]
fn a_unit_that_is_not_the_one_declared_is_named() {
    let folder = tempfile::tempdir().unwrap();
    let settings = write(folder.path(), "");
    let program = Program::run(&settings);
    let client = Client::new();
    for step in 0..10_u32 {
        let fahrenheit = 70.7 + f64::from(step) / 10.0;
        let body = format!("[{{\"n\":\"orchard/t\",\"v\":{fahrenheit:.1}}}]");
        let answer = client.senml(program.address("push"), token("orchard"), &body);
        assert_eq!(answer.status, 204, "it is kept: {}", answer.body);
    }
    let page = client.get(program.address("http"), "/v1/diagnoses").body;
    let told: Value = serde_json::from_str(&page).unwrap();
    let unit = |d: &&Value| d["diagnosis"] == "unit_wrong";
    let found = told["diagnoses"].as_array().unwrap().iter().find(unit);
    let found = found.unwrap_or_else(|| panic!("{page}"));
    assert_eq!(
        (&found["station"], &found["instrument"]),
        (&"orchard".into(), &"screen_temperature".into())
    );
    let status = command(&["status", "--config", settings.to_str().unwrap()]);
    let words = String::from_utf8_lossy(&status.stdout).into_owned();
    assert!(words.contains("they would in `[degF]` (22.00 Cel)"), "{words}");
    let page = client.get(program.address("http"), "/").body;
    assert!(page.contains("[degF]"), "the page names it too");
    assert_eq!(program.terminate().0, Some(0));
}
