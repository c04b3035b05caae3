//! Checks from outside: published values, other libraries, laws that must hold.
#![allow(clippy::unwrap_used, clippy::expect_used)]

mod airport_days;
mod airports;
mod check_values;
mod cusum;
mod derive;
mod known_errors;
mod laws;
mod nmea;
mod references;
mod senml_cbor;
mod summary;
