//! A simulated property: stations 50 to 500 m apart, simulated by the minute and judged by the
//! hour, as the processor does. The limits are those of the open record; nothing was chosen
//! on what is simulated.

mod sky;
mod station;
mod years;

pub(crate) use station::Wrong;

use crate::Arguments;
use crate::faults::{Change, FAULTS, Fault, PHYSICAL};
use crate::intervals::share;
use crate::late;
use crate::protocol::{self, EVEN_MONTHS, HORIZON, Outcome, Trial};
use crate::record::Record;
use crate::table::{Causes, HEAD, false_alarms, print_row};
use observation::{Quantity, Time};
use quality::diagnosis::CauseGroup;
use quality::neighbours::Values;
use sky::{HOURS, Minute};
use station::Station;

/// Stations that are simulated at most: the farthest of more would stand too far apart.
const MOST: usize = 24;

struct Property {
    sky: Vec<Minute>,
    stations: Vec<Station>,
    record: Record,
}

impl Property {
    fn new(seed: u64, count: usize) -> Self {
        let sky = sky::year(seed);
        let stations: Vec<Station> = (0..count).map(|nth| Station::new(seed, nth)).collect();
        let columns: Vec<Vec<Values>> =
            stations.iter().map(|station| station.values(&sky, 0..HOURS, None)).collect();
        let hours = (0..HOURS).map(|hour| columns.iter().map(|c| c[hour]).collect()).collect();
        let sites = stations.iter().map(|station| station.site).collect();
        let names = (1..=count).map(|nth| format!("station {nth}")).collect();
        let record = Record::of(Time(station::start()), hours, sites, names);
        Self { sky, stations, record }
    }

    /// What a station says from `since` on with a fault.
    fn faulty(&self, fault: &Fault, station: usize, since: usize) -> Vec<Values> {
        let Change::Physical(wrong, _) = fault.change else {
            return fault.applied(&self.record, station, since);
        };
        let hours = since..HOURS.min(since + HORIZON);
        self.stations[station].values(&self.sky, hours, Some((wrong, since)))
    }
}

/// Prints the table of a property of so many stations.
pub(crate) fn evaluate(count: usize, arguments: &Arguments) -> Result<(), String> {
    if !(2..=MOST).contains(&count) {
        return Err(format!("--property wants 2 to {MOST} stations"));
    }
    if let Some(years) = arguments.years {
        years::print(count, years, &arguments.limits);
        return Ok(());
    }
    let property = Property::new(arguments.seed, count);
    let record = &property.record;
    println!("{count} simulated stations, a year of minutes, seed {}", arguments.seed);
    let mut random = fastrand::Rng::with_seed(arguments.seed);
    let months = if arguments.odd { &protocol::ODD_MONTHS } else { &EVEN_MONTHS };
    let each = arguments.injections.div_ceil(months.len() * count);
    let starts = protocol::starts(record, &mut random, months, each);
    let (natural, copies) = protocol::untouched(record, &arguments.limits, &starts);
    false_alarms(record, &arguments.limits, &natural);
    if arguments.untouched {
        return Ok(());
    }
    println!("{HEAD}");
    let mut all = Causes::default();
    let rows = FAULTS.iter().chain(&PHYSICAL).filter(|fault| {
        // Home stations have no instrument for the dew point; vanes of switches and clocks of
        // one instrument alone are rows of the open record.
        let simulated = fault.quantity != Quantity::DewPointTemperature
            && !matches!(fault.change, Change::TurnSwitches(..) | Change::PressureLate(_));
        let wanted = &arguments.faults;
        simulated && wanted.as_ref().is_none_or(|f| f.iter().any(|n| n == fault.name))
    });
    for fault in rows {
        let mut outcomes = Vec::new();
        for station in 0..count {
            for (since, state) in &copies {
                let trial = Trial {
                    record,
                    limits: &arguments.limits,
                    natural: &natural,
                    fault,
                    station,
                    since: *since,
                    faulty: &property.faulty(fault, station, *since),
                    settle: true,
                };
                outcomes.push(trial.run(state));
            }
        }
        print_row(fault, &outcomes);
        late::print(record, &outcomes, arguments.late);
        if count == 2 {
            let of = |which: fn(&Outcome) -> bool| outcomes.iter().filter(|o| which(o)).count();
            println!(
                "{:14}named: the faulty station {}, the other {}",
                "",
                share(of(|o| o.blamed.0), outcomes.len()),
                share(of(|o| o.blamed.1), outcomes.len())
            );
        } else {
            let told: Vec<CauseGroup> = outcomes.iter().filter_map(|o| o.in_the_end).collect();
            let right = told.iter().filter(|group| **group == fault.cause().group()).count();
            println!("{:14}cause group in the end {}", "", share(right, told.len()));
        }
        all.add(fault, &outcomes);
    }
    all.print();
    Ok(())
}
