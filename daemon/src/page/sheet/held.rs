//! The line of truth, and what is held of which instrument.

use super::Sheet;
use super::evidence::{Evidence, strip};
use super::figures::{plain, signed, typeset};
use super::local::long;
use super::source::Source;
use crate::newest::Newest;
use crate::page::health::Wrong;
use maud::{Markup, html};
use observation::{Diagnosis, Quantity};
use quality::diagnosis::Cause;

/// Most that is told in the line of truth of either kind; rows and list below have it all.
const WRONG: usize = 4;
const HELD: usize = 2;

/// How many stations, how old the newest value, and the worst there is to know.
pub fn truth(sheet: &Sheet<'_>) -> Markup {
    let texts = sheet.texts;
    let stations = &sheet.snapshot.property.stations;
    let newest = sheet.newest.iter().map(|n| n.time).max();
    let age = newest.map_or_else(
        || texts.nothing_heard.to_owned(),
        |time| format!("{} {}", texts.newest, long(sheet.now - time)),
    );
    let named = |wrong: &Wrong| match wrong {
        Wrong::Silent { station } => sheet.station_name(station),
        _ => String::new(),
    };
    let mut worst: Vec<String> =
        sheet.wrong.iter().take(WRONG).map(|wrong| (texts.wrong)(wrong, &named(wrong))).collect();
    let diagnoses = &sheet.snapshot.diagnoses;
    worst.extend(
        diagnoses
            .iter()
            .take(HELD)
            .map(|d| format!("{}: {}", subject(sheet, d), texts.cause(&d.cause))),
    );
    let more = sheet.wrong.len().saturating_sub(WRONG) + diagnoses.len().saturating_sub(HELD);
    if more > 0 {
        worst.push((texts.and_more)(more));
    }
    if worst.is_empty() {
        worst.push(texts.no_fault.to_owned());
    }
    let count = stations.len();
    let noun = if count == 1 { texts.station } else { texts.stations };
    html! { p.truth id="truth" role="status" { (count) " " (noun) ", " (age) "; " (worst.join("; ")) } }
}

/// Whom a diagnosis speaks of.
pub fn subject(sheet: &Sheet<'_>, said: &Diagnosis) -> String {
    let Some(id) = &said.station else { return sheet.texts.several.to_owned() };
    let name = sheet.station_name(id);
    match &said.instrument {
        Some(instrument) => format!("{name} {}", instrument.replace('_', " ")),
        None => format!("{name}, {}", sheet.texts.whole_station),
    }
}

/// Every diagnosis with its evidence and what to do, cautions first.
pub fn diagnoses(sheet: &Sheet<'_>, source: &Source<'_>, evidence: &[Evidence]) -> Markup {
    let texts = sheet.texts;
    html! {
        section id="diagnoses" aria-labelledby="diagnoses-h" {
            h2 id="diagnoses-h" { (texts.diagnoses) }
            @if sheet.snapshot.diagnoses.is_empty() { p { (texts.no_diagnoses) } }
            @for (place, said) in sheet.snapshot.diagnoses.iter().enumerate() {
                (diagnosis(sheet, said, source, evidence.iter().find(|e| e.place == place)))
            }
        }
    }
}

fn diagnosis(
    sheet: &Sheet<'_>,
    said: &Diagnosis,
    source: &Source<'_>,
    evidence: Option<&Evidence>,
) -> Markup {
    let texts = sheet.texts;
    let words = Cause::parse(&said.cause).map(texts.causes);
    let rests_on =
        (texts.rests_on)(said, sheet.shown).unwrap_or_else(|| typeset(&said.evidence.words));
    html! {
        article.held data-cause=(said.cause) {
            h3 { (subject(sheet, said)) ": " (texts.cause(&said.cause)) }
            p {
                (texts.since) " " (sheet.local.dated(said.since))
                @if let Some(size) = size(sheet, said) { ", " (texts.size) " " (size) }
                ", " (texts.sureness) " " (format!("{:.2}", said.confidence))
            }
            @if let Some(words) = words {
                p { (words.about) }
                @if !words.cautions.is_empty() { p.caution { strong { (texts.cautions) ": " } (words.cautions) } }
                p { strong { (texts.remedy) ": " } (words.remedy) }
            }
            p.evidence {
                strong { (texts.evidence) ": " } (rests_on)
                @if let Some(station) = &said.station {
                    " (" a href={ "/?range=barogram-week&until=" (said.evidence.to) "&station=" (station) } { (texts.see_panes) } ")"
                }
            }
            @if let Some(found) = evidence {
                (strip(source, found, &format!("{}: {}", texts.evidence, subject(sheet, said))))
            }
        }
    }
}

/// By how much an instrument is off, in the unit of its quantity or as its cause says.
fn size(sheet: &Sheet<'_>, said: &Diagnosis) -> Option<String> {
    let size = said.size?;
    Some(match Cause::parse(&said.cause)?.unit() {
        "Cel" => sheet.shown.difference(Quantity::AirTemperature, size, true),
        "%" => sheet.shown.difference(Quantity::RelativeHumidity, size, true),
        "hPa" => sheet.shown.difference(Quantity::SurfaceAirPressure, size, true),
        "m/s" => sheet.shown.difference(Quantity::WindSpeed, size, true),
        "deg" => sheet.shown.difference(Quantity::WindFromDirection, size, true),
        // Charts of gauges tell a ratio, not a depth: it stands in what they rest on.
        "mm" => return None,
        "1" => format!("{}\u{a0}\u{d7}", plain(size, 2)),
        unit => format!("{}\u{a0}{unit}", signed(size, 2)),
    })
}

/// Whether a value may be shown as the present one.
pub fn present<'a>(newest: &'a Newest<'a>) -> Option<i64> {
    newest.value.filter(|_| newest.fresh)
}
