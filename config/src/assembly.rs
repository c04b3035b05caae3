//! One document out of several: the file, the files of `conf.d` beside it in the order
//! of their names, and the `--set KEY=VALUE` of the command line.
//!
//! A table may not be given twice and arrays append; only `source` and `forward` and the
//! kinds below them are shared between files. A `--set` replaces.

use crate::document::{Document, Documents, Kind, Value, moved, moved_value};
use crate::fault::Fault;
use crate::words;
use std::borrow::Cow;
use std::path::{Path, PathBuf};
use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// Longest file, in bytes.
const LARGEST_FILE: usize = 4 << 20;
/// Most files in `conf.d`.
const MOST_FILES: usize = 1_000;
/// Longest `--set`, in bytes.
const LONGEST_OVERRIDE: usize = 64 << 10;

/// Reads the file, its `conf.d` and the overrides.
///
/// # Errors
/// What cannot be read, is too large or is no text.
pub(crate) fn read(path: &Path, overrides: &[String]) -> Result<Documents, Vec<Fault>> {
    let mut documents = Documents::default();
    let mut faults = Vec::new();
    let directory = path.parent().map(Path::to_path_buf).unwrap_or_default();
    let mut files = vec![path.to_path_buf()];
    match fragments(&directory) {
        Ok(found) => files.extend(found),
        Err(fault) => faults.push(fault),
    }
    for file in files {
        match text_of(&file) {
            Ok(text) => {
                documents.add(Document {
                    name: file.display().to_string(),
                    directory: directory.clone(),
                    text,
                    kind: Kind::File,
                });
            }
            Err(fault) => faults.push(fault),
        }
    }
    for text in overrides {
        add_override(&mut documents, text, &directory, &mut faults);
    }
    if faults.is_empty() { Ok(documents) } else { Err(faults) }
}

/// The documents of a text that stands for a file, for tests.
pub(crate) fn of_text(name: &str, directory: &Path, text: &str) -> Documents {
    let mut documents = Documents::default();
    documents.add(Document {
        name: name.to_owned(),
        directory: directory.to_path_buf(),
        text: text.to_owned(),
        kind: Kind::File,
    });
    documents
}

/// The files of `conf.d`, in the order of their names.
fn fragments(directory: &Path) -> Result<Vec<PathBuf>, Fault> {
    let folder = directory.join("conf.d");
    let unreadable = |e: &std::io::Error| {
        Fault::without_place(&folder.display().to_string(), &format!("cannot be read: {e}"), None)
    };
    let entries = match std::fs::read_dir(&folder) {
        Ok(entries) => entries,
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => return Ok(Vec::new()),
        Err(e) => return Err(unreadable(&e)),
    };
    let mut files = Vec::new();
    for entry in entries {
        let file = entry.map_err(|e| unreadable(&e))?.path();
        let hidden = file.file_name().is_none_or(|n| n.as_encoded_bytes().starts_with(b"."));
        if !hidden && file.extension().is_some_and(|e| e == "toml") {
            files.push(file);
        }
        if files.len() > MOST_FILES {
            return Err(Fault::without_place(
                &folder.display().to_string(),
                &format!("has more than {MOST_FILES} files"),
                None,
            ));
        }
    }
    files.sort();
    Ok(files)
}

/// The text of a file.
fn text_of(file: &Path) -> Result<String, Fault> {
    use std::io::Read as _;
    let name = file.display().to_string();
    let cannot = |message: &str, help: Option<&str>| Fault::without_place(&name, message, help);
    let opened = std::fs::File::open(file).map_err(|e| {
        cannot(&format!("cannot be read: {e}"), Some("give the settings file with --config FILE"))
    })?;
    let mut bytes = Vec::new();
    opened
        .take(LARGEST_FILE as u64 + 1)
        .read_to_end(&mut bytes)
        .map_err(|e| cannot(&format!("cannot be read: {e}"), None))?;
    if bytes.len() > LARGEST_FILE {
        return Err(cannot("is longer than 4 MiB; this is no settings file", None));
    }
    String::from_utf8(bytes).map_err(|e| {
        let valid = e.utf8_error().valid_up_to();
        let text = String::from_utf8_lossy(e.as_bytes()).into_owned();
        let documents = of_text(&name, Path::new(""), &text);
        Fault::at(
            documents.place(&(valid..valid + 1)),
            "this is not UTF-8 text",
            Some("save the file as UTF-8"),
        )
    })
}

