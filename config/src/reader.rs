//! Reading a table key by key, collecting faults instead of stopping at the first.
//!
//! Whoever reads a table asks it for every key it knows; when it is finished, the keys
//! nobody asked for are unknown. A value that is refused has told why at its own place,
//! and the reader goes on.

use crate::adapter::known_keys;
use crate::document::{Documents, Place};
use crate::fault::Fault;
use std::cell::RefCell;
use std::ops::{Range, RangeInclusive};
use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// Most faults of one run; a file that has more is another kind of file.
const MOST_FAULTS: usize = 200;

/// Where faults and warnings are collected.
pub(crate) struct Report<'r> {
    pub(crate) documents: &'r Documents,
    faults: RefCell<Vec<Fault>>,
    warnings: RefCell<Vec<Fault>>,
}

impl<'r> Report<'r> {
    pub(crate) fn new(documents: &'r Documents, faults: Vec<Fault>) -> Self {
        Self { documents, faults: RefCell::new(faults), warnings: RefCell::default() }
    }

    /// Something is wrong at `span`; `help` says what to write instead.
    pub(crate) fn fault(&self, span: &Range<usize>, message: &str, help: &str) {
        let help = (!help.is_empty()).then_some(help);
        self.push(Fault::at(self.place(span), message, help));
    }

    pub(crate) fn push(&self, fault: Fault) {
        let mut faults = self.faults.borrow_mut();
        if faults.len() < MOST_FAULTS {
            faults.push(fault);
        }
    }

    /// Something at `span` is allowed but probably not meant.
    pub(crate) fn warn(&self, span: &Range<usize>, message: &str, help: &str) {
        let help = (!help.is_empty()).then_some(help);
        self.warnings.borrow_mut().push(Fault::at(self.place(span), message, help));
    }

    pub(crate) fn place(&self, span: &Range<usize>) -> Option<Place> {
        self.documents.place(span)
    }

    /// How many faults so far.
    pub(crate) fn count(&self) -> usize {
        self.faults.borrow().len()
    }

    /// Faults and warnings.
    pub(crate) fn into_parts(self) -> (Vec<Fault>, Vec<Fault>) {
        (self.faults.into_inner(), self.warnings.into_inner())
    }
}

/// A table being read.
pub(crate) struct Table<'r> {
    pub(crate) report: &'r Report<'r>,
    /// What it is called in messages, such as `[history]`.
    pub(crate) name: String,
    /// Its place: the header, or the braces.
    pub(crate) span: Range<usize>,
    map: &'r DeTable<'r>,
    asked: RefCell<Vec<&'static str>>,
}

/// A value being read.
#[derive(Clone)]
pub(crate) struct Item<'r> {
    pub(crate) report: &'r Report<'r>,
    /// Its key, or that of the list it stands in.
    pub(crate) key: String,
    pub(crate) span: Range<usize>,
    pub(crate) value: &'r DeValue<'r>,
}

impl<'r> Table<'r> {
    pub(crate) fn new(
        report: &'r Report<'r>,
        name: &str,
        span: Range<usize>,
        map: &'r DeTable<'r>,
    ) -> Self {
        Self { report, name: name.to_owned(), span, map, asked: RefCell::default() }
    }

    /// The value of a key, if it is there.
    pub(crate) fn item(&self, key: &'static str) -> Option<Item<'r>> {
        self.asked.borrow_mut().push(key);
        self.map.get(key).map(|value| self.found(key, value))
    }

    /// The value of a key that must be there; `example` is shown where it is not.
    pub(crate) fn required(&self, key: &'static str, example: &str) -> Option<Item<'r>> {
        let item = self.item(key);
        if item.is_none() {
            self.missing(key, example);
        }
        item
    }

    /// Says that a key is missing.
    pub(crate) fn missing(&self, key: &str, example: &str) {
        let message = format!("`{key}` is missing in {}", self.name);
        self.report.fault(&self.span, &message, &format!("write {key} = {example}"));
    }

    /// The same under another name in messages.
    pub(crate) fn named(self, name: String) -> Self {
        Self { name, ..self }
    }

    /// A table that may be left out: an absent one reads as empty.
    pub(crate) fn table(&self, key: &'static str) -> Option<Table<'r>> {
        self.item(key)?.table(&format!("[{key}]"))
    }

    /// All keys and values, in the order of their places, each counted as asked for.
    pub(crate) fn entries(self) -> Vec<(Spanned<String>, Item<'r>)> {
        let mut entries: Vec<_> = self
            .map
            .iter()
            .map(|(key, value)| {
                let name = key.get_ref().clone().into_owned();
                let item = self.found(&name, value);
                (Spanned::new(key.span(), name), item)
            })
            .collect();
        entries.sort_by_key(|(key, _)| key.span().start);
        entries
    }

    fn found(&self, key: &str, value: &'r Spanned<DeValue<'r>>) -> Item<'r> {
        Item {
            report: self.report,
            key: key.to_owned(),
            span: value.span(),
            value: value.get_ref(),
        }
    }

    /// Tells the keys that nobody asked for.
    pub(crate) fn finish(self) {
        let asked = self.asked.into_inner();
        for key in self.map.keys() {
            let name = key.get_ref().as_ref();
            if !asked.contains(&name) {
                let message = format!("unknown key `{name}` in {}", self.name);
                self.report.fault(&key.span(), &message, &known_keys(name, &asked));
            }
        }
    }
}

impl<'r> Item<'r> {
    /// Says what is wrong with this value.
    pub(crate) fn fault(&self, message: &str, help: &str) {
        self.report.fault(&self.span, message, help);
    }

    /// Says that another type is wanted.
    pub(crate) fn wanted<T>(&self, what: &str, example: &str) -> Option<T> {
        let message = format!("`{}` is {what}, not {}", self.key, type_name(self.value));
        self.fault(&message, &format!("write {} = {example}", self.key));
        None
    }

    /// A text.
    pub(crate) fn text(&self) -> Option<&'r str> {
        match self.value {
            DeValue::String(text) => Some(text.as_ref()),
            _ => self.wanted("a text", "\"...\""),
        }
    }

    /// A text that is not empty and has no control characters, at most 200 characters.
    pub(crate) fn line(&self) -> Option<&'r str> {
        let text = self.text()?;
        if text.trim().is_empty() || text.chars().count() > 200 || text.contains(char::is_control) {
            self.fault(&format!("`{}` is one line of 1 to 200 characters", self.key), "");
            return None;
        }
        Some(text)
    }

