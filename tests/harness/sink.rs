//! A receiver that answers by a script: what comes over HTTP, kept for the test to look at.

use std::io::{BufRead, BufReader, Read, Write};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::sync::atomic::{AtomicUsize, Ordering::Relaxed};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

/// A request as it came.
#[derive(Clone, Debug)]
pub struct Request {
    /// When.
    pub at: Instant,
    /// Method and target.
    pub line: String,
    /// Headers, names in small letters.
    pub headers: Vec<(String, String)>,
    /// Body.
    pub body: String,
}

/// How a request is answered.
#[derive(Clone, Debug)]
pub enum Answer {
    /// With a status, more header lines (each ended by CR LF) and a body.
    Status(u16, &'static str, &'static str),
    /// By closing the connection after all of it was read.
    Drop,
    /// Not for this long, then with 200.
    After(Duration),
}

type Script = dyn FnMut(&Request) -> Answer + Send;

/// The receiver.
pub struct Sink {
    /// Where it listens.
    pub address: SocketAddr,
    script: Arc<Mutex<Box<Script>>>,
    taken: Arc<Mutex<Vec<Request>>>,
    asked: Arc<Mutex<Vec<(Instant, u16)>>>,
    seen: Arc<AtomicUsize>,
}

impl Sink {
    /// Begins to answer by a script, which is asked for each request in turn.
    pub fn start(script: impl FnMut(&Request) -> Answer + Send + 'static) -> Self {
        let listener = TcpListener::bind(("127.0.0.1", 0)).expect("loopback has a free port");
        let sink = Self {
            address: listener.local_addr().expect("an address"),
            script: Arc::new(Mutex::new(Box::new(script))),
            taken: Arc::default(),
            asked: Arc::default(),
            seen: Arc::default(),
        };
        let (script, taken, asked) =
            (Arc::clone(&sink.script), Arc::clone(&sink.taken), Arc::clone(&sink.asked));
        let seen = Arc::clone(&sink.seen);
        std::thread::spawn(move || {
            for stream in listener.incoming().flatten() {
                let (script, taken, asked) =
                    (Arc::clone(&script), Arc::clone(&taken), Arc::clone(&asked));
                let seen = Arc::clone(&seen);
                std::thread::spawn(move || serve(stream, &script, &taken, &asked, &seen));
            }
        });
        sink
    }

    /// One that takes everything.
    pub fn willing() -> Self {
        Self::start(|_| Answer::Status(204, "", ""))
    }

    /// Goes on with another script.
    pub fn script(&self, script: impl FnMut(&Request) -> Answer + Send + 'static) {
        *self.script.lock().expect("no holder panics") = Box::new(script);
    }

    /// The requests that were answered with a status below 300.
    pub fn taken(&self) -> Vec<Request> {
        self.taken.lock().expect("no holder panics").clone()
    }

    /// When requests came and how they were answered (0: not at all).
    pub fn asked(&self) -> Vec<(Instant, u16)> {
        self.asked.lock().expect("no holder panics").clone()
    }

    /// Whether any request came, answered or not.
    pub fn script_was_asked(&self) -> bool {
        self.seen.load(Relaxed) > 0
    }

    /// The lines of all bodies that were taken, in order.
    pub fn lines(&self) -> Vec<String> {
        self.taken()
            .iter()
            .flat_map(|r| r.body.lines().map(str::to_owned).collect::<Vec<_>>())
            .collect()
    }
}

fn serve(
    stream: TcpStream,
    script: &Mutex<Box<Script>>,
    taken: &Mutex<Vec<Request>>,
    asked: &Mutex<Vec<(Instant, u16)>>,
    seen: &AtomicUsize,
) {
    let mut reader = BufReader::new(stream);
    while let Some(request) = read(&mut reader) {
        seen.fetch_add(1, Relaxed);
        let answer = (script.lock().expect("no script panics"))(&request);
        let (status, headers, body) = match answer {
            Answer::Status(status, headers, body) => (status, headers, body),
            Answer::After(wait) => {
                std::thread::sleep(wait);
                (200, "", "")
            }
            Answer::Drop => {
                asked.lock().expect("no holder panics").push((request.at, 0));
                return;
            }
        };
        asked.lock().expect("no holder panics").push((request.at, status));
        if status < 300 {
            taken.lock().expect("no holder panics").push(request);
        }
        let length = if status == 204 {
            String::new()
        } else {
            format!("Content-Length: {}\r\n", body.len())
        };
        let text = format!("HTTP/1.1 {status} Told\r\n{length}{headers}\r\n{body}");
        if reader.get_mut().write_all(text.as_bytes()).is_err() {
            return;
        }
    }
}

fn read(reader: &mut BufReader<TcpStream>) -> Option<Request> {
    let mut line = String::new();
    reader.read_line(&mut line).ok().filter(|&n| n > 0)?;
    let at = Instant::now();
    let mut headers = Vec::new();
    loop {
        let mut header = String::new();
        reader.read_line(&mut header).ok().filter(|&n| n > 0)?;
        let Some((name, value)) = header.trim_end().split_once(':') else { break };
        headers.push((name.to_ascii_lowercase(), value.trim().to_owned()));
    }
    let length = headers.iter().find(|(n, _)| n == "content-length");
    let length = length.and_then(|(_, v)| v.parse().ok()).unwrap_or(0);
    let mut body = vec![0; length];
    reader.read_exact(&mut body).ok()?;
    let body = String::from_utf8(body).ok()?;
    Some(Request { at, line: line.trim_end().to_owned(), headers, body })
}
