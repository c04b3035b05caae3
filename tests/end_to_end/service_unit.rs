//! The systemd unit: sound, and hardened from the first day.

use std::path::Path;
use std::process::Command;

fn unit() -> &'static Path {
    Path::new(concat!(env!("CARGO_MANIFEST_DIR"), "/../systemd/isobarn.service"))
}

/// The unit as packaged, with the program's path replaced by one that exists here.
fn installed(folder: &Path) -> std::path::PathBuf {
    let text = std::fs::read_to_string(unit()).unwrap();
    let path = folder.join("isobarn.service");
    let here = isobarn_tests::program::binary();
    std::fs::write(&path, text.replace("/usr/bin/isobarn", here.to_str().unwrap())).unwrap();
    path
}

#[test]
fn systemd_finds_no_fault_in_the_unit() {
    let folder = tempfile::tempdir().unwrap();
    let output = Command::new("systemd-analyze")
        .args(["verify", "--man=no"])
        .arg(installed(folder.path()))
        .output()
        .expect("systemd-analyze is installed: tests/run --install");
    let said = String::from_utf8_lossy(&output.stderr);
    let about_us: Vec<&str> = said.lines().filter(|l| l.contains("isobarn")).collect();
    assert!(output.status.success() && about_us.is_empty(), "{said}");
}

#[test]
fn the_exposure_of_the_unit_is_at_most_two() {
    let output = Command::new("systemd-analyze")
        .args(["security", "--offline=true", "--threshold=20", "--no-pager"])
        .arg(unit())
        .output()
        .expect("systemd-analyze is installed: tests/run --install");
    let said = String::from_utf8_lossy(&output.stdout);
    let overall = said
        .lines()
        .find_map(|l| l.split("Overall exposure level for isobarn.service:").nth(1))
        .and_then(|l| l.split_whitespace().next())
        .and_then(|figure| figure.parse::<f64>().ok())
        .unwrap_or_else(|| panic!("no figure in\n{said}"));
    assert!(output.status.success() && overall <= 2.0, "exposure {overall}\n{said}");
}

#[test]
fn refused_settings_are_not_tried_again_and_a_crash_is_tried_for_ever() {
    let text = std::fs::read_to_string(unit()).unwrap();
    for line in [
        "Type=notify",
        "RestartPreventExitStatus=78",
        "StartLimitIntervalSec=0",
        "NotifyAccess=main",
    ] {
        assert!(text.lines().any(|l| l == line), "{line} is not in the unit");
    }
    let value = |key: &str| {
        text.lines().find_map(|l| l.strip_prefix(key)?.strip_prefix('=')).unwrap_or_default()
    };
    assert!(matches!(value("Restart"), "on-failure" | "always"), "{}", value("Restart"));
    assert!(!value("RestartSec").is_empty());
    assert!(!value("WatchdogSec").is_empty());
}
