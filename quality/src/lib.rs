//! Checks on readings: what one value says of itself and of the one before it.
//!
//! A check returns a flag and reasons; it changes no value and deletes nothing. This
//! room is pure: `now` is an argument, and what was before is an argument too. Start
//! reading at [`single::check`], then [`neighbours::Neighbourhood`] and [`diagnosis`].

pub mod charts;
pub mod consistency;
pub mod cusum;
pub mod diagnosis;
pub mod fault;
pub mod neighbours;
pub mod other_unit;
pub mod pairs;
pub mod persistence;
pub mod rain_alone;
pub mod range;
pub mod rose;
pub mod single;
pub mod step;
pub mod trend;
