//! The points of the rose.

/// Clockwise from north, and what the number of a wind from there is called in a record.
pub(super) const POINTS: [(&str, &str); 8] = [
    ("N", "from_n"),
    ("NE", "from_ne"),
    ("E", "from_e"),
    ("SE", "from_se"),
    ("S", "from_s"),
    ("SW", "from_sw"),
    ("W", "from_w"),
    ("NW", "from_nw"),
];
