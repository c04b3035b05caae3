//! Everything a delivery loop needs from the history, gathered before anything runs.

use super::tally::{Kept, Letter, Tally};
use super::unkept::Unkept;
use crate::wiring::NamedForwarder;
use adapters::forwarders::port::{Context, Forwarder, Origin, SeriesName};
use history::{Cursor, History, Reader};
use observation::{Property, Time};
use std::sync::Arc;

/// A delivery loop that only needs to be started.
pub struct Standby {
    /// The forwarder.
    pub forwarder: Arc<dyn Forwarder>,
    /// What its links are given.
    pub context: Context,
    /// Its figures.
    pub tally: Arc<Tally>,
    /// What the store does not have of it yet.
    pub unkept: Arc<Unkept>,
    /// Where it stood; none if it never began.
    pub cursor: Option<Cursor>,
    /// The last record when the process started.
    pub last: u64,
    /// A reader for the loads.
    pub reader: Reader,
    /// Another for counting the backlog.
    pub counter: Reader,
}

/// Gathers it for all forwarders.
///
/// # Errors
/// When the history cannot be read or written.
pub fn prepare(
    history: &mut History,
    forwarders: Vec<NamedForwarder>,
    property: &Arc<Property>,
    now: Time,
) -> Result<Vec<Standby>, String> {
    let read = |e: history::ReadError| e.to_string();
    let names = Arc::clone(history.names());
    let series: Arc<[SeriesName]> = names
        .all_series()
        .map(|(index, series)| {
            let (unit, decimals) = names
                .unit_and_decimals(index)
                .unwrap_or((series.quantity.unit(), series.quantity.decimals()));
            let number = names.stable_number(index).unwrap_or(0);
            SeriesName { series: series.clone(), unit: unit.to_owned(), decimals, number }
        })
        .collect();
    let origin =
        Origin { id: Arc::from(history.property_id()), property: Arc::clone(property), series };
    let mut ready = Vec::new();
    for NamedForwarder { name, kind, forwarder } in forwarders {
        let suffix =
            history.source_suffix(&format!("forward/{name}")).map_err(|e| e.to_string())?;
        let look = history.look();
        let cursor = look.cursor(&name).map_err(read)?;
        let (letters, dead) = Letter::kept(&look, &name).map_err(read)?;
        let given_up = cursor.as_ref().map_or(0, |c| c.given_up);
        ready.push(Standby {
            forwarder,
            context: Context { origin: origin.clone(), suffix: Arc::from(suffix) },
            tally: Arc::new(Tally::new(&name, kind, Kept { given_up, letters, dead }, now)),
            unkept: Arc::new(Unkept::new(&name, &cursor.clone().unwrap_or_default())),
            cursor,
            last: look.last().map_err(read)?.map_or(0, |l| l.number),
            reader: history.reader().map_err(read)?,
            counter: history.reader().map_err(read)?,
        });
    }
    Ok(ready)
}
