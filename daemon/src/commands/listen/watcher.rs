//! What is printed while listening: everything that arrives, every change of state,
//! every refusal, and once for each unknown channel the entry that would take it in.

use super::shown::{self, Named};
use super::suggestion;
use adapters::port::{Refused, State, Watch};
use observation::{Property, Refusal, SourceIndex};
use std::collections::{HashMap, HashSet};
use std::fmt::Write as _;
use std::io::Write;
use std::net::SocketAddr;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use tokio::sync::Notify;

/// Most unknown channels that are told about.
const MOST_TOLD: usize = 1_000;
/// Longest unfinished line of a cable that is kept.
const LONGEST_LINE: usize = 4_096;

/// One source as far as printing needs to know it.
pub(super) struct Heard {
    /// Its name.
    pub(super) name: String,
    /// Whether it gives bytes as they come, lines cut anywhere.
    pub(super) cable: bool,
    /// The station that its settings name, where they do.
    pub(super) station: Option<String>,
}

/// Prints.
pub(super) struct Watcher {
    property: Arc<Property>,
    sources: Vec<Heard>,
    held: Mutex<Held>,
    output: Mutex<Box<dyn Write + Send>>,
    /// Told when output is over, because nobody reads it any more.
    pub(super) gone: Notify,
    /// Told when a source has said for the first time how it stands.
    pub(super) stands: Notify,
}

#[derive(Default)]
struct Held {
    /// Beginnings of lines.
    lines: HashMap<SourceIndex, Vec<u8>>,
    /// What each source got last: place and bytes.
    last: HashMap<SourceIndex, (String, Vec<u8>)>,
    told: HashSet<(String, String)>,
    addresses: HashMap<SourceIndex, SocketAddr>,
    states: HashMap<SourceIndex, State>,
}

impl Watcher {
    pub(super) fn new(
        property: Arc<Property>,
        sources: Vec<Heard>,
        output: Box<dyn Write + Send>,
    ) -> Self {
        Self {
            property,
            sources,
            held: Mutex::default(),
            output: Mutex::new(output),
            gone: Notify::new(),
            stands: Notify::new(),
        }
    }

    fn held(&self) -> MutexGuard<'_, Held> {
        self.held.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn name(&self, source: SourceIndex) -> &str {
        self.sources.get(usize::from(source.0)).map_or("", |s| s.name.as_str())
    }

    fn print(&self, text: &str) {
        let mut out = self.output.lock().unwrap_or_else(PoisonError::into_inner);
        if out.write_all(text.as_bytes()).and_then(|()| out.flush()).is_err() {
            self.gone.notify_one();
        }
    }

    /// The line that says where everything listens, once all sources have said how they
    /// stand.
    pub(super) fn ready(&self) -> Option<String> {
        let held = self.held();
        if held.states.len() < self.sources.len() {
            return None;
        }
        let mut line = String::from("ready");
        for (index, source) in (0_u16..).map(SourceIndex).zip(&self.sources) {
            if let Some(address) = held.addresses.get(&index) {
                // Writing to a String cannot fail.
                let _ = write!(line, " {}={address}", source.name);
            }
        }
        Some(line)
    }

    /// Prints the entries for what the last message of a source names and the settings
    /// do not.
    fn suggest(&self, source: SourceIndex) {
        let mut text = String::new();
        {
            let mut held = self.held();
            let Some((place, bytes)) = held.last.get(&source).cloned() else { return };
            for (station, channel) in self.unknown(source, &place, &bytes) {
                let key = (station.clone(), channel.name.clone());
                if held.told.len() < MOST_TOLD && held.told.insert(key) {
                    let known = self.property.station(&station).is_some();
                    let _ = write!(
                        text,
                        "\n# to take in `{}`:\n{}\n",
                        shown::line(channel.name.as_bytes()),
                        suggestion::entry(&station, known, &channel)
                    );
                }
            }
        }
        if !text.is_empty() {
            self.print(&text);
        }
    }

    fn unknown(&self, source: SourceIndex, place: &str, bytes: &[u8]) -> Vec<(String, Named)> {
        let levels: Vec<&str> = place.split('/').filter(|l| !l.is_empty()).collect();
        let named_by_settings =
            self.sources.get(usize::from(source.0)).and_then(|s| s.station.clone());
        let by_level = levels.iter().find(|l| self.property.station(l).is_some());
        let mut names = shown::named(bytes);
        let bare = names.is_empty()
            && std::str::from_utf8(bytes).is_ok_and(|t| t.trim().parse::<f64>().is_ok());
        if bare && let Some(last) = levels.last() {
            let number = std::str::from_utf8(bytes).ok().and_then(|t| t.trim().parse().ok());
            names.push(Named { name: (*last).to_owned(), number, unit: None });
        }
        // Where no level is a known station, the one before the channel, or the last.
        let stranger = if bare { levels.iter().rev().nth(1) } else { levels.last() };
        let station = named_by_settings
            .or_else(|| by_level.map(|l| (*l).to_owned()))
            .or_else(|| stranger.map(|l| (*l).to_owned()))
            .unwrap_or_default();
        names
            .into_iter()
            .map(|mut named| match named.name.split_once('/') {
                // A SenML name holds its station.
                Some((own, channel)) => {
                    let own = own.to_owned();
                    named.name = channel.to_owned();
                    (own, named)
                }
                None => (station.clone(), named),
            })
            .filter(|(station, named)| {
                let known = self
                    .property
                    .station(station)
                    .and_then(|s| self.property.channel(s, &named.name))
                    .is_some();
                !known
                    && !adapters::payload::RESERVED.contains(&named.name.as_str())
                    && self.property.senml_name(&format!("{station}/{}", named.name)).is_empty()
            })
            .collect()
    }
}

