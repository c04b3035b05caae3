//! A few stations judged together, step by step.
//!
//! One diagnosis at a time where one bad instrument can raise several: while a suspicion
//! is open, groups whose terms hold that instrument open nothing.

use super::clock::Clock;
use super::contrast::Contrasts;
use super::gauge::Gauge;
use super::gross::{Gross, SLIP_HOURS, Stray};
use super::judge::{Judge, Open, Turn};
use super::limits::Limits;
use super::stuck::{Found, Stuck};
use super::suspicion::{Kind, State, Suspicion, confidence};
use super::terms::{Terms, observed};
use super::values::{Group, Values};
use super::weather::Tracker;
use observation::time::{HOUR, MINUTE};
use observation::{Quantity, Time};
use serde::{Deserialize, Serialize};

/// Dew point and humidity of one station come from one sensor: a suspicion of the dew point
/// within so many hours of one of the air is the same.
const SAME_SENSOR_HOURS: usize = 72;
/// A clock or stuck suspicion closes after so many quiet hours.
const QUIET_HOURS: usize = 24;

/// How often values come, and where the stations are.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Setup {
    /// Number of stations, two at least.
    pub stations: usize,
    /// Aligned steps in an hour: 1 or 6.
    pub steps_per_hour: usize,
    /// Degrees east of the property's middle, for the solar hour.
    pub longitude: f64,
}

/// A test that looks at hours: what it has open.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
struct Watch {
    kind: u8,
    station: usize,
    quantity: Quantity,
    since: i64,
    size: Option<f64>,
    score: f64,
    confidence: f64,
    quiet: usize,
}

/// The state of the judgement of one panel.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Panel {
    stations: usize,
    steps_per_hour: usize,
    longitude: f64,
    /// Start of the last step.
    last: Option<i64>,
    tracker: Tracker,
    gross: Gross,
    judges: Vec<Judge>,
    /// By station: step at which a suspicion of its air was last open.
    air_open: Vec<Option<usize>>,
    clock: Clock,
    stuck: Stuck,
    gauge: Gauge,
    watches: Vec<Watch>,
    /// Rain of the steps of the hour so far.
    rain: Vec<f64>,
}

/// What one step brought.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Verdict {
    /// Suspicions opened, changed and closed.
    pub suspicions: Vec<Suspicion>,
    /// Values grossly off in this step.
    pub strays: Vec<Stray>,
}
