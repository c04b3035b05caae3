//! The texts the settings are read from, and which byte belongs to which of them.
//!
//! All texts lie one behind the other in one space of positions, so that a table put
//! together from several files and from `--set` keeps every span, and an adapter that
//! decodes its own table still gets exact places.

use std::fmt;
use std::ops::Range;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use toml::Spanned;
use toml::de::{DeArray, DeTable, DeValue};

/// A value that knows its place.
pub(crate) type Value<'a> = Spanned<DeValue<'a>>;

/// What a document is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Kind {
    /// A file.
    File,
    /// One `--set KEY=VALUE`.
    Override,
}

/// One text.
#[derive(PartialEq, Eq)]
pub(crate) struct Document {
    /// What people call it: the path as it was given, or `--set KEY`.
    pub(crate) name: String,
    /// The directory against which relative paths are resolved.
    pub(crate) directory: PathBuf,
    /// The whole text.
    pub(crate) text: String,
    /// What it is.
    pub(crate) kind: Kind,
}

impl fmt::Debug for Document {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Document").field("name", &self.name).finish_non_exhaustive()
    }
}

impl Document {
    /// Line and column of a byte, both from 1; the column counts characters.
    pub(crate) fn line_column(&self, position: usize) -> (usize, usize) {
        let before = self.before(position);
        let line_start = before.rfind('\n').map_or(0, |i| i + 1);
        let line = before.matches('\n').count() + 1;
        (line, before.get(line_start..).map_or(0, |l| l.chars().count()) + 1)
    }

    /// The text before a byte; a byte inside a character counts as its start.
    pub(crate) fn before(&self, position: usize) -> &str {
        let mut end = position.min(self.text.len());
        while !self.text.is_char_boundary(end) {
            end -= 1;
        }
        self.text.get(..end).unwrap_or_default()
    }
}

/// A place: a document and a range of bytes in it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Place {
    /// The first byte's position among all documents, to tell which place comes first.
    pub(crate) position: usize,
    pub(crate) document: Arc<Document>,
    pub(crate) span: Range<usize>,
}

/// All documents of one load, each with the position of its first byte.
#[derive(Clone, Debug, Default)]
pub(crate) struct Documents {
    list: Vec<(usize, Arc<Document>)>,
}

impl Documents {
    /// Adds a document and gives the position of its first byte. One position is left
    /// free behind each, for what is missing at the end of a file.
    pub(crate) fn add(&mut self, document: Document) -> (usize, Arc<Document>) {
        let base = self.list.last().map_or(0, |(base, last)| base + last.text.len() + 1);
        let document = Arc::new(document);
        self.list.push((base, Arc::clone(&document)));
        (base, document)
    }

    /// The place of a span; none if there is no document at all.
    pub(crate) fn place(&self, span: &Range<usize>) -> Option<Place> {
        let next = self.list.partition_point(|&(base, _)| base <= span.start);
        let (base, document) = self.list.get(next.checked_sub(1)?)?;
        let local = |position: usize| (position - base).min(document.text.len());
        Some(Place {
            position: span.start,
            document: Arc::clone(document),
            span: local(span.start)..local(span.end.max(span.start)),
        })
    }

    /// The documents in the order they were added, each with its first position.
    pub(crate) fn iter(&self) -> impl Iterator<Item = (usize, &Arc<Document>)> {
        self.list.iter().map(|(base, document)| (*base, document))
    }

    /// The directory of the document a span lies in.
    pub(crate) fn directory(&self, span: &Range<usize>) -> PathBuf {
        self.place(span).map_or_else(PathBuf::new, |place| place.document.directory.clone())
    }
}

/// A path as the settings mean it: relative to the directory of the file that says it.
pub(crate) fn resolve(directory: &Path, path: &str) -> PathBuf {
    directory.join(path)
}

/// The same table with every span moved by `base`.
pub(crate) fn moved(table: DeTable<'_>, base: usize) -> DeTable<'_> {
    table
        .into_iter()
        .map(|(key, value)| {
            let span = key.span();
            let key = Spanned::new(span.start + base..span.end + base, key.into_inner());
            (key, moved_value(value, base))
        })
        .collect()
}

/// The same value with every span moved by `base`.
pub(crate) fn moved_value(value: Value<'_>, base: usize) -> Value<'_> {
    let span = value.span();
    let inner = match value.into_inner() {
        DeValue::Array(array) => DeValue::Array(
            array.into_iter().map(|item| moved_value(item, base)).collect::<DeArray<'_>>(),
        ),
        DeValue::Table(table) => DeValue::Table(moved(table, base)),
        other => other,
    };
    Spanned::new(span.start + base..span.end + base, inner)
}
