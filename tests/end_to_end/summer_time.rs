//! The page on the nights on which summer time begins and ends, in a browser whose own
//! clock is elsewhere. In the United Kingdom it began on 29 March 2026 at 01:00 UTC and
//! ended on 25 October 2026 at 01:00 UTC (The Summer Time Order 2002, SI 2002/262: last
//! Sundays of March and October, one o'clock Greenwich mean time).

use crate::settings::write;
use isobarn_tests::browser::Browser;
use isobarn_tests::program::{Program, command};
use observation::{Span, Time};
use std::collections::BTreeMap;

const BEFORE: &str = "2026-03-28T00:00:00Z";
const AUTUMN: &str = "2026-10-24T00:00:00Z";

/// Invented air temperatures of two times three days, one in ten minutes: hours since the
/// first, so that each hour can be told by its value.
fn record() -> String {
    let mut text = String::new();
    for start in [BEFORE, AUTUMN] {
        let start = Time::parse(start).unwrap();
        for n in 0..3 * 144 {
            let (time, value) = (start + Span::minutes(10 * n), (n / 6) as f64 / 10.0);
            text.push_str(&format!(
                "{{\"time\":\"{time}\",\"station\":\"orchard\",\"channel\":\"t\",\"value\":{value:.1}}}\n"
            ));
        }
    }
    text
}

/// Labels of the axis and where they stand, per cent of the width.
fn labels(browser: &Browser) -> BTreeMap<String, f64> {
    let found = browser.run(
        "return [...document.querySelectorAll('#warmth text.tick')].map(t => [t.textContent, t.getAttribute('x')])",
    );
    let pairs = found.as_array().unwrap_or_else(|| panic!("no labels: {found}"));
    pairs
        .iter()
        .map(|pair| {
            let at = pair[1].as_str().unwrap().trim_end_matches('%').parse().unwrap();
            (pair[0].as_str().unwrap().to_owned(), at)
        })
        .collect()
}

/// Hours of the table under the panes, the newest first, with their mean temperature.
fn hours(browser: &Browser) -> Vec<(String, String)> {
    let found = browser.run(
        "const table = document.querySelector('#right details table');
         const air = [...table.tHead.rows[0].cells].findIndex(c => c.textContent === 'air temperature');
         return [...table.tBodies[0].rows].map(r => [r.cells[0].textContent, r.cells[air].textContent])",
    );
    let rows = found.as_array().unwrap_or_else(|| panic!("no rows: {found}"));
    rows.iter()
        .map(|row| (row[0].as_str().unwrap().to_owned(), row[1].as_str().unwrap().to_owned()))
        .collect()
}

#[test]
fn a_night_has_the_hours_that_it_has_whatever_zone_the_browser_is_in() {
    let folder = tempfile::tempdir().unwrap();
    let settings = write(folder.path(), "");
    let input = folder.path().join("record.jsonl");
    std::fs::write(&input, record()).unwrap();
    let (config, input) = (settings.to_str().unwrap(), input.to_str().unwrap());
    let output = command(&["import", "--config", config, "--input", input]);
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let program = Program::run(&settings);
    let browser = Browser::start();
    let zone = serde_json::json!({ "timezoneId": "America/St_Johns" });
    browser.command("Emulation.setTimezoneOverride", &zone);
    browser.look(1_280, false);

    // Midnight to six o'clock by the clock: five hours in March, seven in October.
    for (until, midnight, passed) in
        [("2026-03-29T11:00:00Z", "29 Mar", 5.0), ("2026-10-25T12:00:00Z", "25 Oct", 7.0)]
    {
        let address = program.address("http");
        browser.open(&format!("http://{address}/?range=24h&until={until}&station=orchard"));
        let labels = labels(&browser);
        let apart = labels["06:00"] - labels[midnight];
        assert!((apart - passed / 24.0 * 100.0).abs() < 0.2, "{apart}: {labels:?}");
        // The other hours are three apart.
        let plain = labels["21:00"] - labels["18:00"];
        assert!((plain - 12.5).abs() < 0.2, "{plain}: {labels:?}");
        let hours = hours(&browser);
        assert_eq!(hours.len(), 24, "{hours:?}");
        let named = |part: &str| hours.iter().filter(|h| h.0.contains(part)).collect::<Vec<_>>();
        if midnight == "29 Mar" {
            // Its second hour, from one o'clock, is left out: clocks show two.
            assert!(named("01:00\u{2013}").is_empty(), "{hours:?}");
            assert_eq!(named("29 Mar 02:00\u{2013}03:00").len(), 1, "{hours:?}");
        } else {
            // The hour from one o'clock comes twice: hours 24 and 25 of the record.
            let twice: Vec<&str> =
                named("25 Oct 01:00\u{2013}").iter().map(|h| h.1.as_str()).collect();
            assert_eq!(twice, ["2.5\u{a0}\u{b0}C", "2.4\u{a0}\u{b0}C"], "{hours:?}");
        }
    }

    // The days are 23 and 25 hours long: the record rises, so the highest is the reading at
    // the midnight that ends them, 23:00 UTC in March (hour 47), 00:00 in October (hour 48).
    for (until, day, highest) in
        [("2026-03-31T00:00:00Z", "29 Mar", "4.7"), ("2026-10-26T12:00:00Z", "25 Oct", "4.8")]
    {
        let address = program.address("http");
        browser.open(&format!("http://{address}/?range=dekad&until={until}&station=orchard"));
        let found = browser.run(
            "return [...document.querySelectorAll('#days tbody tr')].map(r => [...r.cells].map(c => c.textContent))",
        );
        let rows = found.as_array().unwrap();
        let row = rows
            .iter()
            .find(|r| r[0].as_str().unwrap().starts_with(day))
            .unwrap_or_else(|| panic!("no {day}: {found}"));
        assert!(row[1].as_str().unwrap().starts_with(highest), "{row}");
    }
}
