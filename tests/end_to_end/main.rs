//! The whole program with real peers, seen from outside.

#![allow(clippy::unwrap_used, clippy::expect_used, missing_docs)]
