//! Isopleths by hour and day: lines of equal value over days to the right and hours of
//! the day upwards, by linear interpolation between the hours' means (marching squares).
//! No line is drawn where a corner is missing.

use super::Point;
use super::scale::Scale;

/// Hourly means of days: one row a day, 24 hours each.
pub type Field = Vec<[Option<f64>; 24]>;

/// The lines of one level in a box as wide as there are days and 24 high, midnight below:
/// pieces of two points.
pub fn level(field: &Field, value: f64) -> Vec<[Point; 2]> {
    let mut pieces = Vec::new();
    for (day, (left, right)) in field.iter().zip(field.iter().skip(1)).enumerate() {
        for hour in 0..23 {
            let corners = [left[hour], right[hour], right[hour + 1], left[hour + 1]];
            let values: Vec<f64> = corners.into_iter().flatten().collect();
            if values.len() < 4 {
                continue;
            }
            // Hours stand in the middle of their hour, days in the middle of theirs.
            let (x, y) = (day as f64 + 0.5, 24.0 - (hour as f64 + 0.5));
            let places = [(x, y), (x + 1.0, y), (x + 1.0, y - 1.0), (x, y - 1.0)];
            let crossings: Vec<Point> = (0..4)
                .filter_map(|side| {
                    let (next, first) = ((side + 1) % 4, values[side]);
                    let second = values[next];
                    // A corner that lies on the level counts as above it.
                    if (first >= value) == (second >= value) {
                        return None;
                    }
                    let part = (value - first) / (second - first);
                    let (from, to) = (places[side], places[next]);
                    Some((from.0 + (to.0 - from.0) * part, from.1 + (to.1 - from.1) * part))
                })
                .collect();
            match crossings[..] {
                [from, to] => pieces.push([from, to]),
                // A saddle: which sides belong together is told by its middle.
                [first, second, third, fourth] => {
                    let middle = values.iter().sum::<f64>() / 4.0;
                    if (middle >= value) == (values[0] >= value) {
                        pieces.extend([[first, second], [third, fourth]]);
                    } else {
                        pieces.extend([[fourth, first], [second, third]]);
                    }
                }
                _ => {}
            }
        }
    }
    pieces
}

/// Round levels for a field, five or so; none where nothing is known.
pub fn levels(field: &Field) -> Option<Scale> {
    let known = || field.iter().flatten().flatten().copied();
    let low = known().reduce(f64::min)?;
    let high = known().reduce(f64::max)?;
    Some(Scale::holding(low, high, 1.0, 6.0))
}

/// Missing hours as boxes in the same drawing: left, top, width, height.
pub fn missing(field: &Field) -> Vec<[f64; 4]> {
    let mut boxes = Vec::new();
    for (day, hours) in field.iter().enumerate() {
        let mut hour = 0;
        while hour < 24 {
            let run = hours.iter().skip(hour).take_while(|h| h.is_none()).count();
            if run > 0 {
                boxes.push([day as f64, (24 - hour - run) as f64, 1.0, run as f64]);
            }
            hour += run.max(1);
        }
    }
    boxes
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_level_lies_where_the_field_has_its_value() {
        // A field that rises with the hour alone: each level is a straight line of days.
        let field: Field = (0..5).map(|_| std::array::from_fn(|hour| Some(hour as f64))).collect();
        let pieces = level(&field, 10.25);
        assert_eq!(pieces.len(), 4);
        for piece in &pieces {
            for point in piece {
                // The mean of hour 10 stands at 10.5 above midnight.
                assert!((point.1 - (24.0 - 10.75)).abs() < 1e-9, "{point:?}");
            }
        }
        assert!(level(&field, 40.0).is_empty());
    }

    #[test]
    fn no_line_crosses_what_is_missing() {
        let mut field: Field =
            (0..3).map(|_| std::array::from_fn(|hour| Some(hour as f64))).collect();
        field[1] = [None; 24];
        assert!(level(&field, 10.5).is_empty());
        assert_eq!(missing(&field), [[1.0, 0.0, 1.0, 24.0]]);
        assert!(levels(&vec![[None; 24]]).is_none());
    }
}
