//! A series over a span of time, held as the least and the greatest value of each column
//! of a picture, so that a year costs no more than an hour and no peak is lost.

use super::Point;
use super::scale::Scale;
use observation::{Flag, Span, Time};

/// Columns of a picture.
pub const COLUMNS: usize = 480;

/// Readings of one series close together, told as what a picture shows of them.
#[derive(Clone, Copy, Debug)]
pub struct Stroke {
    /// When the first that counts was; where none counts, the first at all.
    pub first: Time,
    /// When the last that counts was.
    pub last: Time,
    /// The least of those that count, and when it was.
    pub low: (Time, i64),
    /// The greatest.
    pub high: (Time, i64),
    /// How many count.
    pub count: u32,
    /// How many do not, though they have a value.
    pub left_out: u32,
    /// Least and greatest of those.
    pub doubted: Option<(i64, i64)>,
    /// Times the line is broken between the first and the last that count.
    pub gaps: u64,
    /// Whether something that does not count came before the first
    pub broken_before: bool,
    /// and after the last.
    pub broken_after: bool,
}

/// What counts in one column.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Column {
    low: i64,
    high: i64,
    /// Whether the line was broken since the column before.
    broken: bool,
}

/// See the module. Values in steps of the quantity.
#[derive(Clone, Debug)]
pub struct Columns {
    from: Time,
    to: Time,
    /// Readings further apart than this have a gap between them.
    apart: Span,
    /// Columns begin at multiples of this since 1970.
    grid: Span,
    good: Vec<Option<Column>>,
    /// Readings that do not count: least and greatest.
    doubted: Vec<Option<(i64, i64)>>,
    last: Option<Time>,
    broken: bool,
    /// Readings that count.
    pub count: u64,
    /// Readings with a value that does not count.
    pub left_out: u64,
    /// Times the line is broken, ends not counted.
    pub gaps: u64,
}

impl Columns {
    /// Nothing yet of `[from, to]`; `interval` is the usual time between readings.
    pub fn new(from: Time, to: Time, interval: Span) -> Self {
        Self {
            from,
            to: to.max(from + Span(1)),
            apart: Span(interval.0.max(1) * 5 / 2),
            grid: Span(1),
            good: vec![None; COLUMNS],
            doubted: vec![None; COLUMNS],
            last: None,
            broken: true,
            count: 0,
            left_out: 0,
            gaps: 0,
        }
    }

    /// The same with columns that begin at multiples of a span, so that what lies between
    /// two of them falls into one column.
    pub const fn on(mut self, grid: Span) -> Self {
        self.grid = grid;
        self
    }

    /// Readings further apart than this have a gap between them.
    pub const fn apart(&self) -> Span {
        self.apart
    }

    /// Takes the next reading, in the order of their times.
    pub fn take(&mut self, time: Time, value: Option<i64>, flag: Flag) {
        if time < self.from || time > self.to {
            return;
        }
        let place = self.place(time);
        let Some(steps) = value else {
            self.broken = true;
            return;
        };
        if !flag.counts() {
            self.left_out += 1;
            self.broken = true;
            if let Some(cell) = self.doubted.get_mut(place) {
                *cell = Some(cell.map_or((steps, steps), |(l, h)| (l.min(steps), h.max(steps))));
            }
            return;
        }
        if self.last.is_some_and(|last| time - last > self.apart) {
            self.broken = true;
        }
        if self.broken && self.last.is_some() {
            self.gaps += 1;
        }
        self.last = Some(time);
        self.count += 1;
        self.mark(place, steps);
        self.broken = false;
    }

    fn place(&self, time: Time) -> usize {
        if self.grid.0 <= 1 {
            let place = (time - self.from).0 as usize * COLUMNS / (self.to - self.from).0 as usize;
            return place.min(COLUMNS - 1);
        }
        // A reading belongs to the span that it ends.
        let number = |time: Time| (time.0 - 1).div_euclid(self.grid.0);
        let (first, last) = (number(self.from + Span(1)), number(self.to));
        let of = (number(time) - first).max(0) as usize * COLUMNS;
        (of / (last - first + 1).max(1) as usize).min(COLUMNS - 1)
    }

    /// Something that counts in a column.
    fn mark(&mut self, place: usize, steps: i64) {
        if let Some(cell) = self.good.get_mut(place) {
            let broken = self.broken;
            let held = cell.get_or_insert(Column { low: steps, high: steps, broken });
            held.low = held.low.min(steps);
            held.high = held.high.max(steps);
        }
    }

    /// Takes readings that come next and lie within the span, together: in a picture whose
    /// columns are longer than they, the same as taking them one by one.
    pub fn take_stroke(&mut self, stroke: &Stroke) {
        if let Some((least, most)) = stroke.doubted {
            let place = self.place(stroke.first);
            if let Some(cell) = self.doubted.get_mut(place) {
                *cell = Some(cell.map_or((least, most), |(l, h)| (l.min(least), h.max(most))));
            }
        }
        self.left_out += u64::from(stroke.left_out);
        if stroke.count == 0 {
            self.broken = true;
            return;
        }
        self.broken |= stroke.broken_before;
        if self.last.is_some_and(|last| stroke.first - last > self.apart) {
            self.broken = true;
        }
        if self.broken && self.last.is_some() {
            self.gaps += 1;
        }
        self.gaps += stroke.gaps;
        self.count += u64::from(stroke.count);
        self.last = Some(stroke.last);
        let (first, second) = if stroke.low.0 <= stroke.high.0 {
            (stroke.low, stroke.high)
        } else {
            (stroke.high, stroke.low)
        };
        self.mark(self.place(first.0), first.1);
        self.broken = false;
        self.mark(self.place(second.0), second.1);
        self.broken = stroke.broken_after;
    }

