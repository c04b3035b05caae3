//! Will it rain in the next twelve hours? A rough chance from one place's own hours, and
//! the score that says what such chances were worth.
//!
//! Start reading at [`terms::Terms::of`]: sixteen numbers of the last hours. A [`Model`]
//! makes a chance of them by logistic regression (Cox 1958, The regression analysis of
//! binary sequences; as a forecast from observations: Glahn and Lowry 1972, The use of
//! model output statistics in objective weather forecasting; both from memory). What it
//! starts with comes from open data ([`Model::starting`]); a [`Place`] goes on from there
//! with its own hours, and keeps a [`Score`] of every chance it gave.

mod facts;
mod learner;
mod logistic;
mod model;
mod place;
mod score;
mod starting;
pub mod terms;

pub use facts::{Facts, facts};
pub use logistic::{Fit, Row, fit};
pub use model::Model;
pub use place::{Place, Told};
pub use score::{BINS, Bin, LEAST_DAYS, Score};
pub use terms::{Hour, TERMS, Terms, WINDOW};

/// Hours a chance is about.
pub const HORIZON: usize = 12;
