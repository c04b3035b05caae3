//! Counting what became of samples, and telling what was refused.

use super::core::Taken;
use super::process::Process;
use super::turn::Turn;
use crate::counts::SampleResult;
use adapters::port::Refused;
use observation::refusal::Stage;
use observation::{Message, Refusal, SourceIndex, StationIndex};

impl<P: Process> Turn<P> {
    pub(super) fn count(
        &self,
        station: StationIndex,
        source: SourceIndex,
        taken: Taken,
        asides: usize,
        boundaries: usize,
    ) {
        let counts = &self.counts;
        counts.add_samples(source, SampleResult::Accepted, taken.accepted);
        if taken.accepted == 0
            || taken.repeats + taken.conflicts + taken.redelivered + taken.set_aside > 0
        {
            counts.add_samples(source, SampleResult::Repeated, taken.repeats);
            counts.add_samples(source, SampleResult::Conflict, taken.conflicts);
            counts.add_samples(source, SampleResult::Redelivered, taken.redelivered);
            counts.add_samples(source, SampleResult::SetAside, taken.set_aside);
            for _ in 0..taken.conflicts {
                self.refuse(
                    station,
                    source,
                    Refusal::Conflict,
                    "a repeat with another value; the first stays",
                );
            }
            if taken.panicked {
                self.refuse(
                    station,
                    source,
                    Refusal::Panic,
                    "processing it failed inside; set aside",
                );
            } else if taken.set_aside > 0 {
                // Samples may have joined what the message before left.
                let all = &self.core.waiting().set_aside;
                let from = asides.min(all.len().saturating_sub(1));
                for aside in all.get(from..).unwrap_or_default() {
                    self.refuse(station, source, aside.reason, &told(aside.reason, &aside.message));
                }
            }
        }
        for &station in self.core.waiting().panics.get(boundaries..).unwrap_or_default() {
            self.boundary_failed(station);
        }
    }

    pub(super) fn boundary_failed(&self, station: StationIndex) {
        self.counts.add_boundary_panic(station);
        self.refuse(
            station,
            SourceIndex(0),
            Refusal::Panic,
            "a minute could not be evaluated; it gives no reading",
        );
    }

    pub(super) fn refuse(
        &self,
        station: StationIndex,
        source: SourceIndex,
        reason: Refusal,
        detail: &str,
    ) {
        let refused = Refused { station: Some(station), stage: Stage::Process, reason, detail };
        self.counts.refuse(source, &refused);
    }
}

fn told(reason: Refusal, message: &Message) -> String {
    let count = message.samples.len();
    let stated = message.samples.first().map(|s| s.stated);
    let stated = match stated {
        Some(observation::Stated::At(time)) => format!(", dated {time}"),
        Some(observation::Stated::Relative(ms)) => format!(", dated {ms} ms from its arrival"),
        _ => String::new(),
    };
    let noun = if count == 1 { "sample" } else { "samples" };
    format!("{count} {noun}{stated}: set aside as `{reason}`")
}
