//! The smallest HTTP client that a station's firmware would carry: one request a
//! connection, with deadlines.

use std::io::{self, Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::time::Duration;

/// How long any one step may take.
const DEADLINE: Duration = Duration::from_secs(5);
/// The longest answer that is read.
const LONGEST: u64 = 4 * 1024 * 1024;

/// Sends one request and returns status and body. `body` makes it a POST of JSON.
///
/// # Errors
/// No connection, a deadline passed, or an answer that is not HTTP.
pub fn send(
    address: SocketAddr,
    path: &str,
    token: Option<&str>,
    body: Option<&str>,
) -> io::Result<(u16, String)> {
    let mut stream = TcpStream::connect_timeout(&address, DEADLINE)?;
    stream.set_read_timeout(Some(DEADLINE))?;
    stream.set_write_timeout(Some(DEADLINE))?;
    let method = if body.is_some() { "POST" } else { "GET" };
    let mut request = format!("{method} {path} HTTP/1.0\r\nHost: {address}\r\n");
    if let Some(token) = token {
        request.extend(["Authorization: Bearer ", token, "\r\n"]);
    }
    if let Some(body) = body {
        let length = body.len().to_string();
        request.extend(["Content-Type: application/json\r\nContent-Length: ", &length]);
        request.extend(["\r\n\r\n", body]);
    } else {
        request.push_str("\r\n");
    }
    stream.write_all(request.as_bytes())?;
    let mut answer = Vec::new();
    stream.take(LONGEST).read_to_end(&mut answer)?;
    parse(&answer).ok_or_else(|| io::Error::other(format!("{address} does not answer in HTTP")))
}

fn parse(answer: &[u8]) -> Option<(u16, String)> {
    let text = std::str::from_utf8(answer).ok()?;
    let (head, body) = text.split_once("\r\n\r\n")?;
    let status = head.split_whitespace().nth(1)?.parse().ok()?;
    Some((status, body.to_owned()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn answers_are_taken_apart_and_nonsense_is_refused() {
        assert_eq!(parse(b"HTTP/1.0 204 No Content\r\n\r\n"), Some((204, String::new())));
        assert_eq!(parse(b"HTTP/1.1 200 OK\r\nX: y\r\n\r\n{}"), Some((200, "{}".to_owned())));
        for bad in [&b""[..], b"HTTP/1.1", b"\r\n\r\n", b"HTTP/1.1 xyz\r\n\r\n", b"\xff\r\n\r\n"] {
            assert_eq!(parse(bad), None);
        }
    }
}
