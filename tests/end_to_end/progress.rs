//! How far a long work is, as somebody at a terminal sees it (a pseudo-terminal that
//! `script` opens), and what a file gets instead.

use crate::settings::write;
use isobarn_tests::backlog::{self, Backlog};
use isobarn_tests::program::{binary, command, export};
use observation::Span;
use std::process::{Command, Stdio};

/// What stands on a terminal while a command runs in it.
fn seen(arguments: &[&str], to: &str) -> String {
    let program = binary().display().to_string();
    let quoted: Vec<String> = std::iter::once(program.as_str())
        .chain(arguments.iter().copied())
        .map(|word| format!("'{word}'"))
        .collect();
    let line = format!("{} {to}", quoted.join(" "));
    let output = Command::new("script")
        .args(["-qec", &line, "/dev/null"])
        .stdin(Stdio::null())
        .output()
        .expect("script is installed: tests/run --install");
    let text = String::from_utf8(output.stdout).unwrap();
    assert!(output.status.success(), "{line}: {text}");
    text
}

#[test]
fn long_works_say_how_far_they_are_on_a_terminal_and_nowhere_else() {
    const SOME: Backlog = Backlog { records: 300, readings: 8, step: Span::seconds(10) };
    let folder = tempfile::tempdir().unwrap();
    let settings = write(folder.path(), "");
    backlog::write(&settings, SOME);
    let path = settings.to_str().unwrap();
    let file = |name: &str| folder.path().join(name).display().to_string();
    let mut record = String::new();
    for n in 0..2_000 {
        let time = observation::Time::parse("2021-06-03T00:00:00Z").unwrap() + Span::minutes(n);
        record.push_str(&format!(
            "{{\"time\":\"{time}\",\"station\":\"orchard\",\"channel\":\"t\",\"value\":12.5}}\n"
        ));
    }
    record.push_str(
        "{\"time\":\"2021-06-05T00:00:00Z\",\"station\":\"attic\",\"channel\":\"t\",\"value\":1}\n",
    );
    std::fs::write(file("record.jsonl"), record).unwrap();
    let everything = ["--from", "2020-01-01T00:00:00Z"];
    let export_all = [&["export", "--config", path][..], &everything].concat();
    // One that is not copied at a stroke.
    let large = tempfile::tempdir().unwrap();
    let large_settings = write(large.path(), "");
    backlog::write(
        &large_settings,
        Backlog { records: 1_500, readings: 600, step: Span::seconds(10) },
    );
    let large = large_settings.to_str().unwrap();
    let (out, input, copy) = (file("out"), file("record.jsonl"), file("copy.sqlite"));
    let into = format!("history.directory=\"{}\"", file("elsewhere"));
    let to_file = format!("> '{out}'");
    for (arguments, to, word) in [
        (&["import", "--config", path, "--input", &input][..], "", "samples of 2021-06-0"),
        (&export_all, to_file.as_str(), "readings of 20"),
        (&["export", "--config", path, "--samples"], &to_file, "samples of 20"),
        (&["replay", "--config", path, "--input", &input, "--output", &out], "", "lines, "),
        (&["reprocess", "--config", path], "", "samples of 20"),
        (&["backup", "--config", large, &copy], "", "% copied"),
        (&["restore", "--config", path, "--set", &into, &copy], "", "checked up to record "),
    ] {
        let text = seen(arguments, to);
        println!("{}: {text:?}", arguments[0]);
        let shown: Vec<&str> = text.split('\r').filter(|part| part.contains(word)).collect();
        assert!(!shown.is_empty(), "{arguments:?}: no `{word}` in {text:?}");
        // Each stands alone on its line, and is taken away before anything else is said.
        let last = text.rfind(word).unwrap();
        let behind = &text[last..];
        let erased = behind.split('\r').nth(1).unwrap_or_default();
        assert!(!erased.is_empty() && erased.trim().is_empty(), "{arguments:?}: {text:?}");
        assert!(shown.iter().all(|part| !part.contains('\n')), "{arguments:?}: {text:?}");
        assert!(!text.contains('\u{1b}'), "no control sequences: {text:?}");
    }
    // The line of a refusal begins on its own.
    let text = seen(&["import", "--config", path, "--input", &input], "");
    assert!(text.contains("\risobarn: {") || text.contains("\nisobarn: {"), "{text:?}");

    // What is printed on the terminal itself is not mixed with it.
    let text = seen(&export_all, "");
    assert!(!text.contains("readings of"), "{text:.200}");
    assert_eq!(text.lines().count(), export(&settings, &everything).lines().count());
    // No terminal, no word.
    for arguments in [
        &["import", "--config", path, "--input", &input][..],
        &["replay", "--config", path, "--input", &input],
        &["reprocess", "--config", path],
        &export_all,
    ] {
        let output = command(arguments);
        let said = String::from_utf8(output.stderr).unwrap();
        assert!(!said.contains('\r') && !said.contains("samples of"), "{arguments:?}: {said:?}");
    }
}
