//! The symbols of the characteristic of pressure tendency (WMO-No. 306, code table 0200;
//! their forms WMO-No. 485, appendix II-4, from memory): what a barogram drew in the
//! three hours.

use super::Point;

/// The symbol of a code as one line in a box of 1 by 1, y downwards; none for a code that
/// is not in the table.
pub fn symbol(code: i64) -> Option<&'static [Point]> {
    Some(match code {
        0 => &[(0.0, 1.0), (0.6, 0.0), (1.0, 0.5)],
        1 => &[(0.0, 1.0), (0.6, 0.0), (1.0, 0.0)],
        2 => &[(0.0, 1.0), (1.0, 0.0)],
        3 => &[(0.0, 0.5), (0.35, 1.0), (1.0, 0.0)],
        4 => &[(0.0, 0.5), (1.0, 0.5)],
        5 => &[(0.0, 0.0), (0.6, 1.0), (1.0, 0.5)],
        6 => &[(0.0, 0.0), (0.6, 1.0), (1.0, 1.0)],
        7 => &[(0.0, 0.0), (1.0, 1.0)],
        8 => &[(0.0, 0.5), (0.35, 0.0), (1.0, 1.0)],
        _ => return None,
    })
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::symbol;

    /// Up is 1, level 0, down -1: first leg, last leg, from end to end.
    // WMO-No. 306, code table 0200, point by point.
    #[test]
    fn every_symbol_draws_what_its_code_says() {
        for (code, legs, whole) in [
            (0, &[1, -1][..], 1),
            (1, &[1, 0], 1),
            (2, &[1], 1),
            (3, &[-1, 1], 1),
            (4, &[0], 0),
            (5, &[-1, 1], -1),
            (6, &[-1, 0], -1),
            (7, &[-1], -1),
            (8, &[1, -1], -1),
        ] {
            let line = symbol(code).unwrap();
            let sign = |a: (f64, f64), b: (f64, f64)| {
                assert!(b.0 > a.0, "time runs to the right");
                i32::from(b.1 < a.1) - i32::from(b.1 > a.1)
            };
            let drawn: Vec<i32> = line.windows(2).map(|w| sign(w[0], w[1])).collect();
            assert_eq!(drawn, legs, "{code}");
            assert_eq!(sign(line[0], *line.last().unwrap()), whole, "{code}");
        }
        assert_eq!((symbol(9), symbol(-1)), (None, None));
    }
}
