//! Everything before the first source: the history opened and checked, names numbered,
//! the processor as it stood, tokens, counters.

use crate::clock::Clock;
use crate::commands::Failure;
use crate::counts::Counts;
use crate::delivery::{Standby, standby};
use crate::engine::core::Core;
use crate::engine::keeping::{Keeping, Limits};
use crate::engine::pacing::Pacing;
use crate::engine::restart::{Judge, PART, options};
use crate::engine::standing::Standing;
use crate::engine::timekeeping::{Step, Timekeeping};
use crate::engine::turn::{LastSaved, Parts, Turn};
use crate::snapshot::{Snapshot, View};
use crate::tokens::Tokens;
use crate::wiring::{NamedSource, Wired};
use adapters::credentials::Credentials;
use adapters::port::KeptClients;
use config::Faults;
use history::{Entry, Epoch, History, StatePart};
use observation::{Property, Series, Time};
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::watch;
use tokio_util::sync::CancellationToken;

/// The source under which old records come in.
pub const IMPORT: &str = "import";
/// The state part that says which settings epoch was recorded last.
const EPOCH: &str = "settings-epoch";

/// A service that only needs to be started.
pub struct Prepared {
    /// The engine.
    pub turn: Turn<Judge>,
    /// A step of the clock while nothing ran.
    pub first_step: Option<Step>,
    /// What everything that renders is given.
    pub view: View,
    /// The sources with their durable suffixes.
    pub sources: Vec<(NamedSource, Arc<str>)>,
    /// The delivery loops.
    pub couriers: Vec<Standby>,
    /// The stations and channels.
    pub property: Arc<Property>,
    /// Who may speak for whom.
    pub credentials: Arc<Credentials>,
    /// Inlet clients that asked for a kept session.
    pub clients: Arc<KeptClients>,
    /// The first number for connections.
    pub first_connection: u64,
    /// Stops engine and sources.
    pub stop: CancellationToken,
}

/// Prepares a service.
///
/// # Errors
/// Status 78 for token files that cannot be read, 1 for a history that cannot be opened,
/// read or written.
pub fn prepare(wired: Wired, clock: &Arc<dyn Clock>) -> Result<Prepared, Failure> {
    let Wired { settings, property, sources, forwarders } = wired;
    let settings = Arc::new(settings);
    let now = clock.now();
    let directory = &settings.history.directory;
    let (mut history, opened) =
        History::open(directory, &history::Options::at(now)).map_err(|e| {
            Failure::failed(format!("the history in {} cannot be used: {e}", directory.display()))
        })?;
    for repair in &opened.repairs {
        tracing::warn!("history repaired: {repair}");
    }
    let write = |e: history::WriteError| Failure::failed(e.to_string());
    let series: Arc<[Series]> = crate::engine::restart::series(&settings).into();
    let mut names: Vec<String> = sources.iter().map(|s| s.name.clone()).collect();
    names.push(IMPORT.to_owned());
    history.register(now, &property, &series, &names).map_err(write)?;
    record_epoch(&mut history, &settings, now)?;
    let suffixes = sources
        .iter()
        .map(|s| history.source_suffix(&s.name).map(Arc::from))
        .collect::<Result<Vec<Arc<str>>, _>>()
        .map_err(write)?;
    let tokens = Tokens::load(&settings, &history).map_err(|faults| match Faults::of(faults) {
        Some(faults) => crate::wiring::refused(&faults),
        None => Failure::settings("a token file cannot be read"),
    })?;
    let credentials = Arc::clone(tokens.credentials());

    let mut standing = Standing::new(
        Arc::clone(&property),
        Arc::clone(&series),
        Arc::from(history.property_id()),
        now,
        settings.fingerprint,
        settings.processor.event_gap,
    );
    standing.history.repairs.clone_from(&opened.repairs);
    standing.history.bytes = history.file_bytes() + history.wal_bytes();
    standing.restore(history.look()).map_err(|e| met(&history, &e))?;
    let clients = Arc::new(KeptClients::default());
    let judge = Judge::restored(&property, options(&settings), &history, &mut |message| {
        standing.message(message);
        if let Some(redelivery) = message.redelivery.as_ref().filter(|r| !r.client.is_empty()) {
            clients.remember(&redelivery.client);
        }
    })
    .map_err(|e| met(&history, &e))?;
    let last_saved = last_saved(&history, now)?;
    let rebuild = {
        let (property, options) = (Arc::clone(&property), options(&settings));
        Box::new(move |history: &History| Judge::restored(&property, options, history, &mut |_| {}))
    };
    let (timekeeping, first_step) =
        Timekeeping::start(clock.as_ref(), history.last().map(|l| l.received.max(l.walked)));
    let mut core = Core::standing(judge, history, rebuild);

    let kinds: Vec<(String, String)> =
        sources.iter().map(|s| (s.name.clone(), s.kind.to_owned())).collect();
    let couriers =
        standby::prepare(&mut core.history, forwarders, &property, now).map_err(Failure::failed)?;
    core.take_along(couriers.iter().map(|c| Arc::clone(&c.unkept)).collect());
    let tallies = couriers.iter().map(|c| Arc::clone(&c.tally)).collect();
    let counts = Counts::new(Arc::clone(&property), Arc::clone(clock), &kinds);
    let counts = counts.with_forwarders(tallies).with_noticed(core.history.noticed());
    let counts = Arc::new(counts);
    let first = Snapshot::empty(Arc::clone(&property), Arc::clone(&series), now);
    let (outlet, snapshots) = watch::channel(Arc::new(first));
    let stop = CancellationToken::new();
    let interval = Duration::from_millis(settings.history.commit_interval.0.max(0).unsigned_abs());
    let turn = Turn::new(Parts {
        core,
        standing,
        pacing: Pacing::new(&property, interval),
        timekeeping,
        clock: Arc::clone(clock),
        counts: Arc::clone(&counts),
        outlet,
        tokens,
        stop: stop.clone(),
        grace: settings.processor.grace,
        last_saved,
        keeping: Keeping::new(
            &property,
            Limits { bytes: settings.history.keep_samples, age: settings.history.keep_samples_for },
            settings.forwarders.iter().map(|f| f.name.clone()).collect(),
        ),
    });
    let view = View { settings, snapshots, counts, clock: Arc::clone(clock) };
    // No two connections alike, across restarts too: a thousand a millisecond.
    let first_connection = now.0.max(0).unsigned_abs().saturating_mul(1_024);
    Ok(Prepared {
        turn,
        first_step,
        view,
        sources: sources.into_iter().zip(suffixes).collect(),
        couriers,
        property,
        credentials,
        clients,
        first_connection,
        stop,
    })
}

