//! Samples older than what is kept in memory: read back from the log, with those of the
//! record being made, so that it makes no difference what was committed when.

use crate::recall::Recall;
use crate::track::{Doubt, Point, mark_bursts};
use observation::{ChannelIndex, Message, Span, Time};

/// How far a neighbour of a span is looked for.
const NEIGHBOUR: Span = Span::days(1);

/// Where samples are besides in memory.
pub(crate) struct Lookback<'a> {
    pub(crate) recall: &'a mut dyn Recall,
    /// The record being made.
    pub(crate) pending: &'a [Message],
    /// Its number.
    pub(crate) number: u64,
    pub(crate) doubts: &'a [Doubt],
}

impl Lookback<'_> {
    /// The samples of a channel with event time in `[from, to]`, in their order, with
    /// the last before and the first after within a day.
    pub(crate) fn samples(
        &mut self,
        channel: ChannelIndex,
        from: Time,
        to: Time,
        interval: Option<Span>,
    ) -> Vec<Point> {
        let mut points: Vec<Point> = self
            .recall
            .samples(channel, from, to)
            .iter()
            .map(|held| Point::of_held(held, self.doubts))
            .collect();
        let reach = from - NEIGHBOUR..=to + NEIGHBOUR;
        for message in self.pending {
            for sample in message.samples.iter().filter(|s| s.channel == channel) {
                if reach.contains(&sample.stated.event_time(message.received)) {
                    points.push(Point::of(message, sample, self.number, self.doubts));
                }
            }
        }
        points.sort_by_key(|p| p.time);
        let first = points.partition_point(|p| p.time < from);
        let last = points.partition_point(|p| p.time <= to);
        points.truncate(last + 1);
        points.drain(..first.saturating_sub(1));
        points.sort_by_key(|p| p.place);
        mark_bursts(&mut points, interval);
        points
    }
}
