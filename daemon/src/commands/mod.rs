//! The commands. Each has one entry, `execute`, that gets its arguments and ends with
//! nothing or with a [`Failure`]; none calls `exit` itself.

pub mod backup;
pub mod check;
pub mod compare;
pub mod demo;
mod derive;
pub mod export;
mod import;
pub mod listen;
mod progress;
pub mod replay;
pub mod reprocess;
pub mod restore;
pub mod run;
pub mod status;
pub mod token;

use crate::arguments::Command;

/// Why a command did not do what was asked.
#[derive(Debug)]
pub struct Failure {
    /// The exit status.
    pub status: u8,
    /// One line or more for the person at the terminal; empty where everything was
    /// said already.
    pub message: String,
}

impl Failure {
    /// Status 1: it was tried and failed.
    pub fn failed(message: impl Into<String>) -> Self {
        Self { status: 1, message: message.into() }
    }

    /// Status 2: the arguments make no sense.
    pub fn usage(message: impl Into<String>) -> Self {
        Self { status: 2, message: message.into() }
    }

    /// Status 78 (`EX_CONFIG`): the settings are refused; restarting does not help.
    pub fn settings(message: impl Into<String>) -> Self {
        Self { status: 78, message: message.into() }
    }
}

impl From<history::ReadError> for Failure {
    fn from(error: history::ReadError) -> Self {
        Self::failed(error.to_string())
    }
}

/// Runs one command to its end.
///
/// # Errors
/// What the command could not do.
pub fn execute(command: Command) -> Result<(), Failure> {
    match command {
        Command::Run(arguments) => run::execute(&arguments),
        Command::Check(arguments) => check::execute(&arguments),
        Command::Demo(arguments) => demo::execute(&arguments),
        Command::Listen(arguments) => listen::execute(&arguments),
        Command::Replay(arguments) => replay::execute(&arguments),
        Command::Derive(arguments) => derive::execute(&arguments),
        Command::Export(arguments) => export::execute(&arguments),
        Command::Compare(arguments) => compare::execute(&arguments),
        Command::Backup(arguments) => backup::execute(&arguments),
        Command::Import(arguments) => import::execute(&arguments),
        Command::Reprocess(arguments) => reprocess::execute(&arguments),
        Command::Restore(arguments) => restore::execute(&arguments),
        Command::Token(arguments) => token::execute(&arguments),
        Command::Status(arguments) => status::execute(&arguments),
    }
}
