//! A station on a cable: lines from a serial device.
//!
//! The rules kept here: the device is ours alone; the first line after opening and an
//! unfinished last one never count; no bytes at all means that the device is gone, and
//! it is closed at once, so that it can come back under its name.
//!
//! With `acknowledge = true` a line that carries a `sequence` is answered by
//! `+SEQUENCE` CR LF once it is durable. A line without a sequence gets no answer, nor
//! does one that is refused: its sender sends it again, or gives it up.

mod device;
mod lines;
mod session;

use crate::credentials::Grant;
use crate::payload::Checksum;
use crate::payload::csv::Columns;
use crate::payload::nmea::{Chosen, Sentences, Transducer, Type};
use crate::payload::{Reader, shown};
use crate::port::{Claim, Context, End, Kind, Source};
use crate::sources::telling::with_entries;
use config::{AdapterTable, Fault, Lapse, nearest};
use futures_util::future::BoxFuture;
use observation::{Property, StationIndex};
use serde::Deserialize;
use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::Duration;

/// The kind `serial`.
pub const KIND: Kind = Kind { name: "serial", build, example: EXAMPLE };

const EXAMPLE: &str = r#"device = "/dev/serial/by-id/usb-example"
baud = 115200
lines = "senml"
"#;

/// `[source.serial.NAME]`.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Options {
    /// A stable name, such as one below `/dev/serial/by-id`.
    device: String,
    /// Bits a second.
    baud: u32,
    /// What a line is.
    lines: Format,
    /// Whose lines they are; `senml` may name stations itself.
    station: Option<String>,
    /// For `csv`: the name of each column; an empty one is not read.
    columns: Option<Vec<String>>,
    /// For `csv`: `,` (default), `;` or a tab.
    separator: Option<char>,
    /// For `key-value` and `csv`: how a line proves that it is whole.
    checksum: Option<Checksum>,
    /// For `nmea`: the sentences that are read, of `MWV`, `MDA`, `XDR`; default all.
    sentences: Option<Vec<Type>>,
    /// For `nmea`: the channel of the wind's angle in MWV; default `wind_angle`.
    angle: Option<String>,
    /// For `nmea`: the channel of the wind's speed in MWV and MDA; default `wind_speed`.
    speed: Option<String>,
    /// For `nmea`: the channel of the wind's true direction in MDA; default
    /// `wind_direction`.
    direction: Option<String>,
    /// For `nmea`: the channel of the pressure in MDA; default `pressure`.
    pressure: Option<String>,
    /// For `nmea`: the channel of the air's temperature in MDA; default `temperature`.
    temperature: Option<String>,
    /// For `nmea`: the channel of the water's temperature in MDA; default
    /// `water_temperature`.
    water_temperature: Option<String>,
    /// For `nmea`: the channel of the relative humidity in MDA; default `humidity`.
    humidity: Option<String>,
    /// For `nmea`: the channel of the dew point in MDA; default `dew_point`.
    dew_point: Option<String>,
    /// For `nmea`: where transducers of XDR go, by identifier or type and identifier.
    transducers: Option<BTreeMap<String, Transducer>>,
    /// Whether a line with a sequence is answered once it is durable.
    #[serde(default)]
    acknowledge: bool,
    /// Sets the line "data terminal ready" after opening; many boards restart then.
    dtr: Option<bool>,
    /// Sets the line "request to send" after opening.
    rts: Option<bool>,
    /// How long after opening nothing is believed; default 2 s with `dtr`, else 0 s.
    settle: Option<Lapse>,
    /// Without a byte for this long the device is opened anew; default 10 min, or five
    /// intervals of the slowest station.
    silence: Option<Lapse>,
    /// With bytes but without a good line for this long something is wrong with the
    /// wiring; default 5 min, or five intervals of the slowest station.
    unreadable: Option<Lapse>,
}

