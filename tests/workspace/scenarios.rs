//! What the table of scenarios names is there: each file, and each test in it.

use std::path::Path;

#[test]
fn every_test_that_the_table_names_exists() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).parent().unwrap();
    let table = std::fs::read_to_string(root.join("tests/SCENARIOS.md")).unwrap();
    let mut named = 0;
    for row in table.lines().filter(|line| line.starts_with("| ") && line.contains(".rs`")) {
        let mut source = String::new();
        // Between backticks stand a file, then its tests, then perhaps another file.
        for word in row.split('`').skip(1).step_by(2) {
            if word.contains(".rs") {
                let file = root.join(word);
                source = std::fs::read_to_string(&file)
                    .unwrap_or_else(|error| panic!("{}: {error}", file.display()));
            } else if word.contains('_') {
                assert!(source.contains(&format!("fn {word}(")), "no test {word}: {row}");
                named += 1;
            }
        }
    }
    assert!(named > 70, "{named}: the table is not read");
}
