//! Lines that the test command prints at its end.
//!
//! Cargo shows what a passing test prints only on request, so what was checked is written
//! into `outside-checks/` of the target folder, a file a check.

use std::path::PathBuf;

/// Writes what one check found.
pub(crate) fn write(check: &str, text: &str) {
    println!("{text}");
    let own = std::env::current_exe().expect("a test knows its own path");
    // target/PROFILE/deps/TEST
    let target = own.ancestors().nth(3).map_or_else(|| PathBuf::from("target"), PathBuf::from);
    let folder = target.join("outside-checks");
    std::fs::create_dir_all(&folder).expect("a folder");
    std::fs::write(folder.join(format!("{check}.txt")), format!("{text}\n")).expect("a file");
}
