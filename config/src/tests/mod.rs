//! The whole settings document from files, as a person would write it.
#![allow(clippy::unwrap_used, clippy::expect_used)]

mod adapters;
mod deriving;
mod examples;
mod pages;
mod properties;
mod several_files;
mod single_faults;
mod timelines;

use crate::{Faults, Settings};
use std::path::PathBuf;

/// A directory that goes away with the test.
struct Folder(tempfile::TempDir);

impl Folder {
    fn new() -> Self {
        Self(tempfile::tempdir().unwrap())
    }

    /// Writes a file and gives its path.
    fn write(&self, name: &str, text: &str) -> PathBuf {
        let path = self.0.path().join(name);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(&path, text).unwrap();
        path
    }
}

/// The least that is accepted; one line.
const PROPERTY: &str = "property = { name = \"Alder Croft\", latitude = 54.07, longitude = -2.28, elevation = \"212 m\", time_zone = \"Europe/London\" }\n";

/// Loads a text as a file of its own.
fn load_text(text: &str) -> Result<Settings, Faults> {
    load_with(text, &[])
}

/// The same with overrides.
fn load_with(text: &str, overrides: &[&str]) -> Result<Settings, Faults> {
    let folder = Folder::new();
    let path = folder.write("isobarn.toml", text);
    let overrides: Vec<String> = overrides.iter().map(|&o| o.to_owned()).collect();
    crate::load(&path, &overrides)
}

/// Line, column and message of each fault.
fn told(result: Result<Settings, Faults>) -> Vec<(usize, usize, String)> {
    result
        .expect_err("refused")
        .iter()
        .map(|fault| {
            let (line, column) = fault.line_column().unwrap_or_default();
            (line, column, fault.message().to_owned())
        })
        .collect()
}
