//! `check` tells every fault at once, with its place; the examples are sound.

use isobarn_tests::program::{Program, command, settings};
use std::path::Path;

#[test]
fn three_faults_are_told_in_one_run_with_their_places() {
    let folder = tempfile::tempdir().unwrap();
    let text = r#"[property]
name = "Alder Croft"
latitude = 54.07
longitude = -2.28
elevation = "212 hPa"
time_zone = "Europe/London"

[history]
directory = "history"
commit_intervall = "1 s"

[[station]]
id = "orchard"
token_file = "lost.token"

[[station.instrument]]
id = "screen_temperature"
channel = "t"
quantity = "air_temperature"
unit = "Cel"
"#;
    let path = settings(folder.path(), text, &[]);
    let output = command(&["check", "--config", path.to_str().unwrap()]);
    assert_eq!(output.status.code(), Some(78));
    let said = String::from_utf8_lossy(&output.stderr);
    let file = path.display();
    for (place, words) in [
        (format!("{file}:5:13"), "hPa"),
        (format!("{file}:10:1"), "commit_interval"),
        (format!("{file}:14:14"), "lost.token"),
    ] {
        assert!(said.contains(&place), "no fault at {place}:\n{said}");
        assert!(said.contains(words), "{words} is not named:\n{said}");
    }
    let faults = said.lines().filter(|l| l.starts_with(&format!("{file}:"))).count();
    assert_eq!(faults, 3, "{said}");
    assert!(!folder.path().join("history").exists(), "a refused file must change nothing");
}

#[test]
fn every_example_is_sound_and_runs_as_it_stands() {
    let examples = Path::new(concat!(env!("CARGO_MANIFEST_DIR"), "/../config/examples"));
    let mut seen = 0;
    for entry in std::fs::read_dir(examples).unwrap().flatten() {
        let path = entry.path();
        if path.extension().is_none_or(|e| e != "toml") {
            continue;
        }
        seen += 1;
        let path = path.to_str().unwrap();
        let output = command(&["check", "--config", path]);
        let said = String::from_utf8_lossy(&output.stderr);
        assert_eq!(output.status.code(), Some(0), "{path}: {said}");
        let folder = tempfile::tempdir().unwrap();
        // Only the ports are moved, so that tests can run side by side.
        let text = std::fs::read_to_string(path).unwrap();
        let mut arguments =
            vec!["run".to_owned(), "--config".to_owned(), path.to_owned(), "--set".to_owned()];
        arguments.push(format!("history.directory={:?}", folder.path().display().to_string()));
        let mut table = String::new();
        for line in text.lines() {
            if let Some(name) = line.strip_prefix('[').and_then(|l| l.split(']').next()) {
                table = name.to_owned();
            }
            if line.starts_with("listen") {
                arguments.push("--set".to_owned());
                arguments.push(format!("{table}.listen=\"127.0.0.1:0\""));
            }
        }
        if !text.contains("[http]") {
            arguments.push("--set".to_owned());
            arguments.push("http.listen=\"127.0.0.1:0\"".to_owned());
        }
        let arguments: Vec<&str> = arguments.iter().map(String::as_str).collect();
        let program = Program::start(Path::new(path), &arguments);
        let (status, said) = program.terminate();
        assert_eq!(status, Some(0), "{path}: {said}");
    }
    assert_eq!(seen, 6, "an example was added or removed");
}
