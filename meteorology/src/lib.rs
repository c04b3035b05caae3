//! Formulas and statistics of surface meteorology; pure.
//!
//! Every function says its units, its range and where it was published; outside the
//! range there is no number but a reason ([`validity::OutOfRange`]). [`registry`] lists
//! the formulas for people.

mod angles;
pub mod comfort;
pub mod evapotranspiration;
pub mod growing;
pub mod humidity;
pub mod limits;
pub mod outlook;
pub mod pressure;
pub mod rain;
pub mod registry;
pub mod saturation;
pub mod statistics;
pub mod summaries;
pub mod sun;
pub mod tendency;
pub mod validity;
pub mod wind;
