//! The program itself, as its users start it.

use crate::wait::until;
use std::collections::BTreeMap;
use std::ffi::OsString;
use std::io::{BufRead, BufReader, Write};
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::sync::{Arc, Mutex};
use std::thread::JoinHandle;

/// Where the built program stands: beside the test's own binary, or where
/// `ISOBARN_TESTS_PROGRAM` says.
pub fn binary() -> PathBuf {
    if let Some(path) = std::env::var_os("ISOBARN_TESTS_PROGRAM") {
        return PathBuf::from(path);
    }
    let own = std::env::current_exe().expect("a test knows its own path");
    let folder = own
        .ancestors()
        .find(|a| a.join("isobarn").is_file())
        .unwrap_or_else(|| panic!("build the program first: cargo build -p isobarn"));
    folder.join("isobarn")
}

/// Runs one command to its end.
pub fn command(arguments: &[&str]) -> Output {
    Command::new(binary()).args(arguments).output().expect("the program starts")
}

/// Runs one command with `input` on its standard input.
pub fn command_with_input(arguments: &[&str], input: &[u8]) -> Output {
    let mut child = Command::new(binary())
        .args(arguments)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the program starts");
    let mut stdin = child.stdin.take().expect("a pipe");
    let input = input.to_vec();
    let writer = std::thread::spawn(move || {
        // The program may end early; what it says then is what the test looks at.
        drop(stdin.write_all(&input));
    });
    let output = child.wait_with_output().expect("the program ends");
    writer.join().expect("the writer ends");
    output
}

/// A running service.
pub struct Program {
    child: Child,
    /// The settings file.
    pub settings: PathBuf,
    addresses: BTreeMap<String, SocketAddr>,
    said: Arc<Mutex<String>>,
    readers: Vec<JoinHandle<()>>,
}

impl Program {
    /// Starts `isobarn run` and waits for its line that everything listens.
    pub fn run(settings: &Path) -> Self {
        Self::start(settings, &["run", "--config", settings.to_str().expect("a plain path")])
    }

    /// Starts any long-running command that prints a `ready` line.
    pub fn start(settings: &Path, arguments: &[&str]) -> Self {
        Self::start_in(settings, arguments, &[])
    }

    /// Starts `isobarn run` with more in its environment.
    pub fn run_in(settings: &Path, environment: &[(&str, OsString)]) -> Self {
        let run = ["run", "--config", settings.to_str().expect("a plain path")];
        Self::start_in(settings, &run, environment)
    }

    fn start_in(settings: &Path, arguments: &[&str], environment: &[(&str, OsString)]) -> Self {
        let program = Self::start_unready_in(settings, arguments, environment);
        program.ready().unwrap_or_else(|said| panic!("ended before it was ready: {said}"))
    }

    /// Waits until everything listens.
    ///
    /// # Errors
    /// What it said, where it ends before.
    pub fn ready(mut self) -> Result<Self, String> {
        let line = until("the ready line", || {
            let said = self.said();
            if let Some(line) = said.lines().find(|l| l.starts_with("ready ")) {
                return Some(Ok(line.to_owned()));
            }
            let ended = self.child.try_wait().expect("a child")?;
            Some(Err(format!("{ended:?}\n{said}")))
        })?;
        self.addresses = line
            .split_whitespace()
            .skip(1)
            .filter_map(|pair| pair.split_once('='))
            .map(|(name, address)| (name.to_owned(), address.parse().expect("an address")))
            .collect();
        Ok(self)
    }

    /// Starts without waiting.
    pub fn start_unready(settings: &Path, arguments: &[&str]) -> Self {
        Self::start_unready_in(settings, arguments, &[])
    }

    /// The same with more in its environment.
    pub fn start_unready_in(
        settings: &Path,
        arguments: &[&str],
        environment: &[(&str, OsString)],
    ) -> Self {
        let mut child = Command::new(binary())
            .args(arguments)
            .envs(environment.iter().map(|(name, value)| (name, value)))
            .env_remove("JOURNAL_STREAM")
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .expect("the program starts");
        let said = Arc::new(Mutex::new(String::new()));
        let streams: [Box<dyn std::io::Read + Send>; 2] = [
            Box::new(child.stdout.take().expect("a pipe")),
            Box::new(child.stderr.take().expect("a pipe")),
        ];
        let readers = streams.map(|stream| {
            let said = Arc::clone(&said);
            std::thread::spawn(move || {
                for line in BufReader::new(stream).lines().map_while(Result::ok) {
                    let mut said = said.lock().expect("no holder panics");
                    said.push_str(&line);
                    said.push('\n');
                }
            })
        });
        let readers = readers.into();
        Self { child, settings: settings.to_owned(), addresses: BTreeMap::new(), said, readers }
    }

    /// Everything it printed so far, both streams.
    pub fn said(&self) -> String {
        self.said.lock().expect("no holder panics").clone()
    }

    /// The address of a listener: `http` or the name of a source.
    pub fn address(&self, name: &str) -> SocketAddr {
        *self.addresses.get(name).unwrap_or_else(|| panic!("no {name} in {:?}", self.addresses))
    }

    /// The process number.
    pub fn id(&self) -> u32 {
        self.child.id()
    }

    /// Ends it as a power cut would, without a word.
    pub fn kill(mut self) {
        self.child.kill().expect("it was running");
        self.child.wait().expect("it ends");
    }

    /// Asks it to stop and returns its exit status and everything it said.
    pub fn terminate(mut self) -> (Option<i32>, String) {
        signal(self.child.id(), "TERM");
        let status = until("the end after TERM", || self.child.try_wait().expect("a child"));
        (status.code(), self.last_words())
    }

    /// Waits until it ends by itself.
    pub fn wait(mut self) -> (Option<i32>, String) {
        let status = self.child.wait().expect("it ends");
        (status.code(), self.last_words())
    }

    /// Everything it printed, once it has ended.
    fn last_words(&mut self) -> String {
        for reader in self.readers.drain(..) {
            reader.join().expect("a reader ends with its stream");
        }
        self.said()
    }

    /// The exit status if it has ended.
    pub fn ended(&mut self) -> Option<i32> {
        self.child.try_wait().expect("a child").map(|s| s.code().unwrap_or(-1))
    }
}

impl Drop for Program {
    fn drop(&mut self) {
        drop(self.child.kill());
        drop(self.child.wait());
    }
}

/// Sends a signal by name.
pub fn signal(process: u32, name: &str) {
    let status = Command::new("kill")
        .args([format!("-{name}"), process.to_string()])
        .status()
        .expect("kill runs");
    assert!(status.success(), "kill -{name} {process}");
}

/// Writes a settings file and token files into `folder` and returns the file's path.
/// `stations` gives station identifiers and the token of each.
pub fn settings(folder: &Path, text: &str, tokens: &[(&str, &str)]) -> PathBuf {
    for (owner, token) in tokens {
        std::fs::write(folder.join(format!("{owner}.token")), format!("{token}\n"))
            .expect("a folder to write to");
    }
    let path = folder.join("isobarn.toml");
    std::fs::write(&path, text).expect("a folder to write to");
    path
}

/// Runs `export` with more arguments and returns its lines.
pub fn export(settings: &Path, more: &[&str]) -> String {
    let mut arguments = vec!["export", "--config", settings.to_str().expect("a plain path")];
    arguments.extend_from_slice(more);
    let output = command(&arguments);
    assert!(output.status.success(), "export failed: {}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).expect("export prints UTF-8")
}
