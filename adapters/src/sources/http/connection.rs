//! One connection and its deadlines.
//!
//! The header timeout of the server underneath does not tell a silent keep-alive
//! connection from a request that trickles in, so the deadlines are kept here: from
//! accept, or from the first byte of a later request, to the end of the headers; from
//! there to the end of the body; and between two requests.

use super::answer::Desk;
use super::problem::Problem;
use crate::port;
use axum::Router;
use axum::http::StatusCode;
use hyper::service::service_fn;
use hyper_util::rt::TokioIo;
use observation::Refusal;
use observation::refusal::Stage;
use std::future::{Future, poll_fn};
use std::io;
use std::mem::MaybeUninit;
use std::net::SocketAddr;
use std::pin::{Pin, pin};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU8, AtomicU64, Ordering};
use std::task::{Context, Poll, ready};
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::net::TcpStream;
use tokio::sync::Notify;
use tokio::time::{Instant, Sleep, sleep_until};
use tokio_util::sync::CancellationToken;
use tower::Service;

/// How long a sender may take.
#[derive(Clone, Copy, Debug)]
pub(super) struct Limits {
    /// From accept, or the first byte of a later request, to the end of its headers.
    pub(super) headers: Duration,
    /// From the end of the headers to the end of the body.
    pub(super) body: Duration,
    /// Between two requests.
    pub(super) idle: Duration,
}

/// For the answer to be made and written.
const ANSWER: Duration = Duration::from_secs(10);
/// For what comes after the last answer, in time and in bytes.
const LINGER: Duration = Duration::from_secs(2);
const LINGER_BYTES: usize = 4 << 20;
/// For answers under way when the program stops.
pub(super) const GOODBYE: Duration = Duration::from_millis(700);
/// Most bytes of headers, and most header fields.
const HEADER_BYTES: usize = 16 * 1024;
const HEADER_FIELDS: usize = 64;

/// What a connection is doing.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[repr(u8)]
pub(super) enum Phase {
    /// Nothing: accepted and silent, or between two requests.
    Silent = 0,
    /// A request is coming in.
    Reading = 1,
    /// A request is in and its answer is being made.
    Answering = 2,
}

/// What others may know of a connection.
#[derive(Debug)]
pub(super) struct Line {
    number: u64,
    peer: SocketAddr,
    limits: Limits,
    began: Instant,
    phase: AtomicU8,
    /// Milliseconds after `began` at which it is over.
    deadline: AtomicU64,
    answered: AtomicBool,
    wake: Notify,
}

impl Line {
    pub(super) fn new(number: u64, peer: SocketAddr, limits: Limits) -> Arc<Self> {
        let line = Self {
            number,
            peer,
            limits,
            began: Instant::now(),
            phase: AtomicU8::new(Phase::Silent as u8),
            deadline: AtomicU64::new(0),
            answered: AtomicBool::new(false),
            wake: Notify::new(),
        };
        line.enter(Phase::Silent, limits.headers);
        Arc::new(line)
    }

    /// A number no other connection has, larger than all before it.
    pub(super) const fn number(&self) -> u64 {
        self.number
    }

    pub(super) const fn peer(&self) -> SocketAddr {
        self.peer
    }

    pub(super) fn phase(&self) -> Phase {
        match self.phase.load(Ordering::Acquire) {
            0 => Phase::Silent,
            1 => Phase::Reading,
            _ => Phase::Answering,
        }
    }

    /// Whether a request of it was answered before.
    pub(super) fn was_answered(&self) -> bool {
        self.answered.load(Ordering::Acquire)
    }

    /// Ends the connection.
    pub(super) fn evict(&self) {
        self.wake.notify_one();
    }

    fn enter(&self, phase: Phase, allowed: Duration) {
        self.phase.store(phase as u8, Ordering::Release);
        let end = (self.began.elapsed() + allowed).as_millis();
        self.deadline.store(u64::try_from(end).unwrap_or(u64::MAX), Ordering::Release);
    }

    /// Bytes have come.
    fn stirred(&self) {
        if self.phase() == Phase::Silent {
            if self.was_answered() {
                self.enter(Phase::Reading, self.limits.headers);
            } else {
                // The first request has its time from the accept.
                self.phase.store(Phase::Reading as u8, Ordering::Release);
            }
        }
    }

    /// The headers are in.
    fn headed(&self) {
        self.enter(Phase::Reading, self.limits.body);
    }

    /// The body is in.
    pub(super) fn complete(&self) {
        self.enter(Phase::Answering, ANSWER);
    }

    fn answered(&self) {
        self.answered.store(true, Ordering::Release);
        self.enter(Phase::Silent, self.limits.idle);
    }

    fn deadline(&self) -> Instant {
        self.began + Duration::from_millis(self.deadline.load(Ordering::Acquire))
    }
}

/// The socket, telling its line when bytes come.
struct Socket {
    stream: TcpStream,
    line: Arc<Line>,
    /// Bytes that were dropped after the last answer.
    lingered: usize,
}

impl AsyncRead for Socket {
    fn poll_read(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        buf: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        let before = buf.filled().len();
        let read = ready!(Pin::new(&mut self.stream).poll_read(cx, buf));
        if buf.filled().len() > before {
            self.line.stirred();
        }
        Poll::Ready(read)
    }
}

impl AsyncWrite for Socket {
    fn poll_write(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        buf: &[u8],
    ) -> Poll<io::Result<usize>> {
        Pin::new(&mut self.stream).poll_write(cx, buf)
    }

