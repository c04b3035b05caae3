//! Why something that arrived did not become a sample. The list is closed: it is
//! the `reason` label of a metric.

use std::fmt;

/// One reason for refusing, in the words of the metric's label.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[repr(u8)]
pub enum Refusal {
    /// Not in the grammar of its format.
    Malformed = 0,
    /// Longer than the limit.
    TooLong = 1,
    /// The beginning or the end of something was cut off.
    Fragment = 2,
    /// The checksum does not fit.
    Checksum = 3,
    /// Infinite or not a number.
    NotFinite = 4,
    /// A text where a number belongs, or the reverse.
    WrongType = 5,
    /// The same key twice.
    DuplicateKey = 6,
    /// Nested too deeply.
    Nesting = 7,
    /// No such station in the settings.
    UnknownStation = 8,
    /// No such channel at this station.
    UnknownChannel = 9,
    /// A unit that is unknown or measures something else.
    Unit = 10,
    /// A real date before the station's time window; set aside.
    TooOld = 11,
    /// Beyond the station's time window; set aside.
    Future = 12,
    /// A time that cannot be placed, such as a local time in the repeated hour; set aside.
    Time = 13,
    /// A repeat of a sample with another value; the first stays.
    Conflict = 14,
    /// A retained message without a time of its own.
    Retained = 15,
    /// Faster than the limit.
    Rate = 16,
    /// No, or a wrong, token or password; or another's station.
    Credentials = 17,
    /// Processing it failed inside the program; set aside.
    Panic = 18,
}

impl Refusal {
    /// All refusals, in the order of their numbers.
    pub const ALL: [Self; 19] = [
        Self::Malformed,
        Self::TooLong,
        Self::Fragment,
        Self::Checksum,
        Self::NotFinite,
        Self::WrongType,
        Self::DuplicateKey,
        Self::Nesting,
        Self::UnknownStation,
        Self::UnknownChannel,
        Self::Unit,
        Self::TooOld,
        Self::Future,
        Self::Time,
        Self::Conflict,
        Self::Retained,
        Self::Rate,
        Self::Credentials,
        Self::Panic,
    ];

    /// The word of the metric's label.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Malformed => "malformed",
            Self::TooLong => "too_long",
            Self::Fragment => "fragment",
            Self::Checksum => "checksum",
            Self::NotFinite => "not_finite",
            Self::WrongType => "wrong_type",
            Self::DuplicateKey => "duplicate_key",
            Self::Nesting => "nesting",
            Self::UnknownStation => "unknown_station",
            Self::UnknownChannel => "unknown_channel",
            Self::Unit => "unit",
            Self::TooOld => "too_old",
            Self::Future => "future",
            Self::Time => "time",
            Self::Conflict => "conflict",
            Self::Retained => "retained",
            Self::Rate => "rate",
            Self::Credentials => "credentials",
            Self::Panic => "panic",
        }
    }

    /// The refusal of a number, as records keep it.
    pub fn from_number(number: u8) -> Option<Self> {
        Self::ALL.get(usize::from(number)).copied()
    }
}

impl fmt::Display for Refusal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.word())
    }
}

/// Where on its way something was refused: the `stage` label of the metric.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Stage {
    /// Credentials, connection limits and rates.
    Access,
    /// Framing: lines, packets, bodies.
    Frame,
    /// Decoding: grammar, names, units.
    Decode,
    /// The processor: times, identity, panics.
    Process,
}

impl Stage {
    /// The word of the metric's label.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Access => "access",
            Self::Frame => "frame",
            Self::Decode => "decode",
            Self::Process => "process",
        }
    }
}
