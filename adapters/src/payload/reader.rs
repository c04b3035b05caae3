//! What decoders know of the property.

use super::when;
use observation::Property;
use std::sync::Arc;

/// Reads payloads for one property. Made once for each source; all methods take the
/// bytes of one whole message.
#[derive(Debug)]
pub struct Reader {
    pub(super) property: Arc<Property>,
    pub(super) clocks: Vec<when::StationClock>,
}

impl Reader {
    /// Looks up the time zones of the stations once. A zone that this machine does not
    /// know makes local times of that station [`observation::Stated::Unplaceable`]; the settings
    /// check refuses such a zone before.
    pub fn new(property: &Arc<Property>) -> Self {
        let clocks = property.stations.iter().map(when::StationClock::of).collect();
        Self { property: Arc::clone(property), clocks }
    }

    /// The property it reads for.
    pub fn property(&self) -> &Arc<Property> {
        &self.property
    }
}
