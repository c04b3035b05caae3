//! The invented past: weeks of samples that the simulated stations would have sent, taken
//! by the service's own processor at the instants at which they would have come, so that
//! what it learned, found and summed up is its own work.

use super::super::Failure;
use super::super::run::{IMPORT, record_epoch};
use super::sensors::{Orchard, Report, Ridge, Yard};
use super::stations::{Stop, now};
use super::weather::Sky;
use crate::arguments;
use crate::engine::core::Core;
use crate::engine::restart::{self, Judge};
use crate::wiring::{self, Wired};
use history::{History, Options};
use observation::{
    Finite, Measured, Message, Property, SourceIndex, Span, Stated, StationIndex, Time, Value,
};
use std::io::{IsTerminal as _, Write as _};
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

/// Seconds of one day.
const DAY: f64 = 86_400.0;
/// Seconds between two messages of a station.
const EVERY: f64 = 30.0;
/// The mast says its turns once more so many seconds before, so that gusts are known.
const GUST: f64 = 10.0;
/// Messages rest so long before they are committed: what lies in one commit never changes
/// a reading.
const COMMIT: Span = Span::hours(6);
/// A day is sealed this long after its end, as by the service.
const REST: Span = Span::hours(6);
/// The fault began so many days ago at most; a neighbourhood is learned for 45 days.
const WRONG_SINCE: f64 = 12.0;
/// The longest past, days.
pub const LONGEST: u32 = 400;
/// Where the past is made before it is the history.
const UNFINISHED: &str = "history.unfinished";
/// What says that the orchard's hygrometer is wrong in this folder.
const FAULT: &str = "invented-fault.txt";

/// Whether the orchard's hygrometer is wrong from the start: a past with the fault in it
/// lies in the folder.
pub fn is_wrong(directory: &Path) -> bool {
    directory.join(FAULT).exists()
}

/// Whether a history lies in the folder, whatever is in it.
pub fn is_there(directory: &Path) -> bool {
    directory.join("history").exists()
}

/// The first instant of a past of so many days: a midnight.
pub fn start(days: u32) -> f64 {
    ((now() - f64::from(days) * DAY) / DAY).floor() * DAY
}

/// Makes a past of so many days, up to now. False if it was told to stop before.
///
/// # Errors
/// Refused settings, or a history that cannot be written.
pub fn make(
    directory: &Path,
    settings: &arguments::Settings,
    sky: &Sky,
    days: u32,
    stop: &Stop,
) -> Result<bool, Failure> {
    let failed = |e: &dyn std::fmt::Display| Failure::failed(format!("the invented past: {e}"));
    let folder = directory.join(UNFINISHED);
    if folder.exists() {
        std::fs::remove_dir_all(&folder).map_err(|e| failed(&e))?;
    }
    let from = start(days);
    let wired = wiring::load(settings)?;
    let mut made = Past::new(&folder, &wired, from)?;
    let wrong_from = from + (f64::from(days) - WRONG_SINCE).max(0.0) * DAY;
    let whole = made.tell(sky, (from, wrong_from), stop)?;
    if whole {
        made.finish()?;
        let since = Time::from_seconds(wrong_from).map_or_else(String::new, |t| t.to_string());
        let text = format!(
            "Invented by `isobarn demo`: the hygrometer of the orchard reads too dry since {since}.\n"
        );
        std::fs::write(directory.join(FAULT), text).map_err(|e| failed(&e))?;
        std::fs::rename(&folder, directory.join("history")).map_err(|e| failed(&e))?;
    }
    Ok(whole)
}

/// A station as the log knows it.
struct Sender {
    station: StationIndex,
    source: SourceIndex,
}

struct Past {
    core: Core<Judge>,
    property: Arc<Property>,
    ridge: Sender,
    yard: Sender,
    orchard: Sender,
    sealed: i64,
    committed: Time,
}

impl Past {
    fn new(folder: &Path, wired: &Wired, from: f64) -> Result<Self, Failure> {
        let failed = |e: &dyn std::fmt::Display| Failure::failed(format!("the invented past: {e}"));
        let at = instant(from);
        let (settings, property) = (&wired.settings, Arc::clone(&wired.property));
        let (mut history, _) = History::open(folder, &Options::at(at)).map_err(|e| failed(&e))?;
        let mut names: Vec<String> = wired.sources.iter().map(|s| s.name.clone()).collect();
        names.push(IMPORT.to_owned());
        let series = restart::series(settings);
        history.register(at, &property, &series, &names).map_err(|e| failed(&e))?;
        record_epoch(&mut history, settings, at)?;
        let options = restart::options(settings);
        let judge = Judge::new(&property, options);
        let rebuild = {
            let property = Arc::clone(&property);
            Box::new(move |h: &History| Judge::restored(&property, options, h, &mut |_| {}))
        };
        let sender = |id: &str, source: &str| -> Result<Sender, Failure> {
            let station = property.station(id);
            let source = names.iter().position(|n| n == source).and_then(|p| u16::try_from(p).ok());
            let (Some(station), Some(source)) = (station, source) else {
                return Err(failed(&format!("no station `{id}` in the demo's settings")));
            };
            Ok(Sender { station, source: SourceIndex(source) })
        };
        Ok(Self {
            ridge: sender("ridge", "inlet")?,
            yard: sender("yard", "cable")?,
            orchard: sender("orchard", "push")?,
            core: Core::standing(judge, history, rebuild),
            property,
            sealed: at.utc_day() - 1,
            committed: at,
        })
    }

