//! The settings document: decoding it, checking it whole, and telling every fault with
//! file, line and column.
//!
//! Start reading at [`load`].

mod adapter;
mod assembly;
mod calibration;
mod channel;
mod days;
mod derive;
mod document;
mod fault;
mod instrument;
mod loading;
mod measures;
mod nearest;
mod page;
mod plan;
mod reader;
mod sensor;
mod settings;
mod signal;
mod single;
mod station;
#[cfg(test)]
mod tests;
mod timeline;
mod token;
mod value;
mod words;

pub use adapter::AdapterTable;
pub use fault::{Fault, Faults};
pub use loading::{examine, load, load_without_secrets};
pub use nearest::nearest;
pub use settings::{
    ControlSettings, Examined, HistorySettings, HttpSettings, PageSettings, ProcessorSettings,
    Settings,
};
pub use token::{Owner, Secret, TokenFile, read_secret};
pub use value::{Bytes, Lapse};