impl Watch for Watcher {
    fn state(&self, source: SourceIndex, state: State) {
        let said = match &state {
            State::Up => "up".to_owned(),
            State::Down(reason) => format!("down: {reason}"),
            State::Fault(reason) => format!("fault: {reason}"),
        };
        if self.held().states.insert(source, state.clone()).as_ref() != Some(&state) {
            eprintln!("{}: {said}", self.name(source));
        }
        self.stands.notify_one();
    }

    fn listening(&self, source: SourceIndex, address: SocketAddr) {
        self.held().addresses.insert(source, address);
    }

    fn refused(&self, source: SourceIndex, refused: Refused<'_>) {
        self.print(&format!(
            "{}  refused, {}: {}\n",
            self.name(source),
            refused.reason,
            shown::line(refused.detail.as_bytes())
        ));
        if matches!(refused.reason, Refusal::UnknownChannel | Refusal::UnknownStation) {
            self.suggest(source);
        }
    }

    fn arrived(&self, source: SourceIndex, place: &str, bytes: &[u8]) {
        let cable = self.sources.get(usize::from(source.0)).is_some_and(|s| s.cable);
        let mut whole: Vec<Vec<u8>> = Vec::new();
        {
            let mut held = self.held();
            if cable {
                let line = held.lines.entry(source).or_default();
                for &byte in bytes {
                    let ends = byte == b'\n' || byte == b'\r';
                    if !line.is_empty() && (ends || line.len() >= LONGEST_LINE) {
                        whole.push(std::mem::take(line));
                    }
                    if !ends {
                        line.push(byte);
                    }
                }
            } else {
                whole.push(bytes.to_vec());
            }
            if let Some(last) = whole.last() {
                held.last.insert(source, (place.to_owned(), last.clone()));
            }
        }
        for bytes in whole {
            self.print(&format!(
                "{}  {}  {}\n",
                self.name(source),
                shown::line(place.as_bytes()),
                shown::line(&bytes)
            ));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fixture;

    fn unknown(place: &str, bytes: &[u8]) -> Vec<(String, String)> {
        let property = fixture::property("Orchard");
        let source = Heard { name: "house".to_owned(), cable: false, station: None };
        let watcher = Watcher::new(property, vec![source], Box::new(std::io::sink()));
        let mut found: Vec<(String, String)> = watcher
            .unknown(SourceIndex(0), place, bytes)
            .into_iter()
            .map(|(station, named)| (station, named.name))
            .collect();
        found.sort();
        found
    }

    fn pairs(list: &[(&str, &str)]) -> Vec<(String, String)> {
        list.iter().map(|(s, c)| ((*s).to_owned(), (*c).to_owned())).collect()
    }

    #[test]
    fn only_what_the_settings_do_not_name_is_unknown() {
        assert_eq!(unknown("garden/orchard/hand", b"17.5"), []);
        assert_eq!(unknown("garden/orchard/soil", b"9.5"), pairs(&[("orchard", "soil")]));
        assert_eq!(unknown("garden/barn/t", b"9.5"), pairs(&[("barn", "t")]));
        assert_eq!(
            unknown("/v1/push/orchard", br#"{"time":1,"hand":17,"soil":9}"#),
            pairs(&[("orchard", "soil")])
        );
        assert_eq!(
            unknown("/v1/samples", br#"[{"bn":"barn/","n":"t","v":1},{"n":"h","v":2}]"#),
            pairs(&[("barn", "h"), ("barn", "t")])
        );
    }

    #[test]
    fn a_line_cut_anywhere_is_shown_whole_and_an_endless_one_stays_bounded() {
        let source = Heard { name: "cable".to_owned(), cable: true, station: None };
        let watcher =
            Watcher::new(fixture::property("Orchard"), vec![source], Box::new(std::io::sink()));
        for part in [&b"t=1"[..], b"7.5,h=", b"81\r\nt=18"] {
            watcher.arrived(SourceIndex(0), "/dev/null", part);
        }
        let last = watcher.held().last.get(&SourceIndex(0)).cloned();
        assert_eq!(last, Some(("/dev/null".to_owned(), b"t=17.5,h=81".to_vec())));
        watcher.arrived(SourceIndex(0), "/dev/null", &vec![b'x'; 100_000]);
        assert!(watcher.held().lines.values().all(|l| l.len() <= LONGEST_LINE));
    }
}
