//! `isobarn reprocess`: readings made anew from kept samples, after a calibration or a
//! placement was corrected; by the running service, or without one.

use super::Failure;
use super::progress::Progress;
use crate::arguments::Reprocess;
use crate::clock::{Clock as _, SystemClock};
use crate::commands::run::IMPORT;
use crate::control::{self, Answer, Request, Word};
use crate::remake::{apply, remake};
use crate::wiring;
use config::Settings;
use history::{History, OpenError, Options, ReadError, Remade};
use observation::{Span, Time};
use serde_json::Value;

/// Makes readings anew.
///
/// # Errors
/// Status 2 for arguments that make no sense, 78 for refused settings, 1 where neither a
/// service nor the history can be reached, or something cannot be read or written.
pub fn execute(arguments: &Reprocess) -> Result<(), Failure> {
    let instant = |text: &Option<String>, name: &str| {
        text.as_deref()
            .map(|t| Time::parse(t).map_err(|e| Failure::usage(format!("--{name}: {e}"))))
            .transpose()
    };
    let range = (instant(&arguments.from, "from")?, instant(&arguments.to, "to")?);
    if matches!(range, (Some(from), Some(to)) if from >= to) {
        return Err(Failure::usage("--from is not before --to"));
    }
    let settings =
        config::load_without_secrets(&arguments.settings.config, &arguments.settings.set)
            .map_err(|faults| wiring::refused(&faults))?;
    let progress = Progress::new();
    let show = |at: Time| progress.say(&format_args!("samples of {at}"));
    let request = Request {
        from: range.0.map(|t| t.to_string()),
        to: range.1.map(|t| t.to_string()),
        fingerprint: Some(settings.fingerprint),
        ..Request::of(Word::Reprocess)
    };
    let answer = control::ask_long(&settings, &request, None, &mut |told| {
        let at = told.get("at").and_then(Value::as_str).and_then(|t| Time::parse(t).ok());
        at.into_iter().for_each(show);
    });
    let done = match answer {
        Answer::Given(answer) => Ok(answer),
        Answer::Refused(why) => Err(Failure::failed(why)),
        Answer::Nobody => alone(&settings, range, &show),
    };
    progress.clear();
    tell(&done?);
    Ok(())
}

/// What is said at the end, to people and by the service.
pub fn summary(sum: Remade, days: u64, from: Option<Time>) -> Value {
    serde_json::json!({
        "readings": sum.readings,
        "days": days,
        "from": from.filter(|f| f.0 > 0).map(|f| f.to_string()),
    })
}

fn tell(done: &Value) {
    let count = |key: &str| done.get(key).and_then(Value::as_u64).unwrap_or(0);
    let from = done.get("from").and_then(Value::as_str);
    let from = from.map_or_else(String::new, |f| format!(", from {f} on"));
    println!("{} readings made anew on {} days{from}", count("readings"), count("days"));
}

/// The history itself, where no service answers, its names numbered; begun where there is
/// none.
///
/// # Errors
/// Somebody else has it, or it cannot be read or written.
pub fn open(settings: &Settings) -> Result<History, Failure> {
    let now = SystemClock::new().now();
    let failed = |e: &dyn std::fmt::Display| Failure::failed(e.to_string());
    let opened = History::open(&settings.history.directory, &Options::at(now));
    let (mut history, opened) = match opened {
        Ok(open) => open,
        Err(error @ OpenError::Locked { .. }) => {
            return Err(Failure::failed(format!(
                "{error}, but its control socket cannot be reached"
            )));
        }
        Err(error) => return Err(failed(&error)),
    };
    for repair in &opened.repairs {
        eprintln!("isobarn: history repaired: {repair}");
    }
    let series = crate::engine::restart::series(settings);
    let mut sources: Vec<String> = settings.sources.iter().map(|s| s.name.clone()).collect();
    sources.push(IMPORT.to_owned());
    history.register(now, &settings.property, &series, &sources).map_err(|e| failed(&e))?;
    Ok(history)
}

/// Without a service: the store itself.
fn alone(
    settings: &Settings,
    range: (Option<Time>, Option<Time>),
    show: &dyn Fn(Time),
) -> Result<Value, Failure> {
    let failed = |e: &dyn std::fmt::Display| Failure::failed(e.to_string());
    if !History::is_there(&settings.history.directory) {
        return Err(failed(&ReadError::none_in(&settings.history.directory)));
    }
    let mut history = open(settings)?;
    let reader = history.reader().map_err(|e| failed(&e))?;
    let (mut sum, mut days) = (Remade::default(), 0);
    let mut shown = Time(0);
    let from = remake(
        &reader,
        settings,
        range,
        &mut |at| {
            if at - shown >= Span::hours(1) {
                shown = at;
                show(at);
            }
            Ok(())
        },
        &mut |day, readings| {
            let remade = apply(&mut history, &settings.property, day, &readings)
                .map_err(|e| e.to_string())?;
            sum.readings += remade.readings;
            sum.series += remade.series;
            days += u64::from(remade.readings > 0);
            Ok(())
        },
    )
    .map_err(Failure::failed)?;
    drop(reader);
    history.close().map_err(|e| failed(&e))?;
    Ok(summary(sum, days, from))
}
