//! Why a session ended, in words, and what the next one should know of it.

use super::{LONG, SHORT, Session};
use crate::payload::Refused;
use crate::port::End;
use crate::sources::filter::Filter;
use crate::sources::mqtt::link::Lost;
use crate::sources::telling::tell;
use observation::Refusal;

/// Why a session ended, before it is put into words.
pub(super) enum Ended {
    Stopped,
    Lost(Lost),
    Because { reason: String, fault: bool },
}

impl Ended {
    pub(super) fn because(reason: impl Into<String>) -> Self {
        Self::Because { reason: reason.into(), fault: false }
    }
}

impl From<Lost> for Ended {
    fn from(lost: Lost) -> Self {
        Self::Lost(lost)
    }
}

impl Session<'_> {
    /// Puts the end into words, and judges whether the session was of use.
    pub(super) fn end(&self, ended: Ended) -> End {
        let lasted = self.accepted.map(|accepted| accepted.elapsed()).unwrap_or_default();
        let useful = lasted >= LONG || (lasted >= SHORT && self.handover.carried());
        let broker = &self.source.broker;
        let too_large = matches!(ended, Ended::Lost(Lost::TooLarge(_)));
        {
            let mut memory = self.source.memory();
            memory.too_large = match (too_large, self.clean) {
                (true, _) => memory.too_large.saturating_add(1),
                // A connection that never came about says nothing.
                (false, _) if self.accepted.is_none() => memory.too_large,
                (false, _) => 0,
            };
        }
        let shared = format!(
            "another client probably uses the client identifier `{}` too; give each its own \
             `client_id`",
            self.source.client_id(self.context)
        );
        let (reason, fault) = match ended {
            Ended::Stopped => {
                return End { reason: "stopped".to_owned(), fault: false, useful: true };
            }
            Ended::Because { reason, fault } => (format!("{broker}: {reason}"), fault),
            Ended::Lost(Lost::Refused(why)) => (format!("{broker}: {why}"), true),
            Ended::Lost(Lost::TakenOver) => {
                let reason = format!("{broker}: the session was taken over: {shared}");
                return End { reason, fault: false, useful: false };
            }
            Ended::Lost(Lost::Closed(why)) if self.accepted.is_some() && lasted < SHORT => (
                format!("{broker}: {why} {} ms after accepting it: {shared}", lasted.as_millis()),
                false,
            ),
            Ended::Lost(Lost::Closed(why) | Lost::Failed(why)) => {
                (format!("{broker}: {why}"), false)
            }
            Ended::Lost(Lost::TooLarge(bytes)) => {
                (self.too_large(bytes), self.source.memory().too_large >= 2)
            }
        };
        End { reason, fault, useful }
    }

    /// The library gives the length of what it did not read, not its topic.
    fn too_large(&self, bytes: usize) -> String {
        let filters: Vec<String> = self.source.filters.iter().map(Filter::text).collect();
        let detail = format!(
            "a packet of {bytes} bytes, over `packet_limit` ({} bytes), on a topic of `{}`",
            self.source.packet_limit,
            filters.join("`, `")
        );
        let refused = Refused { station: None, reason: Refusal::TooLong, detail: detail.clone() };
        tell(self.context, "", &refused);
        let next = if self.source.memory().too_large >= 2 {
            "; it came twice in a row, so the next session starts clean and gives up what the \
             broker kept: raise `packet_limit` or narrow the filter"
        } else {
            ""
        };
        format!("{}: {detail}{next}", self.source.broker)
    }
}
