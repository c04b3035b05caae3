//! The tables of sources and forwarders, `[source.KIND.NAME]` and `[forward.KIND.NAME]`.
//!
//! The settings document owns the envelope: kind, name, place. What stands inside is
//! decoded by the kind's own type, with every place in the file kept.

use crate::assembly::{assemble, of_text};
use crate::document::{Documents, Value, resolve};
use crate::fault::Fault;
use crate::nearest::nearest;
use crate::token::{credentials_directory, secret_path};
use crate::words;
use serde::de::DeserializeOwned;
use std::ops::Range;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use toml::Spanned;
use toml::de::{DeTable, DeValue, ValueDeserializer};

/// Most faults told for one table.
const MOST_FAULTS: usize = 50;

/// The table of one source or forwarder, still undecoded: its kind decodes it.
#[derive(Clone, Debug)]
pub struct AdapterTable {
    /// The kind: the word after `source` or `forward`.
    pub kind: String,
    /// The name: the last word of the table's header.
    pub name: String,
    /// The place in the order of the files, sources and forwarders each counted from 0.
    pub index: usize,
    family: &'static str,
    documents: Arc<Documents>,
}

impl AdapterTable {
    pub(crate) fn new(
        family: &'static str,
        kind: &str,
        name: &str,
        index: usize,
        documents: &Arc<Documents>,
    ) -> Self {
        Self {
            kind: kind.to_owned(),
            name: name.to_owned(),
            index,
            family,
            documents: Arc::clone(documents),
        }
    }

    /// The table of a source out of the text of a whole document that has
    /// `[source.KIND.NAME]`, or out of the bare keys of that table. For tests and for
    /// examples; paths are relative to the working directory.
    pub fn from_text(kind: &str, name: &str, text: &str) -> Self {
        Self::of_family("source", kind, name, text)
    }

    /// The same for the table of a forwarder, `[forward.KIND.NAME]`.
    pub fn forwarder_from_text(kind: &str, name: &str, text: &str) -> Self {
        Self::of_family("forward", kind, name, text)
    }

    fn of_family(family: &'static str, kind: &str, name: &str, text: &str) -> Self {
        let header = format!("[{family}.{kind}.{name}]");
        let whole =
            if text.contains(&header) { text.to_owned() } else { format!("{header}\n{text}") };
        let documents = Arc::new(of_text("settings.toml", Path::new(""), &whole));
        Self::new(family, kind, name, 0, &documents)
    }

    /// Decodes the table. Unknown keys are refused where `T` denies them
    /// (`#[serde(deny_unknown_fields)]`), with the nearest known key. No `flatten` and
    /// no internally tagged enum in `T`: both lose the places.
    ///
    /// Of a key that is missing `example`, the text of such a table, shows how it is
    /// written, wherever in it the key stands.
    ///
    /// # Errors
    /// All faults that can be told apart, each at its place.
    pub fn decode<T: DeserializeOwned>(&self, example: &str) -> Result<T, Vec<Fault>> {
        let (root, broken) = assemble(&self.documents);
        let Some(mut table) = self.find(&root) else {
            // Merging faults are told by whoever loads; here they matter only where
            // they took the table away.
            let gone = Fault::without_place(&self.header(), "there is no such table", None);
            return Err(if broken.is_empty() { vec![gone] } else { broken });
        };
        let mut faults: Vec<Fault> = Vec::new();
        // The places of tables that a refused key was taken out of, to look for more:
        // what they lack from then on is no fault.
        let mut thinned: Vec<Range<usize>> = Vec::new();
        loop {
            let error = match T::deserialize(ValueDeserializer::from(table.clone())) {
                Ok(decoded) if faults.is_empty() => return Ok(decoded),
                Ok(_) => return Err(faults),
                Err(error) => error,
            };
            let span = error.span().unwrap_or_else(|| table.span());
            let missing = error.message().starts_with("missing field");
            if !(missing && thinned.contains(&span)) {
                faults.push(self.told(error.message(), &span, example));
            }
            if faults.len() >= MOST_FAULTS || span == table.span() {
                return Err(faults);
            }
            match without(&mut table, &span) {
                Some(parent) => thinned.push(parent),
                None => return Err(faults),
            }
        }
    }

    /// A fault at one of the table's own keys, for what only its kind can judge. The
    /// place is the value of the key at `key_path` (entries of arrays by their number
    /// from 0), or of the longest part of it that exists; the table itself for an
    /// empty path.
    pub fn fault_at(&self, key_path: &[&str], message: &str, help: Option<&str>) -> Fault {
        let (root, _) = assemble(&self.documents);
        let span = self.find(&root).map(|table| {
            let mut span = table.span();
            let mut value = &table;
            for key in key_path {
                let next = match value.get_ref() {
                    DeValue::Table(inner) => inner.get(*key),
                    DeValue::Array(inner) => key.parse::<usize>().ok().and_then(|i| inner.get(i)),
                    _ => None,
                };
                let Some(found) = next else { break };
                value = found;
                span = found.span();
            }
            span
        });
        match span.and_then(|span| self.documents.place(&span)) {
            Some(place) => Fault::at(Some(place), message, help),
            None => Fault::without_place(&self.path(key_path), message, help),
        }
    }

    /// A fault at the table's header: its kind is not known, or it cannot be built.
    pub fn fault(&self, message: &str, help: Option<&str>) -> Fault {
        self.fault_at(&[], message, help)
    }

