//! Where the program's own words go: to the systemd journal when it runs as a unit,
//! else to standard error. State changes and periodic summaries only: never a line for
//! each bad sample, never a secret.

use std::io::IsTerminal;
use tracing_subscriber::EnvFilter;
use tracing_subscriber::layer::SubscriberExt;
use tracing_subscriber::util::SubscriberInitExt;

/// The variable that chooses what is said, in `tracing`'s filter language.
pub const FILTER: &str = "ISOBARN_LOG";

/// Whether standard error gets colour: a terminal, and nobody asked for none.
pub fn colour() -> bool {
    std::io::stderr().is_terminal() && std::env::var_os("NO_COLOR").is_none_or(|v| v.is_empty())
}

/// How much is said where the variable says nothing.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Usual {
    /// For the service: state changes and summaries.
    Changes,
    /// For commands whose output is for reading: what a person should know.
    Warnings,
    /// For the demo, which tells everything in its own words.
    Errors,
}

/// Starts logging. Called once; a second call changes nothing.
pub fn start(usual: Usual) {
    let default = match usual {
        Usual::Changes => "info",
        Usual::Warnings => "warn",
        Usual::Errors => "error",
    };
    let (filter, fault) = match std::env::var(FILTER) {
        Ok(text) if !text.is_empty() => match EnvFilter::try_new(&text) {
            Ok(filter) => (filter, None),
            Err(e) => (EnvFilter::new(default), Some(e.to_string())),
        },
        _ => (EnvFilter::new(default), None),
    };
    let registry = tracing_subscriber::registry().with(filter);
    // Under systemd standard error is the journal already; speaking to it directly
    // keeps the fields. Its socket may be missing in a container: then the plain way.
    let journal = std::env::var_os("JOURNAL_STREAM").and_then(|_| tracing_journald::layer().ok());
    let started = match journal {
        Some(journal) => registry.with(journal).try_init(),
        None => registry
            .with(
                tracing_subscriber::fmt::layer()
                    .with_writer(std::io::stderr)
                    .with_ansi(colour())
                    .with_target(false),
            )
            .try_init(),
    };
    if let (Ok(()), Some(fault)) = (started, fault) {
        tracing::warn!("{FILTER} is not understood and not used: {fault}");
    }
}
