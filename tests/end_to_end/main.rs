//! The whole program with real peers, seen from outside.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::too_many_lines,
    clippy::format_push_string,
    clippy::cast_possible_truncation,
    missing_docs
)]

mod backups;
mod broker;
mod browsing;
mod certificates;
mod chaos;
mod check;
mod clock_steps;
mod crowds;
mod damage;
mod databases;
mod demo;
mod description;
mod diagnoses;
mod disks;
mod displays;
mod exports;
mod flood;
mod forwarding;
mod importing;
mod kills;
mod lasting;
mod mistakes;
mod monitoring;
mod power_cut;
mod power_weeks;
mod progress;
mod pushes;
mod replays;
mod reprocessing;
mod serial_line;
mod service_unit;
mod settings;
mod stubborn;
mod summer_time;
mod watchdog;
