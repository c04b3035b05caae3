//! `isobarn demo`: an invented property whose simulated stations speak to a real service
//! by every way there is. The service is the one that `run` runs, in this process, so
//! that both end together however they end.

mod instruments;
mod past;
mod property;
pub(crate) mod request;
mod sensors;
mod stations;
mod telling;
mod weather;

use super::{Failure, run};
use crate::arguments::{self, Demo};
use crate::logging;
use property::Addresses;
use serialport::{SerialPort, TTYPort};
use stations::Stop;
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::time::Duration;
use tokio::signal::unix::{SignalKind, signal};
use tokio_util::sync::CancellationToken;
use weather::Sky;

/// How long a write to the cable may take.
const CABLE: Duration = Duration::from_millis(200);
/// Seconds ahead for which the sun is worked out at the start.
const AHEAD: f64 = 30.0 * 86_400.0;
/// The name under which the cable's device is found, whatever its number.
const CABLE_NAME: &str = "cable";

/// Runs the demo until its time is over or somebody ends it.
///
/// # Errors
/// The directory cannot be used, there is no pseudo-terminal, or the service failed.
pub fn execute(arguments: &Demo) -> Result<(), Failure> {
    let minutes = arguments.minutes;
    if minutes.is_some_and(|m| !(m > 0.0 && m <= 1_000_000.0)) {
        return Err(Failure::usage("--minutes takes a number above 0"));
    }
    if arguments.past > past::LONGEST {
        return Err(Failure::usage(format!("--past takes 0 to {} days", past::LONGEST)));
    }
    // Dropped, and with it everything in it, when the demo ends.
    let temporary;
    let directory: PathBuf = if let Some(directory) = &arguments.directory {
        std::fs::create_dir_all(directory)
            .and_then(|()| directory.canonicalize())
            .map_err(|e| Failure::failed(format!("{}: {e}", directory.display())))?
    } else {
        temporary = tempfile::tempdir()
            .map_err(|e| Failure::failed(format!("cannot make a temporary directory: {e}")))?;
        temporary.path().to_owned()
    };
    let (addresses, taken) =
        Addresses::choose().map_err(|e| Failure::failed(format!("no port is free: {e}")))?;
    let (cable, device) = cable(&directory)?;
    let config = property::write(&directory, &addresses, &device)
        .map_err(|e| Failure::failed(format!("the demo cannot be set up: {e}")))?;
    let kept = past::is_there(&directory);
    let days = if kept { 0 } else { arguments.past };
    let introduction = telling::introduction(&telling::Introduced {
        addresses: &addresses,
        taken: &taken,
        settings: &config,
        kept: arguments.directory.is_some(),
        past: days,
        minutes,
    });
    // Whether anybody reads it is nobody's fault here.
    drop(std::io::stdout().write_all(introduction.as_bytes()));
    drop(std::io::stdout().flush());
    // The service's own words are about what it does, which is said here in plain ones.
    logging::start(logging::Usual::Errors);
    let settings = arguments::Settings { config, set: Vec::new() };
    let sky = Sky::new(arguments.seed, past::start(days), stations::now() + AHEAD);
    if days > 0 && !invent(&directory, &settings, &sky, days)? {
        return Ok(());
    }
    let wrong = past::is_wrong(&directory);
    serve(&settings, &addresses, cable, &sky, wrong, minutes)
}

/// Makes the past, on a thread of its own, until it is made or somebody ends it; then
/// false.
fn invent(
    directory: &Path,
    settings: &arguments::Settings,
    sky: &Sky,
    days: u32,
) -> Result<bool, Failure> {
    let failed = |e: std::io::Error| Failure::failed(e.to_string());
    let runtime =
        tokio::runtime::Builder::new_current_thread().enable_all().build().map_err(failed)?;
    let stop = Stop::default();
    std::thread::scope(|threads| {
        let (ended, end) = tokio::sync::oneshot::channel();
        let told = &stop;
        threads.spawn(move || {
            drop(ended.send(past::make(directory, settings, sky, days, told)));
        });
        runtime.block_on(async {
            let mut terminate = signal(SignalKind::terminate()).map_err(failed)?;
            let mut interrupt = signal(SignalKind::interrupt()).map_err(failed)?;
            let mut end = end;
            tokio::select! {
                made = &mut end => return made.map_err(|_| Failure::failed("the invented past failed inside"))?,
                _ = terminate.recv() => stop.set(),
                _ = interrupt.recv() => stop.set(),
            }
            end.await.map_err(|_| Failure::failed("the invented past failed inside"))?.map(|_| false)
        })
    })
}

/// A cable with two ends: the station's, and the path of the service's.
fn cable(directory: &Path) -> Result<(TTYPort, PathBuf), Failure> {
    let failed = |e: &dyn std::fmt::Display| {
        Failure::failed(format!("there is no pseudo-terminal for the cable: {e}"))
    };
    let (mut ours, theirs) = TTYPort::pair().map_err(|e| failed(&e))?;
    ours.set_timeout(CABLE).map_err(|e| failed(&e))?;
    let name = theirs.name().ok_or_else(|| failed(&"it has no name"))?;
    let link = directory.join(CABLE_NAME);
    match std::fs::symlink_metadata(&link) {
        Ok(there) if !there.is_symlink() => {
            return Err(failed(&format!("{} is in the way", link.display())));
        }
        Ok(_) => std::fs::remove_file(&link).map_err(|e| failed(&e))?,
        Err(_) => {}
    }
    std::os::unix::fs::symlink(name, &link).map_err(|e| failed(&e))?;
    // Our hold on the service's end is given up, so that the service can have it.
    drop(theirs);
    Ok((ours, link))
}

/// The service beside its stations.
fn serve(
    settings: &arguments::Settings,
    addresses: &Addresses,
    cable: TTYPort,
    sky: &Sky,
    wrong: bool,
    minutes: Option<f64>,
) -> Result<(), Failure> {
    let service = CancellationToken::new();
    let stop = Stop::default();
    std::thread::scope(|threads| {
        let (stop, ending) = (&stop, &service);
        threads.spawn(move || stations::ridge(sky, addresses.inlet, stop));
        threads.spawn(move || stations::orchard(sky, addresses.push, wrong, stop));
        threads.spawn(move || stations::yard(sky, cable, stop));
        threads.spawn(move || telling::lines(addresses.page, stop));
        if let Some(minutes) = minutes {
            threads.spawn(move || {
                if !stop.wait(Duration::from_secs_f64(minutes * 60.0)) {
                    // The service stops first: the stations see what they would see.
                    ending.cancel();
                }
            });
        }
        let ended = run::serve(settings, &service);
        stop.set();
        ended
    })
}