    /// Lets the stations tell everything from `from` up to the present, which goes on
    /// meanwhile. False if it was told to stop.
    fn tell(&mut self, sky: &Sky, (from, wrong): (f64, f64), stop: &Stop) -> Result<bool, Failure> {
        let (mut ridge, mut yard) = (Ridge::default(), Yard::default());
        let mut orchard = Orchard::new(false);
        let mut sequence = 0_u64;
        let progress = Progress::new(from);
        let mut at = from + EVERY;
        while at + 1.0 < now() {
            if stop.is_set() {
                return Ok(false);
            }
            let before = at - EVERY;
            orchard.wrong = at >= wrong;
            ridge.pass(sky, before, at - GUST, 4);
            sequence += 1;
            self.take(Said::Numbered(sequence), at - GUST, vec![ridge.turns()])?;
            ridge.pass(sky, at - GUST, at, 5);
            yard.pass(sky, before, at, 2);
            orchard.pass(sky, before, at, 2);
            sequence += 1;
            self.take(Said::Numbered(sequence), at, ridge.report(sky, at))?;
            self.take(Said::Bare, at, yard.report(sky, at))?;
            self.take(Said::Dated, at, orchard.report(sky, at))?;
            if instant(at) - self.committed >= COMMIT {
                self.commit(instant(at))?;
                progress.show(at);
            }
            at += EVERY;
        }
        progress.end();
        Ok(true)
    }

    fn take(&mut self, said: Said, at: f64, report: Report) -> Result<(), Failure> {
        let time = instant(at);
        let (sender, sequence, stated) = match said {
            Said::Numbered(sequence) => (&self.ridge, Some(sequence), Stated::Nothing),
            Said::Bare => (&self.yard, None, Stated::Nothing),
            Said::Dated => (&self.orchard, None, Stated::At(time)),
        };
        let samples = report.into_iter().filter_map(|(name, value)| {
            let channel = self.property.channel(sender.station, name)?;
            let value = Value::Number(Finite::new(value)?);
            Some(Measured { channel, value, stated })
        });
        let message = Message {
            station: sender.station,
            source: sender.source,
            boot: sequence.map(|_| Arc::from("invented-past")),
            sequence,
            received: time,
            early: false,
            redelivery: None,
            samples: samples.collect(),
        };
        self.core.take(message, Duration::ZERO).map_err(told)?;
        Ok(())
    }

    fn commit(&mut self, at: Time) -> Result<(), Failure> {
        self.core.commit().map_err(told)?;
        if let Some(error) = self.core.read_fault() {
            return Err(told(error));
        }
        self.core.committed();
        self.committed = at;
        let over = (at - REST).utc_day();
        while self.sealed + 1 < over {
            self.sealed += 1;
            self.core.history.seal(self.sealed).map_err(told)?;
        }
        Ok(())
    }

    fn finish(mut self) -> Result<(), Failure> {
        self.commit(self.committed)?;
        self.core.save_state().map_err(told)?;
        self.core.history.tend(true).map_err(told)?;
        self.core.history.close().map_err(told)
    }
}

/// How a station says things.
#[derive(Clone, Copy, Debug)]
enum Said {
    /// With the number of the message.
    Numbered(u64),
    /// With nothing but the values.
    Bare,
    /// With its own time.
    Dated,
}

fn told(error: impl std::fmt::Display) -> Failure {
    Failure::failed(format!("the invented past: {error}"))
}

fn instant(seconds: f64) -> Time {
    Time::from_seconds(seconds).unwrap_or(Time(0))
}

/// How far it is, on a terminal; only for whoever looks on.
struct Progress {
    from: f64,
    shown: bool,
}

impl Progress {
    fn new(from: f64) -> Self {
        Self { from, shown: std::io::stderr().is_terminal() }
    }

    fn show(&self, at: f64) {
        if self.shown {
            let share = 100.0 * (at - self.from) / (now() - self.from);
            let _ =
                write!(std::io::stderr(), "\rinventing the past: {share:.0} %, {}  ", instant(at));
        }
    }

    fn end(&self) {
        if self.shown {
            let _ = writeln!(std::io::stderr());
        }
    }
}