    /// Least and greatest of all that counts.
    pub fn extremes(&self) -> Option<(i64, i64)> {
        let held = self.good.iter().flatten();
        Some((held.clone().map(|c| c.low).min()?, held.map(|c| c.high).max()?))
    }

    /// Least and greatest of everything drawn.
    pub fn reach(&self) -> Option<(i64, i64)> {
        let doubted = self.doubted.iter().flatten().copied();
        let all = self.good.iter().flatten().map(|c| (c.low, c.high)).chain(doubted);
        let least = all.clone().map(|c| c.0).min()?;
        Some((least, all.map(|c| c.1).max()?))
    }

    /// What counts as lines in a box of [`COLUMNS`] by `height`, broken at gaps.
    pub fn lines(&self, scale: &Scale, height: f64, show: impl Fn(i64) -> f64) -> Vec<Vec<Point>> {
        let mut lines: Vec<Vec<Point>> = Vec::new();
        for (place, column) in self.good.iter().enumerate() {
            let Some(column) = column else { continue };
            let x = place as f64 + 0.5;
            let y = |steps: i64| scale.down(show(steps)) * height;
            let (mut first, mut second) = (y(column.low), y(column.high));
            // Less than about a pixel is one stroke: noise must not fill in a dashed line.
            if (first - second).abs() < height / 100.0 {
                first = f64::midpoint(first, second);
                second = first;
            }
            if column.broken || lines.is_empty() {
                lines.push(Vec::new());
            }
            let Some(line) = lines.last_mut() else { continue };
            // The end nearer to where the line comes from is drawn first.
            let near = line.last().is_none_or(|l| (l.1 - first).abs() <= (l.1 - second).abs());
            let (first, second) = if near { (first, second) } else { (second, first) };
            line.push((x, first));
            if (first - second).abs() >= 0.05 {
                line.push((x, second));
            } else if line.len() == 1 {
                // A single reading must be seen too.
                line.push((x + 0.5, first));
            }
        }
        lines
    }

    /// What does not count, as points in the same box.
    pub fn doubted(&self, scale: &Scale, height: f64, show: impl Fn(i64) -> f64) -> Vec<Point> {
        let mut points = Vec::new();
        for (place, cell) in self.doubted.iter().enumerate() {
            let Some((low, high)) = cell else { continue };
            let x = place as f64 + 0.5;
            let (low, high) = (scale.down(show(*low)) * height, scale.down(show(*high)) * height);
            points.push((x, low));
            if (low - high).abs() > 3.0 {
                points.push((x, high));
            }
        }
        points
    }

    /// Least and greatest of each column as text, `low high` or one number, commas
    /// between columns and nothing where nothing counts; `text` writes a number.
    pub fn data(&self, text: impl Fn(i64) -> String) -> String {
        let cells: Vec<String> = self
            .good
            .iter()
            .map(|cell| match cell {
                None => String::new(),
                Some(c) if c.low == c.high => text(c.low),
                Some(c) => format!("{} {}", text(c.low), text(c.high)),
            })
            .collect();
        cells.join(",")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const MINUTE: Span = Span::minutes(1);

    #[test]
    fn peaks_stay_gaps_break_and_what_does_not_count_stands_apart() {
        let from = Time(0);
        let mut columns = Columns::new(from, from + Span::days(1), MINUTE);
        for minute in 0..1_440 {
            let time = from + Span::minutes(minute);
            match minute {
                600..660 => {}
                700 => columns.take(time, None, Flag::Missing),
                720 => columns.take(time, Some(9_000), Flag::Doubtful),
                900 => columns.take(time, Some(500), Flag::Good),
                _ => columns.take(time, Some(100 + minute % 3), Flag::Good),
            }
        }
        assert_eq!(columns.extremes(), Some((100, 500)));
        assert_eq!(columns.reach(), Some((100, 9_000)));
        assert_eq!((columns.gaps, columns.left_out), (3, 1));
        assert_eq!(columns.count, 1_440 - 60 - 2);
        let scale = Scale::holding(0.0, 500.0, 1.0, 5.0);
        let lines = columns.lines(&scale, 100.0, |s| s as f64);
        // The minute without a value lies within one column, where no break can be seen.
        assert_eq!(lines.len(), 3);
        assert!(lines.iter().flatten().any(|p| p.1 == 0.0), "the peak is there");
        assert!(lines.iter().flatten().all(|p| p.1 <= 80.0 + 1e-9), "nothing at zero");
        let data = columns.data(|s| s.to_string());
        let cells: Vec<&str> = data.split(',').collect();
        assert_eq!(cells.len(), COLUMNS);
        assert_eq!((cells[0], cells[201], cells[300]), ("100 102", "", "101 500"));
    }
}