    /// A path of this table: relative to the directory of the settings file.
    pub fn resolve_path(&self, path: &str) -> PathBuf {
        resolve(&self.directory(), path)
    }

    /// The path of a secret's file (`*_file` keys): as [`Self::resolve_path`], but a bare
    /// file name is looked for first in the service's credentials directory, and
    /// `%d/NAME` is always there. Read it with [`crate::read_secret`].
    pub fn resolve_secret(&self, path: &str) -> PathBuf {
        secret_path(&self.directory(), credentials_directory().as_deref(), path)
    }

    fn directory(&self) -> PathBuf {
        let (root, _) = assemble(&self.documents);
        self.find(&root).map_or_else(PathBuf::new, |table| self.documents.directory(&table.span()))
    }

    /// The table's name in full, such as `source.http.push`.
    pub fn header(&self) -> String {
        self.path(&[])
    }

    fn path(&self, keys: &[&str]) -> String {
        let mut path = format!("{}.{}.{}", self.family, self.kind, self.name);
        for key in keys {
            path.push('.');
            path.push_str(key);
        }
        path
    }

    fn find<'a>(&self, root: &Value<'a>) -> Option<Value<'a>> {
        let mut value = root;
        for key in [self.family, &self.kind, &self.name] {
            value = match value.get_ref() {
                DeValue::Table(table) => table.get(key)?,
                _ => return None,
            };
        }
        Some(value.clone())
    }

    /// A decoder's message in the words of this program.
    fn told(&self, message: &str, span: &Range<usize>, example: &str) -> Fault {
        let place = self.documents.place(span);
        let quoted: Vec<&str> = message.split('`').skip(1).step_by(2).collect();
        if let (true, Some((key, known))) =
            (message.starts_with("unknown field"), quoted.split_first())
        {
            let message = format!("unknown key `{key}`");
            return Fault::at(place, &message, Some(&known_keys(key, known)));
        }
        if let (true, Some(key)) = (message.starts_with("missing field"), quoted.first()) {
            let help = written(example, key).map(|value| format!("write it like {key} = {value}"));
            let message = format!("`{key}` is missing in [{}]", self.header());
            return Fault::at(place, &message, help.as_deref());
        }
        if let (true, Some((word, known))) =
            (message.starts_with("unknown variant"), quoted.split_first())
        {
            let message = format!("`{word}` is not understood here");
            return Fault::at(place, &message, Some(&known_keys(word, known)));
        }
        let (message, help) = words::of_value(message);
        Fault::at(place, &message, help.as_deref())
    }
}

/// "did you mean" and the list of what is known.
pub(crate) fn known_keys(word: &str, known: &[&str]) -> String {
    let list = known.join("`, `");
    match nearest(word, known.iter().copied()) {
        Some(meant) => format!("did you mean `{meant}`?"),
        None if known.is_empty() => "there are no keys here".to_owned(),
        None => format!("known here: `{list}`"),
    }
}

/// How the value of a key is written in an example, at whatever depth.
fn written<'e>(example: &'e str, key: &str) -> Option<&'e str> {
    fn find(value: &DeValue<'_>, key: &str) -> Option<Range<usize>> {
        match value {
            DeValue::Table(table) => find_in(table, key),
            DeValue::Array(array) => array.iter().find_map(|item| find(item.get_ref(), key)),
            _ => None,
        }
    }
    fn find_in(table: &DeTable<'_>, key: &str) -> Option<Range<usize>> {
        let own = table.get(key).map(Spanned::span);
        own.or_else(|| table.values().find_map(|value| find(value.get_ref(), key)))
    }
    let table = DeTable::parse(example).ok()?;
    example.get(find_in(table.get_ref(), key)?)
}

/// Takes out the innermost entry whose key's or value's place is `span` or holds it, and
/// gives the place of the table or list it stood in. None if there is none.
fn without(parent: &mut Value<'_>, span: &Range<usize>) -> Option<Range<usize>> {
    let place = parent.span();
    match parent.get_mut() {
        DeValue::Table(table) => {
            let key = table
                .iter()
                .find(|(key, value)| key.span() == *span || holds(value, span))
                .map(|(key, _)| key.get_ref().clone().into_owned())?;
            let inner = table.get_mut(key.as_str())?;
            if inner.span() != *span
                && let Some(inside) = without(inner, span)
            {
                return Some(inside);
            }
            table.remove(key.as_str()).map(|_| place)
        }
        DeValue::Array(array) => {
            let at = array.iter().position(|item| holds(item, span))?;
            let item = array.get_mut(at)?;
            if item.span() != *span
                && let Some(inside) = without(item, span)
            {
                return Some(inside);
            }
            let rest = array.iter().enumerate().filter(|&(i, _)| i != at);
            *array = rest.map(|(_, item)| item.clone()).collect();
            Some(place)
        }
        _ => None,
    }
}

/// Whether the place of `span` is that of the value or inside it. The keys of a table
/// `[a.b]` lie behind its header, not inside it, so tables are looked into.
fn holds(value: &Spanned<DeValue<'_>>, span: &Range<usize>) -> bool {
    let own = value.span();
    own == *span
        || (own.start <= span.start && span.end <= own.end)
        || match value.get_ref() {
            DeValue::Table(table) => holds_inside(table, span),
            DeValue::Array(array) => array.iter().any(|item| holds(item, span)),
            _ => false,
        }
}

fn holds_inside(table: &DeTable<'_>, span: &Range<usize>) -> bool {
    table.iter().any(|(key, value)| key.span() == *span || holds(value, span))
}