/// Adds `KEY=VALUE` as a document of its own.
fn add_override(documents: &mut Documents, text: &str, directory: &Path, faults: &mut Vec<Fault>) {
    let key = override_key(text).map_or("KEY=VALUE", |(key, _)| key.trim());
    let (base, document) = documents.add(Document {
        name: format!("--set {key}"),
        directory: directory.to_path_buf(),
        text: text.get(..LONGEST_OVERRIDE).unwrap_or(text).to_owned(),
        kind: Kind::Override,
    });
    if text.len() > LONGEST_OVERRIDE {
        faults.push(Fault::at(
            documents.place(&(base..base)),
            "this is longer than 64 KiB",
            Some("put it into the settings file"),
        ));
    } else if let Err(fault) = parse_override(&document, base, documents) {
        faults.push(fault);
    }
}

/// Splits at the first `=` outside quotes.
fn override_key(text: &str) -> Option<(&str, usize)> {
    let mut quote = None;
    for (i, c) in text.char_indices() {
        match (quote, c) {
            (None, '"' | '\'') => quote = Some(c),
            (Some(open), c) if open == c => quote = None,
            (None, '=') => return text.get(..i).map(|key| (key, i + 1)),
            _ => {}
        }
    }
    None
}

/// The path of keys and the value of an override, in the positions of all documents.
type Override<'a> = (Vec<Spanned<Cow<'a, str>>>, Value<'a>);

fn parse_override<'a>(
    document: &'a Document,
    base: usize,
    documents: &Documents,
) -> Result<Override<'a>, Fault> {
    const FORM: &str = "write it like --set history.directory='\"/srv/isobarn\"'";
    let whole = base..base + document.text.len();
    let fault = |message: &str| Fault::at(documents.place(&whole), message, Some(FORM));
    let (key, value_start) =
        override_key(&document.text).ok_or_else(|| fault("an override is KEY=VALUE"))?;
    let keys = dotted(key).ok_or_else(|| fault("the key is not a dotted TOML key"))?;
    let keys = keys.into_iter().map(|key| Spanned::new(whole.clone(), Cow::Owned(key))).collect();
    let after = document.text.get(value_start..).unwrap_or_default();
    let text = after.trim();
    let value_base = base + value_start + (after.len() - after.trim_start().len());
    let value = match DeValue::parse(text) {
        Ok(value) => moved_value(value, value_base),
        // A shell eats quotes: what cannot be anything else is taken as text.
        Err(_) if bare(text) => {
            Spanned::new(value_base..value_base + text.len(), DeValue::String(text.into()))
        }
        Err(e) => {
            let span = e.span().unwrap_or(0..text.len());
            return Err(Fault::at(
                documents.place(&(span.start + value_base..span.end + value_base)),
                &format!("the value is not TOML: {}", e.message()),
                Some(FORM),
            ));
        }
    };
    Ok((keys, value))
}

/// Whether a text may stand for itself without quotes.
fn bare(text: &str) -> bool {
    !text.is_empty()
        && !text.starts_with(['[', '{', '"', '\''])
        && !text.chars().any(|c| c.is_control() || c == '"' || c == '\'')
}

/// The parts of a dotted key, quoted or bare.
fn dotted(key: &str) -> Option<Vec<String>> {
    if key.contains('\n') {
        return None;
    }
    let text = format!("{key} = 0");
    let mut table = DeTable::parse(&text).ok()?.into_inner();
    let mut keys = Vec::new();
    loop {
        if table.len() != 1 {
            return None;
        }
        let (key, value) = table.into_iter().next()?;
        keys.push(key.into_inner().into_owned());
        match value.into_inner() {
            DeValue::Table(inner) => table = inner,
            DeValue::Integer(_) => return Some(keys),
            _ => return None,
        }
    }
}

