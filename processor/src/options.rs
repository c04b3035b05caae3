//! What the processor can be told besides the property.

use observation::{SourceIndex, Span};

/// Settings of the processor itself.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Options {
    /// How long after a minute's end it is evaluated.
    pub grace: Span,
    /// Time without a tip after which a rain event is over.
    pub event_gap: Span,
    /// The source of old records: its samples may be as old as they like.
    pub import: Option<SourceIndex>,
}

impl Default for Options {
    /// Five seconds of grace; events end after six hours.
    fn default() -> Self {
        Self {
            grace: Span::seconds(5),
            event_gap: observation::signal::gauge::EVENT_GAP,
            import: None,
        }
    }
}
