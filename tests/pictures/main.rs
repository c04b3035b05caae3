//! The pictures of the README, taken of the demo:
//!
//!     cargo build --release -p isobarn && cargo run --release -p isobarn-tests --bin pictures
//!
//! With `--at HOST:PORT` of a demo that runs already, with `--all` also every other width,
//! shade and range, and with `--into FOLDER` somewhere else.

#![allow(clippy::expect_used, reason = "a tool of the tests: what fails here is told and ends it")]

mod palette;

use isobarn_tests::browser::Browser;
use isobarn_tests::program::Program;
use std::path::{Path, PathBuf};

/// What is taken for the README: name, width, height, query.
const TAKEN: [(&str, u32, u32, &str); 2] = [
    ("phone.png", 360, 1_500, "/?station=orchard"),
    ("desktop.png", 1_280, 1_500, "/?station=orchard&range=barogram-week"),
];
/// The display of the README.
const DISPLAY: &str = "/display/orchard.png?width=400&height=300&depth=1";
/// Largest picture in bytes: they are kept with the source.
const LARGEST: u64 = 150_000;

fn main() {
    let mut arguments = std::env::args().skip(1);
    let (mut at, mut all, mut into) = (None, false, PathBuf::from("daemon/pictures"));
    while let Some(argument) = arguments.next() {
        match argument.as_str() {
            "--at" => at = Some(arguments.next().expect("--at HOST:PORT")),
            "--into" => into = arguments.next().expect("--into FOLDER").into(),
            "--all" => all = true,
            other => panic!("unknown argument {other}"),
        }
    }
    std::fs::create_dir_all(&into).expect("a folder for pictures");
    let started = at.is_none().then(|| {
        println!("starting the demo");
        Program::start(Path::new("."), &["demo"])
    });
    let at = at.unwrap_or_else(|| started.as_ref().expect("it runs").address("http").to_string());
    let browser = Browser::start();
    for (name, width, height, query) in TAKEN {
        browser.look(width, false);
        browser.open(&format!("http://{at}{query}"));
        let file = into.join(name);
        browser.picture_of(width, height, &file);
        palette::shrink(&file);
        told(&file);
    }
    let display = into.join("display.png");
    let mut answer = ureq::get(format!("http://{at}{DISPLAY}")).call().expect("a display");
    let bytes = answer.body_mut().read_to_vec().expect("a picture");
    std::fs::write(&display, bytes).expect("a folder to write to");
    told(&display);
    if all {
        everything(&browser, &at, &into);
    }
}

fn told(file: &Path) {
    let size = std::fs::metadata(file).expect("a picture").len();
    println!("{} {size} bytes", file.display());
    assert!(size <= LARGEST, "{} is larger than {LARGEST} bytes", file.display());
}

fn everything(browser: &Browser, at: &str, into: &Path) {
    for (width, dark) in [(360, false), (360, true), (1_280, false), (1_280, true)] {
        browser.look(width, dark);
        for range in
            ["24h", "overnight", "48h", "barogram-week", "dekad", "season", "climatological-year"]
        {
            browser.open(&format!("http://{at}/?station=orchard&range={range}"));
            let shade = if dark { "dark" } else { "light" };
            browser.picture(width, &into.join(format!("{range}-{width}-{shade}.png")));
        }
    }
}
