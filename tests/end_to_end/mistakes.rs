//! Commands that are asked for what there is not say so, with a status that a script sees.

use crate::settings::write;
use isobarn_tests::backlog::{self, Backlog};
use isobarn_tests::program::{command, command_with_input};
use observation::Span;

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
    let (status, words) = ask(&["export"]);
    assert_eq!(status, Some(1), "{words}");
    assert!(words.contains("`isobarn run` begins one"), "{words}");

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
