//! isobarn takes in what home-built weather stations send, turns it into checked
//! readings, keeps them and shows them.
//!
//! This file only finds the command and turns its end into an exit status: 0 done,
//! 1 failed, 2 wrong usage, 78 settings refused.

// A program has no outside: `pub` here says "for the other modules".
#![allow(unreachable_pub)]

mod arguments;
mod clock;
mod commands;
mod control;
mod counts;
mod delivery;
mod digest;
mod engine;
#[cfg(test)]
mod fixture;
mod import;
mod lines;
mod logging;
mod metrics;
mod newest;
mod normals;
mod page;
mod remake;
mod snapshot;
mod summary;
mod supervision;
mod tokens;
mod wiring;

use clap::Parser;
use std::process::ExitCode;

fn main() -> ExitCode {
    let arguments = arguments::Arguments::parse();
    match commands::execute(arguments.command) {
        Ok(()) => ExitCode::SUCCESS,
        Err(failure) => {
            if !failure.message.is_empty() {
                eprintln!("isobarn: {}", failure.message);
            }
            ExitCode::from(failure.status)
        }
    }
}
