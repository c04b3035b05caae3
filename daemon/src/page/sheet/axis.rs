//! The axis of time that all panes share.

use super::gather::Gathered;
use super::source::Source;
use crate::page::graphics::pane::Axis;
use observation::days::{DayKind, Days, Division};
use observation::{Span, Time};

/// Room for a time and for a date on the narrowest page, as a share of its width.
const CLOCK: f64 = 0.112;
const DATE: f64 = 0.13;

impl Source<'_> {
    /// The axis of time.
    pub fn axis(&self) -> Axis {
        let Gathered { from, to, .. } = *self.gathered;
        let length = to - from;
        let mut ticks: Vec<(f64, String, bool)> = Vec::new();
        if length <= Span::hours(49) {
            let every = if length <= Span::hours(25) { 3 } else { 6 };
            let mut at = Time(from.0.div_euclid(3_600_000) * 3_600_000);
            while at <= to {
                if at >= from && self.local.hour(at) % every == 0 {
                    let midnight = self.local.is_midnight(at);
                    let label = if midnight { self.local.day(at) } else { self.local.clock(at) };
                    ticks.push((self.share(at), label, midnight));
                }
                at = at + Span::hours(1);
            }
        } else {
            let days: &Days = &self.property.days;
            let total = length.0 / Span::days(1).0;
            let mut at = from + Span(1);
            let mut place = 0;
            while at < to && place < 400 {
                let cut = days.cut(Division::Day, DayKind::Civil, at);
                let labelled = match total {
                    0..15 => place % 2 == 0 || total < 8,
                    15..100 => cut.date.day == 1 || cut.date.day == 16,
                    _ => cut.date.day == 1 && cut.date.month % 2 == 1,
                };
                if labelled && cut.from >= from {
                    ticks.push((self.share(cut.from), self.local.day(cut.from + Span(1)), true));
                }
                at = cut.to + Span(1);
                place += 1;
            }
        }
        thin(&mut ticks);
        Axis { ticks, nights: self.nights() }
    }

    /// From sunset to sunrise; of spans in which nights would be hatching none.
    fn nights(&self) -> Vec<(f64, f64)> {
        let Gathered { from, to, .. } = *self.gathered;
        if to - from > Span::days(11) {
            return Vec::new();
        }
        let (latitude, longitude) = (self.property.latitude, self.property.longitude);
        let mut nights = Vec::new();
        let mut dark_since: Option<Time> = None;
        let first = from.utc_day() - 1;
        for day in first..=to.utc_day() + 1 {
            let midnight = day as f64 * 86_400.0;
            let sun =
                meteorology::sun::day(midnight, latitude, longitude, meteorology::sun::HORIZON);
            let at = |seconds: f64| Time((seconds * 1_000.0) as i64);
            if let (Some(since), Some(rise)) = (dark_since, sun.rise) {
                nights.push((since, at(rise)));
            }
            dark_since = sun.set.map(at);
        }
        nights
            .into_iter()
            .map(|(a, b)| (self.share(a.max(from)), self.share(b.min(to))))
            .filter(|(a, b)| b > a)
            .collect()
    }
}

/// Takes away labels that would stand in each other on the narrowest page; their lines
/// stay. A date goes before a time.
fn thin(ticks: &mut [(f64, String, bool)]) {
    let room = |(at, _, day): &(f64, String, bool)| {
        let half = if *day { DATE } else { CLOCK } / 2.0;
        // As they are set: at either edge inwards.
        match *at {
            ..0.03 => (*at, *at + 2.0 * half),
            0.97.. => (*at - 2.0 * half, *at),
            _ => (*at - half, *at + half),
        }
    };
    let mut last: Option<usize> = None;
    for place in 0..ticks.len() {
        let Some((before, here)) = last.and_then(|l| ticks.get(l)).zip(ticks.get(place)) else {
            last = Some(place);
            continue;
        };
        if room(here).0 >= room(before).1 {
            last = Some(place);
            continue;
        }
        // Of two alike the later one goes.
        let gone = if here.2 && !before.2 { last.replace(place) } else { Some(place) };
        if let Some(tick) = gone.and_then(|g| ticks.get_mut(g)) {
            tick.1.clear();
        }
    }
}

#[cfg(test)]
mod tests {
    use super::thin;

    #[test]
    fn labels_leave_each_other_room_and_dates_stay() {
        let mut ticks: Vec<(f64, String, bool)> =
            (0..8).map(|n| (f64::from(n) * 0.125 + 0.012, format!("{n}"), n == 4)).collect();
        thin(&mut ticks);
        let left: Vec<&str> = ticks.iter().map(|t| t.1.as_str()).collect();
        assert_eq!(left, ["0", "", "2", "3", "4", "5", "6", "7"]);
        // A date that has no room takes it from the time before.
        let mut close = vec![(0.4, "a".to_owned(), false), (0.5, "b".to_owned(), true)];
        thin(&mut close);
        assert_eq!((close[0].1.as_str(), close[1].1.as_str()), ("", "b"));
        let mut few = vec![(0.2, "a".to_owned(), false), (0.5, "b".to_owned(), true)];
        thin(&mut few);
        assert!(few.iter().all(|t| !t.1.is_empty()));
    }
}
