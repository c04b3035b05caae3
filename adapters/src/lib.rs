//! Everything outside: what stations speak through and what readings are passed on by.

pub mod credentials;
pub mod forwarders;
pub mod payload;
pub mod port;
pub mod reading_lines;
pub mod sources;
mod trust;
