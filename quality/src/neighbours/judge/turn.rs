//! What is open, and what a step changes of it.

use crate::neighbours::suspicion::Reason;
use serde::{Deserialize, Serialize};

/// A suspicion that is open.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub(in crate::neighbours) struct Open {
    pub(in crate::neighbours) hypothesis: usize,
    /// Step at which it opened.
    pub(in crate::neighbours) opened: usize,
    /// First step that is thought to be wrong.
    pub(in crate::neighbours) since: usize,
    /// In the unit of the contrast.
    pub(in crate::neighbours) size: f64,
    /// Standard error of the size.
    pub(in crate::neighbours) error: f64,
    pub(in crate::neighbours) score: f64,
    /// The strongest score of another station in the same step.
    pub(in crate::neighbours) rival: f64,
    /// Whether one station stands out; else two disagree and nothing tells which is wrong.
    pub(in crate::neighbours) clear: bool,
    pub(super) quiet: usize,
    /// When the first suspicion of this spell opened.
    pub(super) spell: usize,
}

/// What a step brought.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(in crate::neighbours) enum Turn {
    Opened(Open),
    /// The first one closed in favour of the second.
    HandedOver(Open, Open),
    /// Date and size were looked at again.
    Changed(Open),
    Closed(Open),
    /// A hypothesis beyond its limit, with its score, that a rule kept from opening.
    KeptBack(usize, f64, Reason),
}
