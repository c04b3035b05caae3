//! Why commits are made.

/// Why a commit was made: what is counted for whoever wonders at the wear of a card.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Reason {
    /// The commit interval was over.
    Interval,
    /// Somebody waited for the answer to a request.
    Request,
    /// As much waited as goes into one commit.
    Full,
    /// Of a station that sleeps once it has its receipt.
    Sleeper,
    /// To find out whether a sender waits for each receipt.
    Trial,
    /// A sender worked off a backlog, and its receipts were what it waited for.
    CatchingUp,
    /// The program stopped.
    Stop,
    /// The clock was set, or an old record or readings made anew were to be written next.
    Other,
}

impl Reason {
    /// All of them.
    pub const ALL: [Self; 8] = [
        Self::Interval,
        Self::Request,
        Self::Full,
        Self::Sleeper,
        Self::Trial,
        Self::CatchingUp,
        Self::Stop,
        Self::Other,
    ];

    /// As a label.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Interval => "interval",
            Self::Request => "request",
            Self::Full => "full",
            Self::Sleeper => "sleeper",
            Self::Trial => "trial",
            Self::CatchingUp => "catching_up",
            Self::Stop => "stop",
            Self::Other => "other",
        }
    }
}
