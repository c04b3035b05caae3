//! The settings as the program uses them: checked whole, units converted, names resolved.

use crate::adapter::AdapterTable;
use crate::fault::{Fault, Faults};
use crate::token::TokenFile;
use observation::{Property, Quantity, Span, Unit};
use std::collections::BTreeMap;
use std::net::SocketAddr;
use std::path::PathBuf;

/// Everything one settings document says.
#[derive(Clone, Debug)]
pub struct Settings {
    /// Stations, instruments, sensors and gateways; the look-ups are built.
    pub property: Property,
    /// `[history]`.
    pub history: HistorySettings,
    /// `[http]`: the page's listener.
    pub http: HttpSettings,
    /// `[page]`: how people see what is measured.
    pub page: PageSettings,
    /// `[control]`.
    pub control: ControlSettings,
    /// `[processor]`.
    pub processor: ProcessorSettings,
    /// `[source.KIND.NAME]`, in the order of the files. Kinds are not checked here.
    pub sources: Vec<AdapterTable>,
    /// `[forward.KIND.NAME]`, in the order of the files. Kinds are not checked here.
    pub forwarders: Vec<AdapterTable>,
    /// The token files of stations and gateways.
    pub credentials: Vec<TokenFile>,
    /// All files and overrides as one text, for the settings epoch.
    pub text: String,
    /// A stable hash of all that readings are made from: property and processor, not
    /// listeners, directories or comments.
    pub fingerprint: u64,
    /// What is allowed but probably not meant.
    pub warnings: Vec<Fault>,
    pub(crate) timeline: String,
}

/// `[history]`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct HistorySettings {
    /// `directory`: where the store lives.
    pub directory: PathBuf,
    /// `commit_interval`: longest wait before a commit, 0 to 60 s.
    pub commit_interval: Span,
    /// `point_step`: as [`Property::point_step`].
    pub point_step: Span,
    /// `keep_samples`: raw samples are kept until the store has this many bytes in use.
    pub keep_samples: u64,
    /// `keep_samples_for`: and until they are so old; none for no such limit.
    pub keep_samples_for: Option<Span>,
}

/// `[http]`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct HttpSettings {
    /// `listen`: the address of page, metrics and health.
    pub listen: SocketAddr,
    /// `doubtful`: whether value metrics carry doubtful values.
    pub doubtful: bool,
}

/// `[page]`.
#[derive(Clone, Debug, Default)]
pub struct PageSettings {
    /// `units`: the unit in which people see a quantity, the canonical one where none is
    /// chosen; each fits its quantity.
    pub units: BTreeMap<Quantity, Unit>,
    /// `week_starts`: the day on which a week starts, 0 for Monday to 6 for Sunday.
    pub week_starts: u8,
}

/// `[control]`.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct ControlSettings {
    /// `socket`: path of the local socket; where none is given, `control.sock` in
    /// `$RUNTIME_DIRECTORY`, else in the history's directory.
    pub socket: Option<PathBuf>,
}

/// `[processor]`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ProcessorSettings {
    /// `grace`: how long after a minute its boundary is evaluated, 0 to 60 s.
    pub grace: Span,
    /// `event_gap`: dry time that parts two spells of rain, 10 min to 7 d.
    pub event_gap: Span,
}

/// What [`crate::examine`] found.
#[derive(Clone, Debug)]
pub struct Examined {
    /// The settings as far as they could be understood; none where a file is no TOML or
    /// cannot be read. Where there are faults this serves one purpose: to let each
    /// source look at its own table, so that its faults are told in the same run. What
    /// was refused is missing or at its usual value, but every station and channel that
    /// is named is there.
    pub settings: Option<Settings>,
    /// What is wrong so far; empty where the settings stand.
    pub faults: Vec<Fault>,
}

impl Examined {
    /// The settings, if nothing is wrong.
    ///
    /// # Errors
    /// All faults.
    pub fn sound(self) -> Result<Settings, Faults> {
        match (Faults::of(self.faults), self.settings) {
            (None, Some(settings)) => Ok(settings),
            (Some(faults), _) => Err(faults),
            (None, None) => Err(Fault::without_place("settings", "cannot be read", None).into()),
        }
    }
}

impl Settings {
    /// The merged timeline of calibrations and placements, one line each, as `check`
    /// prints it. Empty where there are none.
    pub fn timeline(&self) -> &str {
        &self.timeline
    }
}