/// The whole document. What does not merge is left out and told.
pub(crate) fn assemble(documents: &Documents) -> (Value<'_>, Vec<Fault>) {
    let mut faults = Vec::new();
    let mut root = DeTable::new();
    let mut end = 0;
    let mut broken = false;
    for (base, document) in documents.iter().filter(|(_, d)| d.kind == Kind::File) {
        end = base + document.text.len();
        match DeTable::parse(&document.text) {
            Ok(table) => {
                let table = moved(table.into_inner(), base);
                merge(&mut root, table, &mut Vec::new(), documents, &mut faults);
            }
            Err(e) => {
                broken = true;
                let span = e.span().unwrap_or(0..0);
                let message = format!("this is not TOML: {}", e.message());
                let place = documents.place(&(span.start + base..span.end + base));
                faults.push(Fault::at(place, &message, words::of_grammar(e.message())));
            }
        }
    }
    if broken {
        // What is missing because a file could not be read is no fault of its own.
        return (Spanned::new(0..0, DeValue::Table(DeTable::new())), faults);
    }
    for (base, document) in documents.iter().filter(|(_, d)| d.kind == Kind::Override) {
        match parse_override(document, base, documents) {
            Ok((keys, value)) => {
                let span = base..base + document.text.len();
                if let Err(message) = set(&mut root, &keys, value) {
                    faults.push(Fault::at(documents.place(&span), &message, None));
                }
            }
            Err(fault) => faults.push(fault),
        }
    }
    (Spanned::new(0..end, DeValue::Table(root)), faults)
}

/// Whether files may share the table at this path.
fn shared(path: &[String]) -> bool {
    match path {
        [] => true,
        [family] | [family, _] => family == "source" || family == "forward",
        _ => false,
    }
}

fn merge<'a>(
    into: &mut DeTable<'a>,
    from: DeTable<'a>,
    path: &mut Vec<String>,
    documents: &Documents,
    faults: &mut Vec<Fault>,
) {
    for (key, value) in from {
        let name = key.get_ref().clone().into_owned();
        let Some((held_key, held)) = into.remove_entry(name.as_str()) else {
            into.insert(key, value);
            continue;
        };
        let (mut held, at) = (held, held_key.span());
        path.push(name);
        match (held.get_mut(), value.into_inner()) {
            (DeValue::Array(held), DeValue::Array(more)) => {
                for item in more {
                    held.push(item);
                }
            }
            (DeValue::Table(held), DeValue::Table(more)) if shared(path) => {
                merge(held, more, path, documents, faults);
            }
            _ => {
                let first = documents.place(&at).map_or_else(String::new, |place| {
                    let (line, column) = place.document.line_column(place.span.start);
                    format!("{}:{line}:{column}", place.document.name)
                });
                faults.push(Fault::at(
                    documents.place(&key.span()),
                    &format!("`{}` is already given at {first}", path.join(".")),
                    Some("keep it in one file; only arrays such as [[station]] append"),
                ));
            }
        }
        path.pop();
        into.insert(held_key, held);
    }
}

/// Puts `value` at the path of `keys`, through arrays by number.
fn set<'a>(
    table: &mut DeTable<'a>,
    keys: &[Spanned<Cow<'a, str>>],
    value: Value<'a>,
) -> Result<(), String> {
    let Some((key, rest)) = keys.split_first() else {
        return Err("an override needs a key".to_owned());
    };
    let name = key.get_ref().as_ref();
    if rest.is_empty() {
        table.remove(name);
        table.insert(key.clone(), value);
        return Ok(());
    }
    if !table.contains_key(name) {
        table.insert(key.clone(), Spanned::new(key.span(), DeValue::Table(DeTable::new())));
    }
    let inner = table.get_mut(name).ok_or("an override needs a key")?;
    set_inside(inner, name, rest, value)
}

fn set_inside<'a>(
    inner: &mut Value<'a>,
    name: &str,
    rest: &[Spanned<Cow<'a, str>>],
    value: Value<'a>,
) -> Result<(), String> {
    match inner.get_mut() {
        DeValue::Table(table) => set(table, rest, value),
        DeValue::Array(array) => {
            let Some((number, rest)) = rest.split_first() else {
                return Err(format!("`{name}` is a list; name one entry by its number from 0"));
            };
            let item = number
                .get_ref()
                .parse::<usize>()
                .ok()
                .and_then(|i| array.get_mut(i))
                .ok_or_else(|| format!("`{name}` has no entry `{}`", number.get_ref()))?;
            if rest.is_empty() {
                *item = value;
                return Ok(());
            }
            set_inside(item, number.get_ref(), rest, value)
        }
        _ => Err(format!("`{name}` holds no keys")),
    }
}
