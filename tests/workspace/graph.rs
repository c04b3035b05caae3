//! Dependency goes one way. The edges are read from the workspace itself.

use serde_json::Value;
use std::collections::{BTreeMap, BTreeSet};
use std::process::Command;

/// What each room may know of the others.
const ALLOWED: &[(&str, &[&str])] = &[
    ("observation", &[]),
    ("meteorology", &["observation"]),
    ("quality", &["observation", "meteorology"]),
    ("processor", &["observation", "meteorology", "quality"]),
    ("config", &["observation"]),
    ("history", &["observation"]),
    ("adapters", &["observation", "config"]),
    (
        "isobarn",
        &["observation", "meteorology", "quality", "processor", "config", "history", "adapters"],
    ),
];

/// Crates that bring a clock, input and output, asynchronous code or a file format: none
/// of them may stand in a pure room.
const NOT_PURE: &[&str] = &[
    "tokio",
    "tokio-util",
    "serde_json",
    "toml",
    "rusqlite",
    "tracing",
    "axum",
    "hyper",
    "bytes",
    "rumqttc",
    "chrono",
    "time",
    "fastrand",
    "rand",
    "uuid",
];

const PURE: &[&str] = &["observation", "meteorology", "quality", "processor"];

fn packages() -> BTreeMap<String, BTreeSet<String>> {
    let output = Command::new(env!("CARGO"))
        .args(["metadata", "--no-deps", "--format-version", "1", "--locked", "--offline"])
        .current_dir(concat!(env!("CARGO_MANIFEST_DIR"), "/.."))
        .output()
        .expect("cargo metadata runs");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let metadata: Value = serde_json::from_slice(&output.stdout).expect("cargo prints JSON");
    metadata["packages"]
        .as_array()
        .expect("a list of packages")
        .iter()
        .map(|package| {
            let needs = package["dependencies"]
                .as_array()
                .expect("a list of dependencies")
                .iter()
                .filter(|d| d["kind"].is_null())
                .map(|d| d["name"].as_str().expect("a name").to_owned())
                .collect();
            (package["name"].as_str().expect("a name").to_owned(), needs)
        })
        .collect()
}

#[test]
fn every_room_knows_only_the_rooms_it_may_know() {
    let packages = packages();
    let rooms: BTreeSet<&str> = ALLOWED.iter().map(|(name, _)| *name).collect();
    let present: BTreeSet<&str> =
        packages.keys().map(String::as_str).filter(|n| *n != "isobarn-tests").collect();
    assert_eq!(present, rooms, "a room was added or removed: say in this test what it may know");
    for (room, allowed) in ALLOWED {
        let known: BTreeSet<&str> =
            packages[*room].iter().map(String::as_str).filter(|n| rooms.contains(n)).collect();
        let allowed: BTreeSet<&str> = allowed.iter().copied().collect();
        let beyond: Vec<_> = known.difference(&allowed).collect();
        assert!(beyond.is_empty(), "{room} must not know {beyond:?}");
    }
}

#[test]
fn pure_rooms_bring_no_clock_no_format_and_no_input_or_output() {
    let packages = packages();
    for room in PURE {
        let unwanted: Vec<_> =
            packages[*room].iter().filter(|n| NOT_PURE.contains(&n.as_str())).collect();
        assert!(unwanted.is_empty(), "{room} is pure but needs {unwanted:?}");
    }
}

#[test]
fn the_wall_clock_is_read_in_one_file_only() {
    let root = std::path::Path::new(concat!(env!("CARGO_MANIFEST_DIR"), "/.."));
    let mut found = Vec::new();
    for room in ALLOWED.iter().map(|(name, _)| if *name == "isobarn" { "daemon" } else { name }) {
        let mut folders = vec![root.join(room).join("src")];
        while let Some(folder) = folders.pop() {
            for entry in std::fs::read_dir(folder).expect("a folder").flatten() {
                let path = entry.path();
                if path.is_dir() {
                    folders.push(path);
                } else if path.extension().is_some_and(|e| e == "rs") {
                    let text = std::fs::read_to_string(&path).expect("a source file");
                    let code = text.split("#[cfg(test)]").next().unwrap_or_default();
                    if code.contains("SystemTime::now") || code.contains("Timestamp::now") {
                        found.push(path.strip_prefix(root).expect("inside").to_owned());
                    }
                }
            }
        }
    }
    // The demo's simulated stations have clocks of their own, as real ones do.
    found.sort();
    let allowed = ["daemon/src/clock.rs", "daemon/src/commands/demo/stations.rs"];
    assert_eq!(found, allowed.map(std::path::PathBuf::from));
}
