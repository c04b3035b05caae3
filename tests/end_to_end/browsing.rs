//! The page in a real browser: both widths, light and dark, with and without script, live,
//! looked at by an accessibility engine (axe-core) and a strict HTML parser (html5lib).

use crate::settings::{token, write};
use isobarn_tests::browser::Browser;
use isobarn_tests::program::Program;
use isobarn_tests::push::Client;
use isobarn_tests::wait::until;
use serde_json::Value;
use std::path::PathBuf;
use std::process::Command;
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

fn python() -> Command {
    Command::new(std::env::var("ISOBARN_TESTS_PYTHON").unwrap_or_else(|_| "python3".into()))
}

fn now() -> u64 {
    SystemTime::now().duration_since(UNIX_EPOCH).unwrap().as_secs()
}

/// A service with four hours of an invented afternoon, one of them missing.
fn service(folder: &tempfile::TempDir) -> (Program, Client) {
    // A station with a long name that says nothing: the page must not grow wider by it.
    let more = "\n[page.units]\nwind_speed = \"[kn_i]\"\n\n[[station]]\nid = \"far\"\n\
        name = \"The far end of the long meadow behind the old lime kiln\"\n";
    let program = Program::run(&write(folder.path(), more));
    let client = Client::new();
    let end = now() / 60 * 60;
    for (place, station) in ["orchard", "hedge"].into_iter().enumerate() {
        let records: Vec<String> = (0..240_u64)
            .filter(|minute| !(100..160).contains(minute))
            .map(|minute| {
                let time = end - (240 - minute) * 60;
                let value = 8.0 + (minute as f64 / 60.0).sin() * 3.0 + place as f64 * 0.4;
                format!(r#"{{"n":"{station}/t","u":"Cel","t":{time},"v":{value:.2}}}"#)
            })
            .collect();
        for part in records.chunks(60) {
            let body = format!("[{}]", part.join(","));
            let answer = client.senml(program.address("push"), token(station), &body);
            assert_eq!(answer.status, 204, "{}", answer.body);
        }
    }
    (program, client)
}

/// Where pictures are left to be looked at.
fn pictures() -> PathBuf {
    let target = isobarn_tests::program::binary();
    let folder = target.ancestors().nth(2).unwrap().join("pictures");
    std::fs::create_dir_all(&folder).unwrap();
    folder
}

#[test]
fn the_page_is_sound_at_both_widths_in_light_and_dark_with_and_without_script() {
    let folder = tempfile::tempdir().unwrap();
    let (program, client) = service(&folder);
    let page = format!("http://{}", program.address("http"));
    let drawn = until("the panes", || {
        let answer = client.get(program.address("http"), "/");
        answer.body.contains("id=\"warmth\"").then_some(answer.body)
    });

    // The markup, by a parser that stops at the first fault.
    let script = "import sys,html5lib;html5lib.HTMLParser(strict=True).parse(sys.stdin.read())";
    let file = folder.path().join("page.html");
    std::fs::write(&file, &drawn).unwrap();
    let parsed = python()
        .args(["-c", script])
        .stdin(std::fs::File::open(&file).unwrap())
        .output()
        .expect("html5lib is installed: tests/run --install");
    assert!(parsed.status.success(), "{}", String::from_utf8_lossy(&parsed.stderr));

    let axe = std::env::var_os("ISOBARN_TESTS_AXE").map_or_else(
        || {
            let root = PathBuf::from(env!("CARGO_MANIFEST_DIR"));
            root.join("../target/axe/node_modules/axe-core/axe.min.js")
        },
        PathBuf::from,
    );
    let axe = std::fs::read_to_string(&axe).expect("axe-core is installed: tests/run --install");

    let browser = Browser::start();
    for (width, dark) in [(360, false), (360, true), (1_280, false), (1_280, true)] {
        browser.look(width, dark);
        for (view, path) in [
            ("day", "/"),
            ("dekad", "/?range=dekad&station=hedge"),
            ("extremes", "/?range=extremes&station=hedge"),
        ] {
            browser.open(&format!("{page}{path}"));
            let wide = browser.run("return document.documentElement.scrollWidth").as_u64().unwrap();
            assert!(wide <= u64::from(width), "{view} at {width} is {wide} wide");
            browser.run(&axe);
            let result = browser.run_later(
                "const done = arguments[0]; axe.run().then(r => done(r.violations.map(v => ({
                    id: v.id, impact: v.impact, nodes: v.nodes.map(n => n.html.slice(0, 120)) }))))",
            );
            let serious: Vec<&Value> = result
                .as_array()
                .unwrap_or_else(|| panic!("axe did not run: {result}"))
                .iter()
                .filter(|v| v["impact"] == "serious" || v["impact"] == "critical")
                .collect();
            assert!(serious.is_empty(), "{view} at {width}, dark {dark}: {serious:#?}");
            let shade = if dark { "dark" } else { "light" };
            browser.picture(width, &pictures().join(format!("page-{view}-{width}-{shade}.png")));
        }
    }
    assert_eq!(browser.complaints(), Vec::<String>::new());

    // Without script the same is to be read.
    browser.command("Emulation.setScriptExecutionDisabled", &serde_json::json!({ "value": true }));
    browser.open(&page);
    let plain = browser.document();
    for text in ["Station plot", "Meteogram", "data-series=\"orchard/screen_temperature/", "Days"] {
        assert!(plain.contains(text), "no {text} without script");
    }
}

#[test]
fn a_push_is_seen_on_an_open_page_within_two_seconds() {
    let folder = tempfile::tempdir().unwrap();
    let (program, client) = service(&folder);
    let browser = Browser::start();
    browser.look(360, false);
    browser.open(&format!("http://{}", program.address("http")));
    let shown = || {
        let script = "const b = document.querySelector(
            '[data-station=orchard] [data-key^=\"orchard/screen_temperature/air_temperature/\"]');
            return b && b.textContent";
        browser.run(script).as_str().map(str::to_owned)
    };
    until("a figure", || shown().filter(|text| text.contains("\u{b0}C")));
    // The stream is open before the push is made.
    std::thread::sleep(Duration::from_secs(1));
    let body = format!(r#"[{{"n":"orchard/t","u":"Cel","t":{},"v":12.34}}]"#, now());
    let answer = client.senml(program.address("push"), token("orchard"), &body);
    assert_eq!(answer.status, 204, "{}", answer.body);
    let pushed = Instant::now();
    until("the new figure", || shown().filter(|text| text == "12.3\u{a0}\u{b0}C"));
    let passed = pushed.elapsed();
    assert!(passed < Duration::from_secs(2), "seen after {passed:?}");
}