    /// An identifier: 1 to 64 letters, digits, `_` and `-`.
    pub(crate) fn identifier(&self) -> Option<&'r str> {
        let text = self.text()?;
        if is_identifier(text) {
            return Some(text);
        }
        let meant: String = text
            .chars()
            .map(|c| if c.is_ascii_alphanumeric() { c } else { '_' })
            .take(64)
            .collect();
        let message = format!("`{}` is 1 to 64 letters, digits, `_` and `-`", self.key);
        let help = if meant.trim_matches('_').is_empty() {
            String::new()
        } else {
            format!("write {} = \"{}\"", self.key, meant.trim_matches('_'))
        };
        self.fault(&message, &help);
        None
    }

    /// One of several words.
    pub(crate) fn choice<T: Copy>(&self, words: &[(&'static str, T)]) -> Option<T> {
        let text = self.text()?;
        let found = words.iter().find(|(word, _)| *word == text).map(|&(_, meaning)| meaning);
        if found.is_none() {
            let known: Vec<&str> = words.iter().map(|&(word, _)| word).collect();
            let message = format!("`{}` cannot be `{text}`", self.key);
            self.fault(&message, &format!("write one of \"{}\"", known.join("\", \"")));
        }
        found
    }

    /// `true` or `false`.
    pub(crate) fn boolean(&self) -> Option<bool> {
        match self.value {
            DeValue::Boolean(truth) => Some(*truth),
            _ => self.wanted("true or false", "true"),
        }
    }

    /// A finite number, whole or not, without unit.
    pub(crate) fn number(&self, example: &str) -> Option<f64> {
        let number = match self.value {
            DeValue::Integer(n) => n.to_string().parse::<f64>().ok().or_else(|| {
                i64::from_str_radix(n.as_str(), n.radix()).ok().map(|whole| whole as f64)
            }),
            DeValue::Float(n) => n.as_str().parse::<f64>().ok(),
            _ => return self.wanted("a number", example),
        };
        match number.filter(|n| n.is_finite()) {
            Some(number) => Some(number),
            None => self.wanted("a finite number", example),
        }
    }

    /// A whole number within limits.
    pub(crate) fn whole(&self, limits: RangeInclusive<i64>, example: &str) -> Option<i64> {
        let DeValue::Integer(number) = self.value else {
            return self.wanted("a whole number", example);
        };
        let number = i64::from_str_radix(number.as_str(), number.radix()).ok();
        if let Some(number) = number.filter(|n| limits.contains(n)) {
            return Some(number);
        }
        let message = format!("`{}` is from {} to {}", self.key, limits.start(), limits.end());
        self.fault(&message, &format!("write {} = {example}", self.key));
        None
    }

    /// A table.
    pub(crate) fn table(&self, name: &str) -> Option<Table<'r>> {
        match self.value {
            DeValue::Table(map) => Some(Table::new(self.report, name, self.span.clone(), map)),
            _ => self.wanted("a table", "{ ... }"),
        }
    }

    /// A list.
    pub(crate) fn list(&self, example: &str) -> Option<Vec<Item<'r>>> {
        let DeValue::Array(array) = self.value else {
            return self.wanted("a list", example);
        };
        Some(
            array
                .iter()
                .map(|item| Item {
                    report: self.report,
                    key: self.key.clone(),
                    span: item.span(),
                    value: item.get_ref(),
                })
                .collect(),
        )
    }

    /// A list of tables, at most `most`; `name` is each one's name in messages. What is
    /// no table is told and left out.
    pub(crate) fn tables(&self, name: &str, most: usize) -> Vec<Table<'r>> {
        if let DeValue::Table(_) = self.value {
            let message = format!("`{}` is a list of tables", self.key);
            self.fault(&message, &format!("write {name} in double brackets, or a list of braces"));
            return Vec::new();
        }
        let items = self.list("[{ ... }]").unwrap_or_default();
        if items.len() > most {
            self.fault(&format!("`{}` has more than {most} entries", self.key), "");
            return Vec::new();
        }
        items.iter().filter_map(|item| item.table(name)).collect()
    }
}

/// Whether a text is an identifier: 1 to 64 letters, digits, `_` and `-`.
pub(crate) fn is_identifier(text: &str) -> bool {
    (1..=64).contains(&text.len())
        && text.bytes().all(|b| b.is_ascii_alphanumeric() || b == b'_' || b == b'-')
}

fn type_name(value: &DeValue<'_>) -> &'static str {
    match value {
        DeValue::String(_) => "a text",
        DeValue::Integer(_) => "a whole number",
        DeValue::Float(_) => "a number",
        DeValue::Boolean(_) => "true or false",
        DeValue::Datetime(_) => "a date or time",
        DeValue::Array(_) => "a list",
        DeValue::Table(_) => "a table",
    }
}
