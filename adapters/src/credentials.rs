//! Who may speak for whom: tokens of stations and gateways, kept as hashes.

/// All tokens known to this run.
#[derive(Debug, Default)]
pub struct Credentials {}