    fn poll_write_vectored(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        bufs: &[io::IoSlice<'_>],
    ) -> Poll<io::Result<usize>> {
        Pin::new(&mut self.stream).poll_write_vectored(cx, bufs)
    }

    fn is_write_vectored(&self) -> bool {
        self.stream.is_write_vectored()
    }

    fn poll_flush(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_flush(cx)
    }

    /// After the last answer, what the sender still has on its way is read and dropped
    /// for a while: a socket closed with bytes unread resets the connection, and the
    /// answer might never be seen.
    fn poll_shutdown(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        let this = &mut *self;
        ready!(Pin::new(&mut this.stream).poll_shutdown(cx))?;
        if this.line.phase() != Phase::Silent {
            return Poll::Ready(Ok(()));
        }
        if this.lingered == 0 {
            this.lingered = 1;
            this.line.enter(Phase::Silent, LINGER);
        }
        let mut scratch = [MaybeUninit::uninit(); 4_096];
        loop {
            let mut sink = ReadBuf::uninit(&mut scratch);
            let read = ready!(Pin::new(&mut this.stream).poll_read(cx, &mut sink));
            let count = sink.filled().len();
            this.lingered += count;
            if read.is_err() || count == 0 || this.lingered > LINGER_BYTES {
                return Poll::Ready(Ok(()));
            }
        }
    }
}

/// Why a connection ended before its peer wanted.
enum Over {
    /// By itself.
    Done(Result<(), hyper::Error>),
    /// A deadline passed.
    Late,
    /// Its seat was needed.
    Evicted,
}

/// Serves one connection to its end.
pub(super) async fn serve(
    stream: TcpStream,
    line: Arc<Line>,
    router: Router,
    desk: Arc<Desk>,
    stop: CancellationToken,
) {
    // A small answer must not wait for more to send with it.
    stream.set_nodelay(true).ok();
    let service = service_fn(|mut request: hyper::Request<hyper::body::Incoming>| {
        line.headed();
        request.extensions_mut().insert(Arc::clone(&line));
        let answer = router.clone().call(request);
        let line = &line;
        async move {
            let response = answer.await;
            line.answered();
            response
        }
    });
    let io = TokioIo::new(Socket { stream, line: Arc::clone(&line), lingered: 0 });
    let mut builder = hyper::server::conn::http1::Builder::new();
    builder
        .header_read_timeout(None)
        .max_buf_size(HEADER_BYTES)
        .max_headers(HEADER_FIELDS)
        // With it an answer waits as long as anything unread lies in the buffer, and is
        // lost where that is the rest of a body that was refused.
        .pipeline_flush(false)
        .half_close(true);
    let mut connection = pin!(builder.serve_connection(io, service));
    let mut evicted = pin!(line.wake.notified());
    let mut stopped = pin!(stop.cancelled());
    let mut stopping = false;
    let mut armed = line.deadline();
    let mut alarm: Pin<Box<Sleep>> = Box::pin(sleep_until(armed));
    let over = poll_fn(|cx| {
        if let Poll::Ready(done) = connection.as_mut().poll(cx) {
            return Poll::Ready(Over::Done(done));
        }
        if evicted.as_mut().poll(cx).is_ready() {
            return Poll::Ready(Over::Evicted);
        }
        if !stopping && stopped.as_mut().poll(cx).is_ready() {
            stopping = true;
            connection.as_mut().graceful_shutdown();
            if let Poll::Ready(done) = connection.as_mut().poll(cx) {
                return Poll::Ready(Over::Done(done));
            }
        }
        // A later deadline is looked at when the alarm rings, an earlier one at once.
        let deadline = line.deadline();
        if deadline < armed {
            armed = deadline;
            alarm.as_mut().reset(armed);
        }
        while alarm.as_mut().poll(cx).is_ready() {
            armed = line.deadline();
            if armed <= Instant::now() {
                return Poll::Ready(Over::Late);
            }
            alarm.as_mut().reset(armed);
        }
        Poll::Pending
    })
    .await;
    tell(&over, &line, &desk);
}

/// Counts a request that never became one; silence and ends between requests are no
/// refusals.
fn tell(over: &Over, line: &Line, desk: &Desk) {
    let half = line.phase() == Phase::Reading;
    let (reason, why) = match over {
        Over::Late if half => {
            (Refusal::Fragment, "a request did not come to its end in time".to_owned())
        }
        Over::Evicted if half => {
            (Refusal::Fragment, "a request was cut off: too many connections".to_owned())
        }
        Over::Done(Err(error)) if error.is_parse_too_large() => {
            (Refusal::TooLong, "the headers of a request are too long".to_owned())
        }
        Over::Done(Err(error)) if error.is_parse() => {
            (Refusal::Malformed, format!("not HTTP/1.1: {error}"))
        }
        Over::Done(Err(error)) if half && error.is_incomplete_message() => {
            (Refusal::Fragment, "a request broke off".to_owned())
        }
        _ => return,
    };
    let detail = format!("{why} (from {})", line.peer().ip());
    desk.refused(&port::Refused { station: None, stage: Stage::Frame, reason, detail: &detail });
}

/// A path that is not there, or a method that a path does not take.
pub(super) fn wrong_place(status: StatusCode, method: &str, path: &str) -> Problem {
    let detail = format!("{} {}", crate::payload::shown(method), crate::payload::shown(path));
    Problem::frame(status, Refusal::Malformed, detail)
}