impl Options {
    /// The channels of the fields of sentences, by their keys.
    fn fields(&self) -> [(&'static str, Option<String>); 8] {
        [
            ("angle", &self.angle),
            ("speed", &self.speed),
            ("direction", &self.direction),
            ("pressure", &self.pressure),
            ("temperature", &self.temperature),
            ("water_temperature", &self.water_temperature),
            ("humidity", &self.humidity),
            ("dew_point", &self.dew_point),
        ]
        .map(|(key, name)| (key, name.clone()))
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
enum Format {
    KeyValue,
    Csv,
    Senml,
    Nmea,
}

/// How a line is read.
enum Reading {
    Pairs(StationIndex, Checksum),
    Csv(Columns),
    Senml(Grant),
    Nmea(Box<Sentences>),
}

/// A serial device.
struct Serial {
    device: String,
    baud: u32,
    reading: Reading,
    station: Option<StationIndex>,
    acknowledge: bool,
    dtr: Option<bool>,
    rts: Option<bool>,
    settle: Duration,
    silence: Duration,
    unreadable: Duration,
    reader: Reader,
}

impl Source for Serial {
    fn claims(&self) -> Vec<Claim> {
        vec![Claim::Device(self.device.clone())]
    }

    fn session<'a>(&'a self, context: &'a Context) -> BoxFuture<'a, End> {
        Box::pin(session::run(self, context))
    }
}

fn build(table: &AdapterTable, property: &Arc<Property>) -> Result<Box<dyn Source>, Vec<Fault>> {
    let options: Options = table.decode(&with_entries(EXAMPLE))?;
    let mut check = Check { table, property, faults: Vec::new() };
    if !options.device.starts_with('/') {
        check.fault(
            "device",
            "a device is named by its whole path, such as /dev/serial/by-id/...",
            None,
        );
    }
    if !(50..=4_000_000).contains(&options.baud) {
        check.fault("baud", "the speed is 50 to 4000000 bits a second", None);
    }
    let station = check.station(&options);
    let reading = check.reading(&options, station);
    let slowest = property
        .stations
        .iter()
        .enumerate()
        .filter(|(i, _)| station.is_none_or(|s| usize::from(s.0) == *i))
        .map(|(_, s)| Duration::from_millis(s.interval.0.unsigned_abs()))
        .max()
        .unwrap_or_default();
    let long = |given: Option<Lapse>, least: u64| {
        given.map_or((slowest * 5).max(Duration::from_secs(least)), Lapse::duration)
    };
    let silence = long(options.silence, 600);
    let unreadable = long(options.unreadable, 300);
    let settle = options.settle.map_or(
        Duration::from_secs(if options.dtr == Some(true) { 2 } else { 0 }),
        Lapse::duration,
    );
    for (key, value) in [("silence", silence), ("unreadable", unreadable)] {
        if value < Duration::from_secs(1) {
            check.fault(key, "less than 1 s would never be quiet enough", None);
        }
    }
    if settle > Duration::from_secs(60) {
        check.fault("settle", "more than 1 min is not a settling time", None);
    }
    match reading {
        Some(reading) if check.faults.is_empty() => Ok(Box::new(Serial {
            device: options.device,
            baud: options.baud,
            reading,
            station,
            acknowledge: options.acknowledge,
            dtr: options.dtr,
            rts: options.rts,
            settle,
            silence,
            unreadable,
            reader: Reader::new(property),
        })),
        _ => Err(check.faults),
    }
}

struct Check<'a> {
    table: &'a AdapterTable,
    property: &'a Property,
    faults: Vec<Fault>,
}

impl Check<'_> {
    fn fault(&mut self, key: &str, message: &str, help: Option<&str>) {
        self.faults.push(self.table.fault_at(&[key], message, help));
    }

    fn station(&mut self, options: &Options) -> Option<StationIndex> {
        let Some(id) = options.station.as_deref() else {
            if options.lines != Format::Senml {
                self.fault(
                    "lines",
                    "nothing says whose lines these are",
                    Some("add `station = \"...\"`"),
                );
            }
            return None;
        };
        let station = self.property.station(id);
        if station.is_none() {
            let ids = self.property.stations.iter().map(|s| s.id.as_str());
            let help = nearest(id, ids).map(|near| format!("did you mean `{near}`?"));
            self.fault("station", &format!("there is no station `{}`", shown(id)), help.as_deref());
        }
        station
    }

    fn reading(&mut self, options: &Options, station: Option<StationIndex>) -> Option<Reading> {
        let only = [
            ("columns", options.columns.is_some(), Format::Csv),
            ("separator", options.separator.is_some(), Format::Csv),
            ("sentences", options.sentences.is_some(), Format::Nmea),
            ("transducers", options.transducers.is_some(), Format::Nmea),
        ];
        let fields = options.fields().into_iter();
        let fields = fields.map(|(key, channel)| (key, channel.is_some(), Format::Nmea));
        for (key, given, format) in only.into_iter().chain(fields) {
            if given && options.lines != format {
                self.fault(key, &format!("`{key}` means nothing for these lines"), None);
            }
        }
        if options.checksum.is_some() && !matches!(options.lines, Format::KeyValue | Format::Csv) {
            self.fault("checksum", "these lines carry a checksum of their own, or none", None);
        }
        let checksum = options.checksum.unwrap_or_default();
        match options.lines {
            Format::Senml => Some(Reading::Senml(station.map_or_else(Grant::every, Grant::only))),
            Format::KeyValue => Some(Reading::Pairs(station?, checksum)),
            Format::Nmea => {
                let fields = options.fields().into_iter();
                let chosen = Chosen {
                    sentences: options.sentences.clone().unwrap_or_default(),
                    channels: fields.filter_map(|(key, name)| Some((key, name?))).collect(),
                    transducers: options.transducers.clone().unwrap_or_default(),
                };
                match Sentences::new(self.property, station?, &chosen) {
                    Ok(sentences) => Some(Reading::Nmea(Box::new(sentences))),
                    Err(wrong) => {
                        self.faults.extend(wrong.iter().map(|(keys, why)| {
                            let keys: Vec<&str> = keys.iter().map(String::as_str).collect();
                            self.table.fault_at(&keys, why, None)
                        }));
                        None
                    }
                }
            }
            Format::Csv => {
                let Some(columns) = &options.columns else {
                    self.fault(
                        "lines",
                        "nothing names the columns",
                        Some("add `columns = [\"...\"]`"),
                    );
                    return None;
                };
                let separator = match options.separator {
                    None | Some(',') => b',',
                    Some(';') => b';',
                    Some('\t') => b'\t',
                    Some(_) => {
                        self.fault("separator", "the separator is `,`, `;` or a tab", None);
                        return None;
                    }
                };
                match Columns::new(self.property, station?, columns, separator, checksum) {
                    Ok(columns) => Some(Reading::Csv(columns)),
                    Err(wrong) => {
                        for why in wrong {
                            self.fault("columns", &why, None);
                        }
                        None
                    }
                }
            }
        }
    }
}
