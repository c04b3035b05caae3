//! Formulas, listed.

use super::Formula;

pub(super) const FORMULAS: &[Formula] = &[];
