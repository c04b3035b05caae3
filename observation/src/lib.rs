//! What is measured and how far it may be trusted: quantities and their units,
//! samples as they arrive, readings as they are kept, the stations, instruments,
//! sensors and places of one property, and the rules that turn a raw signal into
//! a quantity.
//!
//! This room is pure. It knows no clock, no input or output, no asynchronous code
//! and no file format: `now` is always an argument. Start reading at
//! [`sample::Message`], follow it through [`property::Instrument`] and end at
//! [`reading::Reading`].

pub mod calendar;
pub mod days;
pub mod diagnosis;
pub mod flag;
pub mod number;
pub mod property;
pub mod quantity;
pub mod reading;
pub mod refusal;
pub mod sample;
pub mod series;
pub mod signal;
pub mod text;
pub mod time;
pub mod unit;

pub use calendar::Date;
pub use days::{Cut, DayKind, Days, Division, Zone};
pub use diagnosis::{Diagnosis, Evidence};
pub use flag::{Flag, Reason, Reasons};
pub use number::Finite;
pub use property::{ChannelIndex, Property, StationIndex};
pub use quantity::Quantity;
pub use reading::Reading;
pub use refusal::Refusal;
pub use sample::{Measured, Message, SourceIndex, Stated, Value};
pub use series::{Series, SeriesIndex, Statistic};
pub use time::{Span, Time};
pub use unit::Unit;