/// Appends a settings epoch where the settings that readings depend on have changed.
///
/// # Errors
/// A history that cannot be read or written.
pub fn record_epoch(
    history: &mut History,
    settings: &config::Settings,
    now: Time,
) -> Result<(), Failure> {
    let saved = history.load_state().map_err(|e| Failure::failed(e.to_string()))?;
    let recorded = saved.iter().find(|p| p.part.name == EPOCH).map(|p| p.part.fingerprint);
    if recorded == Some(settings.fingerprint) {
        return Ok(());
    }
    let write = |e: history::WriteError| Failure::failed(e.to_string());
    let last = history.last();
    let received = last.map_or(now, |l| l.received);
    let walked = last.map_or(now, |l| l.walked);
    let epoch = Epoch { fingerprint: settings.fingerprint, text: settings.text.clone() };
    history.append(received, walked, &Entry::Epoch(epoch)).map_err(write)?;
    let part = StatePart {
        name: EPOCH.to_owned(),
        version: 1,
        fingerprint: settings.fingerprint,
        body: Vec::new(),
    };
    history.save_state(&[part]).map_err(write)
}

/// What cannot be read at the start. Where the database is damaged the next start looks
/// through all of it.
fn met(history: &History, error: &history::ReadError) -> Failure {
    if error.is_damage() {
        history.suspect();
    }
    Failure::failed(error.to_string())
}

/// When the processor's state was saved; if never, as if it had been before the first
/// record.
fn last_saved(history: &History, now: Time) -> Result<LastSaved, Failure> {
    let read = |e: history::ReadError| Failure::failed(e.to_string());
    let look = history.look();
    let saved = history.load_state().map_err(read)?;
    let first = look.first().map_err(read)?;
    let (number, at) = match saved.iter().find(|p| p.part.name == PART) {
        // A damaged one tells nothing; it is no reason for not starting.
        Some(part) => (part.at, look.one(part.at).ok().flatten().map(|r| r.received)),
        None => (first.map_or(0, |h| h.number.saturating_sub(1)), first.map(|h| h.received)),
    };
    let span = at.map_or(0, |at| (now - at).0.max(0)).unsigned_abs();
    Ok(LastSaved { ago: Duration::from_millis(span), number })
}
