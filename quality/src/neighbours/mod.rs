//! What neighbours say of each other, on two time scales: at every step a quick look for
//! values that are grossly off, and the slow judgement which of them is wrong, since when
//! and by how much.
//!
//! The slow judgement compares *contrasts* (what all stations share cancels) with what is
//! expected of them in this weather, and asks of windows of hours to weeks whether an
//! offset of one instrument explains what is left. Real differences of place are learned,
//! not suspected. What all stations get wrong together cannot be seen here.
//!
//! Start reading at [`Neighbourhood`], then [`Panel`].

mod clock;
mod contrast;
mod expectation;
mod gauge;
mod gross;
mod hollow;
mod judge;
mod limits;
mod matrix;
mod nearest;
mod panel;
mod quick;
mod regression;
mod score;
mod sites;
mod spread;
mod stuck;
mod suspicion;
mod terms;
mod values;
mod watch;
mod weather;
mod windows;

pub use gross::Stray;
pub use limits::{GroupLimits, Limits};
pub(crate) use nearest::carried;
pub use nearest::{Neighbourhood, Root};
pub use panel::{Panel, Setup, Verdict};
pub use quick::{Glance, Quick};
pub use sites::{Site, nearest};
pub use suspicion::{KeptBack, Kind, Reason, State, Suspicion};
pub use values::{Group, Values};
pub(crate) use values::{median, turn};
