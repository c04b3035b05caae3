//! From a raw signal to a quantity: counters, cups, vanes, gauges and calibrations.
//!
//! Nothing here looks at a clock or keeps more than the few numbers it is given.
//! A raw total becomes increments ([`counter`]); increments become wind speed
//! ([`cup`]) or depth of rain ([`gauge`]); switch states, words and ratios become
//! directions ([`vane`], [`ratio`]), which are averaged as vectors ([`direction`]);
//! and every value passes the calibration that held at its time ([`calibration`]).

pub mod bounce;
pub mod calibration;
pub mod counter;
pub mod cup;
pub mod direction;
pub mod gauge;
pub mod limits;
pub mod ratio;
pub mod vane;
