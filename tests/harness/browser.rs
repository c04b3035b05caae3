//! A real browser without a window: Debian's chromium driven by its WebDriver server
//! (W3C WebDriver), which is plain HTTP and JSON.

use crate::wait::{free_port, until};
use serde_json::{Value, json};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::Duration;

/// A session. Ends with its owner.
pub struct Browser {
    driver: Child,
    session: String,
    agent: ureq::Agent,
}

impl Drop for Browser {
    fn drop(&mut self) {
        drop(self.agent.delete(&self.session).call());
        drop(self.driver.kill());
        drop(self.driver.wait());
    }
}

impl Browser {
    /// Starts both programs.
    pub fn start() -> Self {
        let port = free_port();
        let driver = Command::new("chromedriver")
            .arg(format!("--port={port}"))
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .expect("chromium-driver is installed: tests/run --install");
        let agent: ureq::Agent = ureq::Agent::config_builder()
            .http_status_as_error(false)
            .timeout_global(Some(Duration::from_secs(60)))
            .build()
            .into();
        let root = format!("http://127.0.0.1:{port}");
        let ready = || agent.get(format!("{root}/status")).call().ok().map(drop);
        until("chromedriver", ready);
        let mut browser = Self { driver, session: format!("{root}/session"), agent };
        let wanted = json!({ "capabilities": { "alwaysMatch": {
            "browserName": "chrome",
            "goog:loggingPrefs": { "browser": "ALL" },
            "goog:chromeOptions": { "args": [
                "--headless=new", "--no-sandbox", "--disable-gpu", "--hide-scrollbars",
                "--disable-dev-shm-usage", "--disable-lcd-text",
            ] },
        } } });
        let session = browser.post("", &wanted);
        let id = session["sessionId"].as_str().unwrap_or_else(|| panic!("no session: {session}"));
        browser.session = format!("{}/{id}", browser.session);
        browser
    }

    fn post(&self, path: &str, body: &Value) -> Value {
        let mut answer = self
            .agent
            .post(format!("{}{path}", self.session))
            .send_json(body)
            .unwrap_or_else(|e| panic!("{path}: {e}"));
        let mut told: Value = answer.body_mut().read_json().expect("WebDriver speaks JSON");
        let value = told["value"].take();
        assert!(answer.status().is_success(), "{path}: {value}");
        value
    }

    /// A command of the browser's own protocol.
    pub fn command(&self, name: &str, parameters: &Value) -> Value {
        self.post("/goog/cdp/execute", &json!({ "cmd": name, "params": parameters }))
    }

    /// Looks like a screen of a width, in light or dark.
    pub fn look(&self, width: u32, dark: bool) {
        self.command(
            "Emulation.setDeviceMetricsOverride",
            &json!({ "width": width, "height": 800, "deviceScaleFactor": 1, "mobile": width < 600 }),
        );
        let scheme = if dark { "dark" } else { "light" };
        self.command(
            "Emulation.setEmulatedMedia",
            &json!({ "features": [{ "name": "prefers-color-scheme", "value": scheme }] }),
        );
    }

    /// Opens an address.
    pub fn open(&self, address: &str) {
        self.post("/url", &json!({ "url": address }));
    }

    /// Runs a script's body on the page and gives what it returns.
    pub fn run(&self, script: &str) -> Value {
        self.post("/execute/sync", &json!({ "script": script, "args": [] }))
    }

    /// As [`Browser::run`], for a script that calls `arguments[0]` when it is done.
    pub fn run_later(&self, script: &str) -> Value {
        self.post("/execute/async", &json!({ "script": script, "args": [] }))
    }

    /// The document as it stands, whether or not scripts may run.
    pub fn document(&self) -> String {
        let root = self.command("DOM.getDocument", &json!({ "depth": 0 }));
        let html = self.command("DOM.getOuterHTML", &json!({ "nodeId": root["root"]["nodeId"] }));
        html["outerHTML"].as_str().unwrap_or_default().to_owned()
    }

    /// What the browser complained of.
    pub fn complaints(&self) -> Vec<String> {
        let log = self.post("/se/log", &json!({ "type": "browser" }));
        let lines = log.as_array().cloned().unwrap_or_default();
        lines
            .iter()
            .filter_map(|line| line["message"].as_str())
            // Every browser asks for this by itself.
            .filter(|message| !message.contains("/favicon.ico"))
            .map(str::to_owned)
            .collect()
    }

    /// Keeps a picture of the whole page.
    pub fn picture(&self, width: u32, file: &Path) {
        let size = self.command("Page.getLayoutMetrics", &json!({}));
        let height = size["cssContentSize"]["height"].as_f64().unwrap_or(800.0).min(6_000.0);
        self.picture_of(width, height as u32, file);
    }

    /// Keeps a picture of the upper part of the page.
    pub fn picture_of(&self, width: u32, height: u32, file: &Path) {
        let taken = self.command(
            "Page.captureScreenshot",
            &json!({ "captureBeyondViewport": true, "clip": {
                "x": 0, "y": 0, "width": width, "height": height, "scale": 1,
            } }),
        );
        let text = taken["data"].as_str().expect("a picture");
        std::fs::write(file, decoded(text)).expect("a folder to write to");
    }
}

/// Base64 (RFC 4648, 4) as bytes; what is no letter of it is passed over.
fn decoded(text: &str) -> Vec<u8> {
    let (mut out, mut held, mut bits) = (Vec::new(), 0_u32, 0);
    for byte in text.bytes() {
        let value = match byte {
            b'A'..=b'Z' => byte - b'A',
            b'a'..=b'z' => byte - b'a' + 26,
            b'0'..=b'9' => byte - b'0' + 52,
            b'+' => 62,
            b'/' => 63,
            _ => continue,
        };
        held = (held << 6 | u32::from(value)) & 0xff_ffff;
        bits += 6;
        if bits >= 8 {
            bits -= 8;
            out.push((held >> bits & 0xff) as u8);
        }
    }
    out
}
