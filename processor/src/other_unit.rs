//! Channels whose values make no sense in the unit that the settings declare and would in
//! another: ten samples in a row, not all the same. Like a clock that is ahead this is a
//! view of the running service; it is neither logged nor replayed, and is counted anew
//! after a restart. The readings themselves are judged as any others.

use crate::Processor;
use observation::diagnosis::{Stage, told};
use observation::property::Signal;
use observation::{Diagnosis, Evidence, Property, Time};
use quality::diagnosis::Cause;
use quality::fault;
use quality::other_unit::{Fitting, OtherUnits};

/// Samples in a row after which another unit is thought of.
const IN_A_ROW: u32 = 10;
/// A hint, and no proof; less where several units would do.
const CONFIDENCE: f64 = 0.8;
const OF_SEVERAL: f64 = 0.6;

/// Of one instrument.
#[derive(Clone, Debug, Default)]
pub(crate) struct UnitDoubt {
    /// What its values are held against; none where nothing can be told.
    units: Option<OtherUnits>,
    row: Option<Row>,
}

/// Samples in a row that made no sense as declared.
#[derive(Clone, Copy, Debug)]
struct Row {
    samples: u32,
    since: Time,
    last: Time,
    value: f64,
    /// Whether they were not all the same: a sensor that is stuck speaks no unit at all.
    moved: bool,
    /// The units in which all of them would make sense.
    fitting: Fitting,
}

impl UnitDoubt {
    /// Of every instrument of a property.
    pub(crate) fn all(property: &Property) -> Vec<Self> {
        let units = property.instruments.iter().map(|instrument| {
            if !matches!(instrument.signal, Signal::Value) {
                return None;
            }
            let station = property.stations.get(usize::from(instrument.station.0))?;
            OtherUnits::of(instrument.quantity, &instrument.unit, station.elevation)
        });
        units.map(|units| Self { units, row: None }).collect()
    }

    /// A value as it was sent; `value` is the same in the canonical unit.
    pub(crate) fn saw(
        &mut self,
        quantity: observation::Quantity,
        time: Time,
        raw: f64,
        value: f64,
    ) {
        let Some(units) = &self.units else { return };
        if units.makes_sense(raw) {
            self.row = None;
            return;
        }
        if fault::suspected(quantity, value, None) {
            return;
        }
        let fitting = units.fitting(raw);
        let row = self.row.get_or_insert(Row {
            samples: 0,
            since: time,
            last: time,
            value: raw,
            moved: false,
            fitting,
        });
        row.samples = row.samples.saturating_add(1);
        row.moved |= row.value.to_bits() != raw.to_bits();
        row.fitting &= fitting;
        (row.last, row.value) = (row.last.max(time), raw);
    }

    fn diagnosis(&self, property: &Property, place: usize) -> Option<Diagnosis> {
        let (units, row) = (self.units.as_ref()?, self.row.as_ref()?);
        if row.samples < IN_A_ROW || !row.moved {
            return None;
        }
        let instrument = property.instruments.get(place)?;
        let station = property.stations.get(usize::from(instrument.station.0))?;
        let (quantity, declared) = (instrument.quantity, &instrument.unit);
        let meant: Vec<(&str, f64)> = units.read_as(row.fitting, row.value).collect();
        let decimals = usize::from(quantity.decimals());
        let words: Vec<String> = meant
            .iter()
            .map(|(code, value)| format!("`{code}` ({value:.decimals$} {})", quantity.unit()))
            .collect();
        if words.is_empty() {
            return None;
        }
        let mut numbers =
            vec![("samples".to_owned(), f64::from(row.samples)), ("value".to_owned(), row.value)];
        if let [(_, value)] = *meant
            && let Some(value) = told(value, 3)
        {
            numbers.push(("read_as".to_owned(), value));
        }
        Some(Diagnosis {
            time: row.last,
            station: Some(station.id.clone()),
            instrument: Some(instrument.id.clone()),
            cause: Cause::UnitWrong.word().to_owned(),
            stage: Stage::Opened,
            since: row.since,
            size: None,
            confidence: if meant.len() > 1 { OF_SEVERAL } else { CONFIDENCE },
            evidence: Evidence {
                words: format!(
                    "{} samples in a row make no sense in `{declared}`, the last {}; they would in {}",
                    row.samples,
                    row.value,
                    words.join(" or ")
                ),
                numbers,
                from: row.since,
                to: row.last,
            },
        })
    }
}

impl Processor {
    /// Instruments whose values would make sense in another unit than the declared, now.
    pub fn units_doubted(&self) -> Vec<Diagnosis> {
        let all = self.units.iter().enumerate();
        all.filter_map(|(place, doubt)| doubt.diagnosis(&self.property, place)).collect()
    }
}
