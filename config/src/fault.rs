//! What is wrong in the settings, where, and what to write instead.
//!
//! Every fault is told with the file, the line and the column it begins at; what came
//! from `--set` is told with the key instead. Nothing that was read reaches a terminal
//! with its control characters.

use crate::document::{Kind, Place};
use annotate_snippets::{AnnotationKind, Group, Level, Renderer, Snippet};
use std::fmt;

/// One thing that is wrong in the settings, and what to write instead.
///
/// Displayed as `FILE:LINE:COLUMN: MESSAGE`, or `--set KEY: MESSAGE`, and where there is
/// a remedy a second line `  help: ...`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Fault {
    place: Option<Place>,
    subject: Option<String>,
    message: String,
    help: Option<String>,
}

impl Fault {
    /// A fault without a place in a file; `subject` (a path, a command) stands before it.
    pub fn without_place(subject: &str, message: &str, help: Option<&str>) -> Self {
        Self {
            place: None,
            subject: Some(printable(subject)),
            message: printable(message),
            help: help.map(printable),
        }
    }

    pub(crate) fn at(place: Option<Place>, message: &str, help: Option<&str>) -> Self {
        Self { place, subject: None, message: printable(message), help: help.map(printable) }
    }

    /// What is wrong.
    pub fn message(&self) -> &str {
        &self.message
    }

    /// What to write instead.
    pub fn help(&self) -> Option<&str> {
        self.help.as_deref()
    }

    /// The name of the file as it was given, or `--set KEY`.
    pub fn file(&self) -> Option<&str> {
        self.place.as_ref().map(|p| p.document.name.as_str()).or(self.subject.as_deref())
    }

    /// Line and column, both from 1, the column in characters; none for what has no
    /// place in a file.
    pub fn line_column(&self) -> Option<(usize, usize)> {
        self.place
            .as_ref()
            .filter(|p| p.document.kind == Kind::File)
            .map(|p| p.document.line_column(p.span.start))
    }

    /// The fault with the line it stands in and a mark under the place. Lines end with
    /// a line feed, the last one too.
    pub fn render(&self, colour: bool) -> String {
        let mut out = self.headline(colour);
        out.push('\n');
        if let Some(excerpt) = self.excerpt(colour) {
            out.push_str(&excerpt);
            out.push('\n');
        }
        if let Some(help) = &self.help {
            out.push_str("  help: ");
            out.push_str(help);
            out.push('\n');
        }
        out
    }

    fn headline(&self, colour: bool) -> String {
        let (bold, plain) = if colour { ("\u{1b}[1m", "\u{1b}[0m") } else { ("", "") };
        let file = self.file().map(printable).unwrap_or_default();
        match (file.as_str(), self.line_column()) {
            ("", _) => format!("{bold}{}{plain}", self.message),
            (file, Some((line, column))) => {
                format!("{bold}{file}:{line}:{column}:{plain} {}", self.message)
            }
            (file, None) => format!("{bold}{file}:{plain} {}", self.message),
        }
    }

    /// The one line that holds the start of the place.
    fn excerpt(&self, colour: bool) -> Option<String> {
        const LONGEST: usize = 400;
        let place = self.place.as_ref()?;
        let text = &place.document.text;
        let start = place.document.before(place.span.start).len();
        let line_start = text.get(..start)?.rfind('\n').map_or(0, |i| i + 1);
        let line = text.get(line_start..)?.lines().next().unwrap_or_default();
        if line.trim().is_empty()
            || line.len() > LONGEST
            || line.chars().any(|c| c.is_control() && c != '\t')
        {
            return None;
        }
        let from = (start - line_start).min(line.len());
        let mut to = place.span.end.saturating_sub(line_start).clamp(from, line.len());
        while !line.is_char_boundary(to) {
            to += 1;
        }
        let renderer = if colour { Renderer::styled() } else { Renderer::plain() };
        let (number, _) = place.document.line_column(start);
        let group = Group::with_level(Level::ERROR).element(
            Snippet::source(line)
                .line_start(number)
                .fold(false)
                .annotation(AnnotationKind::Primary.span(from..to)),
        );
        Some(renderer.render(&[group]))
    }
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.headline(false))?;
        match &self.help {
            Some(help) => write!(f, "\n  help: {help}"),
            None => Ok(()),
        }
    }
}

impl std::error::Error for Fault {}

/// All that is wrong, in the order of the files. Never empty.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Faults(Vec<Fault>);

impl Faults {
    /// From what was found; none if nothing was.
    pub fn of(mut found: Vec<Fault>) -> Option<Self> {
        found.sort_by_key(|fault| fault.place.as_ref().map(|p| p.position));
        (!found.is_empty()).then_some(Self(found))
    }

    /// How many.
    pub fn len(&self) -> usize {
        self.0.len()
    }

    /// Never true: there is no such thing as no faults.
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    /// One by one.
    pub fn iter(&self) -> std::slice::Iter<'_, Fault> {
        self.0.iter()
    }

    /// All of them with their lines, one after the other.
    pub fn render(&self, colour: bool) -> String {
        self.0.iter().map(|fault| fault.render(colour)).collect()
    }
}

impl From<Fault> for Faults {
    fn from(fault: Fault) -> Self {
        Self(vec![fault])
    }
}

impl From<Faults> for Vec<Fault> {
    fn from(faults: Faults) -> Self {
        faults.0
    }
}

impl IntoIterator for Faults {
    type Item = Fault;
    type IntoIter = std::vec::IntoIter<Fault>;

    fn into_iter(self) -> Self::IntoIter {
        self.0.into_iter()
    }
}

impl<'a> IntoIterator for &'a Faults {
    type Item = &'a Fault;
    type IntoIter = std::slice::Iter<'a, Fault>;

    fn into_iter(self) -> Self::IntoIter {
        self.iter()
    }
}

impl fmt::Display for Faults {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (i, fault) in self.0.iter().enumerate() {
            if i > 0 {
                f.write_str("\n")?;
            }
            write!(f, "{fault}")?;
        }
        Ok(())
    }
}

impl std::error::Error for Faults {}

/// The text without control characters, at most about a thousand characters.
fn printable(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for (i, c) in text.chars().enumerate() {
        if i >= 1_000 {
            out.push_str(" ...");
            break;
        }
        if c.is_control() {
            out.extend(c.escape_default());
        } else {
            out.push(c);
        }
    }
    out
}
