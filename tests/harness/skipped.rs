//! Tests that cannot run where they are: told, and counted as skipped by the test command.

use std::path::PathBuf;

/// Notes that a test was not run and why, in `not-run/` of the target folder, a file a test.
pub fn not_run(test: &str, why: &str) {
    println!("NOT RUN: {test}: {why}");
    let own = std::env::current_exe().expect("a test knows its own path");
    // target/PROFILE/deps/TEST
    let target = own.ancestors().nth(3).map_or_else(|| PathBuf::from("target"), PathBuf::from);
    let folder = target.join("not-run");
    std::fs::create_dir_all(&folder).expect("a folder");
    let name = test.replace("::", ".");
    std::fs::write(folder.join(format!("{name}.txt")), format!("{test}: {why}\n")).expect("a file");
}
