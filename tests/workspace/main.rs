//! Rules of the house that a machine can read: which room may know which.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::too_many_lines, missing_docs)]

mod graph;
mod scenarios;
