//! Which cause explains what was found: a closed list, each cause with its group, what it
//! means, where to look first, the usual remedy and the usual cautions.
//!
//! Causes that data cannot tell apart share a group; whoever keeps a score keeps it by
//! group. The list and its words are common practice among those who keep instruments;
//! the signatures that lead to a cause are in the modules that find it.

mod causes;
mod conditions;
mod month;
mod naming;
mod onset;
mod points;

pub use causes::{Cause, CauseGroup, SURE, SUSPECTED};
pub use conditions::{Hour, Refined, refine};
pub(crate) use conditions::{PUMPING, STILL, in_sector};
pub use month::{Month, View, parted};
pub(crate) use month::{around, elevation};
pub use naming::{named, words, words_of_chart};
pub use onset::Onset;
