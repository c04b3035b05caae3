//! The settings document: decoding it, checking it whole, and telling every fault with
//! file, line and column.

use std::path::PathBuf;

/// One thing that is wrong in the settings, and what to write instead.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Fault {
    /// The file.
    pub file: PathBuf,
    /// Byte range in the file's text, if the fault has a place.
    pub span: Option<std::ops::Range<usize>>,
    /// What is wrong.
    pub message: String,
    /// What to write instead.
    pub help: Option<String>,
}

/// The table of one source or forwarder, `[source.KIND.NAME]`, still undecoded: its kind
/// decodes it.
#[derive(Clone, Debug)]
pub struct AdapterTable {
    /// The kind.
    pub kind: String,
    /// The name.
    pub name: String,
    /// The file it stands in.
    pub file: PathBuf,
}
