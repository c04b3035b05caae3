//! Asking.

use super::{LONGEST, Request, candidates};
use config::Settings;
use serde_json::Value;
use std::io::{BufRead as _, BufReader, BufWriter, Read as _, Write as _};
use std::net::Shutdown;
use std::os::unix::net::UnixStream;
use std::time::Duration;

/// How long an answer may take.
const PATIENCE: Duration = Duration::from_secs(15);

/// What came of asking.
#[derive(Clone, Debug, PartialEq)]
pub enum Answer {
    /// The daemon's answer.
    Given(Value),
    /// No daemon listens.
    Nobody,
    /// A daemon is there but did not answer, or could not do it; why.
    Refused(String),
}

/// Asks the running daemon of these settings.
pub fn ask(settings: &Settings, request: &Request) -> Answer {
    ask_long(settings, request, None, &mut |_| {})
}

/// Lines that are sent behind a request.
pub type Lines = Box<dyn Iterator<Item = String> + Send>;

/// Asks for something that may take long; `told` is shown what is said on the way.
pub fn ask_long(
    settings: &Settings,
    request: &Request,
    lines: Option<&mut dyn FnMut() -> Option<Lines>>,
    told: &mut dyn FnMut(&Value),
) -> Answer {
    let mut lines = lines;
    for path in candidates(settings) {
        let stream = match UnixStream::connect(&path) {
            Ok(stream) => stream,
            Err(error) if error.kind() == std::io::ErrorKind::PermissionDenied => {
                return Answer::Refused(format!(
                    "{}: {error}; the socket is for the service's account and group",
                    path.display()
                ));
            }
            Err(_) => continue,
        };
        let lines = lines.as_mut().and_then(|make| make());
        return match converse(&stream, request, lines, told) {
            Ok(value) => match value.get("error").and_then(Value::as_str) {
                Some(error) => Answer::Refused(error.to_owned()),
                None => Answer::Given(value),
            },
            Err(error) => Answer::Refused(format!("{}: {error}", path.display())),
        };
    }
    Answer::Nobody
}

fn converse(
    mut stream: &UnixStream,
    request: &Request,
    lines: Option<Lines>,
    told: &mut dyn FnMut(&Value),
) -> std::io::Result<Value> {
    stream.set_read_timeout(Some(PATIENCE))?;
    stream.set_write_timeout(Some(PATIENCE))?;
    let mut line = serde_json::to_vec(request)?;
    line.push(b'\n');
    stream.write_all(&line)?;
    if let Some(lines) = lines {
        let mut out = BufWriter::new(stream.try_clone()?);
        // However long the service takes for what was sent before.
        out.get_ref().set_write_timeout(None)?;
        std::thread::spawn(move || {
            for line in lines {
                if writeln!(out, "{line}").is_err() {
                    // The service ended the conversation; its last word says why.
                    return;
                }
            }
            if out.flush().is_ok() {
                drop(out.get_ref().shutdown(Shutdown::Write));
            }
        });
    }
    let mut reader = BufReader::new(stream);
    loop {
        let mut answer = String::new();
        reader.by_ref().take(LONGEST).read_line(&mut answer)?;
        let value: Value = serde_json::from_str(&answer)?;
        if value.get("at").is_none() {
            return Ok(value);
        }
        told(&value);
    }
}
