//! Every formula by the command line, as `derive.tsv` lists it: the published value, and
//! what is said of a missing input, a wrong unit and a value out of range.

use isobarn_tests::program::command;
use meteorology::registry::{self, Input, Kind};
use std::collections::BTreeSet;

const TABLE: &str = include_str!("derive.tsv");

/// One row: what is expected of which words.
struct Row {
    expected: f64,
    tolerance: f64,
    word: Option<&'static str>,
    words: Vec<&'static str>,
}

fn rows() -> Vec<Row> {
    let lines = TABLE.lines().filter(|line| !line.starts_with('#'));
    lines
        .map(|line| {
            let columns: Vec<&str> = line.split('\t').collect();
            let [expected, tolerance, word, mark, source, words] = columns[..] else {
                panic!("six columns: {line}")
            };
            assert!(["seen", "from memory", "computed", "library"].contains(&mark), "{line}");
            assert!(!source.is_empty(), "{line}");
            Row {
                expected: expected.parse().expect(line),
                tolerance: tolerance.parse().expect(line),
                word: (word != "-").then_some(word),
                words: words.split(' ').collect(),
            }
        })
        .collect()
}

/// Status, standard output and standard error of `isobarn derive`.
fn derive(words: &[&str]) -> (Option<i32>, String, String) {
    let output = command(&[&["derive"], words].concat());
    let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
    (output.status.code(), text(&output.stdout), text(&output.stderr))
}

/// The words with the value of `input` exchanged.
fn with<'a>(words: &[&'a str], input: &Input, value: &'a str) -> Vec<&'a str> {
    let start = format!("{}=", input.name);
    let exchange = |word: &&'a str| if word.starts_with(&start) { value } else { *word };
    words.iter().map(exchange).collect()
}

/// The inputs among the words.
fn given(words: &[&str]) -> Vec<&'static Input> {
    let formula = registry::formula(words[0]).unwrap_or_else(|| panic!("{words:?}"));
    let names = words.iter().filter_map(|word| word.split_once('='));
    names.filter_map(|(name, _)| formula.input(name)).collect()
}

#[test]
fn every_formula_gives_its_published_value_by_the_command_line() {
    let mut checked = BTreeSet::new();
    let mut faults = Vec::new();
    for row in rows() {
        let (status, out, err) = derive(&[row.words.as_slice(), &["--json"]].concat());
        let line: serde_json::Value = serde_json::from_str(&out).unwrap_or_default();
        let value = line["value"].as_f64().unwrap_or(f64::NAN);
        let close = (value - row.expected).abs() <= row.tolerance + 1e-12;
        if status != Some(0) || !close || line["word"].as_str() != row.word {
            faults.push(format!("{:?}: {} expected, {out}{err}", row.words, row.expected));
        }
        checked.insert(row.words[0]);
    }
    assert!(faults.is_empty(), "{}", faults.join("\n"));
    let known: BTreeSet<&str> = registry::formulas().map(|f| f.quantity).collect();
    assert_eq!(checked, known, "formulas and their checks");
    crate::summary::write("derive", &format!("{} formulas by the command line", known.len()));
}

#[test]
fn a_missing_input_is_named_and_a_wrong_unit_too_with_status_2() {
    for row in rows() {
        let (status, out, err) = derive(&row.words[..1]);
        assert_eq!((status, out.as_str()), (Some(2), ""), "{:?}: {err}", row.words);
        let missing = err.split_once("missing: ").map_or("", |(_, names)| names);
        let formula = registry::formula(row.words[0]).unwrap();
        assert!(formula.inputs.iter().any(|i| missing.starts_with(i.name)), "{err}");

        let input = given(&row.words)[0];
        // A temperature where none is wanted, else a pressure.
        let wrong = if input.unit == "Cel" { "3hPa" } else { "3Cel" };
        let word = format!("{}={wrong}", input.name);
        let words = with(&row.words, input, &word);
        let (status, out, err) = derive(&words);
        assert_eq!((status, out.as_str()), (Some(2), ""), "{words:?}: {err}");
        assert!(err.contains(input.name), "{words:?}: {err}");
    }
}

#[test]
fn out_of_range_there_is_a_reason_and_status_1() {
    for row in rows() {
        let numbers = given(&row.words).into_iter();
        for input in numbers.filter(|i| i.kind != Kind::Phase) {
            let word = match input.kind {
                Kind::Time => format!("{}=2200-01-01T00:00:00Z", input.name),
                _ => format!("{}={}{}", input.name, 2.0 * input.high + 1.0, input.unit),
            };
            let words = with(&row.words, input, word.trim_end_matches('1'));
            let (status, out, err) = derive(&words);
            assert_eq!((status, out.as_str()), (Some(1), ""), "{words:?}: {err}");
            let said = err.contains(input.name) && err.contains("the formula holds for");
            assert!(said, "{words:?}: {err}");
        }
    }
}

#[test]
fn a_rose_tells_calm_variable_and_missing_apart() {
    // Counted by hand: calm below 0.257 m/s, E in the second class twice, SSW in the third,
    // one window without a value, N in the third, one wind without a direction.
    let (status, out, err) = derive(&[
        "wind_rose",
        "wind_speed=0.1,3,3,6,,6,6m/s",
        "wind_from_direction=0,90,93,200,,350,deg",
        "class_limits=2,5m/s",
        "--json",
    ]);
    assert_eq!(status, Some(0), "{err}");
    let line: serde_json::Value = serde_json::from_str(&out).unwrap();
    let expected = serde_json::json!({
        "E class 1": 2.0, "SSW class 2": 1.0, "N class 2": 1.0,
        "calm": 1.0, "variable": 1.0, "missing": 1.0,
    });
    assert_eq!(line["parts"], expected, "{out}");
}
