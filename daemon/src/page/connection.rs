//! A connection that ends when nothing moves on it.
//!
//! The server underneath has a deadline for headers only. Here a connection on which
//! neither byte came nor went for [`STILL`] is over: a silent one, one between two
//! requests, and one whose other end takes nothing any more.

use std::future::Future;
use std::io;
use std::pin::Pin;
use std::task::{Context, Poll};
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::net::TcpStream;
use tokio::time::{Instant, Sleep, sleep};

/// Longest time without a byte in either direction. Event streams give a sign of life
/// more often.
pub(super) const STILL: Duration = Duration::from_secs(60);

/// A stream with that deadline.
pub(super) struct Watched {
    stream: TcpStream,
    moved: Instant,
    alarm: Pin<Box<Sleep>>,
}

impl Watched {
    pub(super) fn new(stream: TcpStream) -> Self {
        Self { stream, moved: Instant::now(), alarm: Box::pin(sleep(STILL)) }
    }

    /// Passes a result on, and turns waiting into an end once nothing moved for too long.
    fn watch<T>(
        &mut self,
        result: Poll<io::Result<T>>,
        context: &mut Context<'_>,
    ) -> Poll<io::Result<T>> {
        if result.is_ready() {
            self.moved = Instant::now();
            return result;
        }
        while self.alarm.as_mut().poll(context).is_ready() {
            let over = self.moved + STILL;
            if over <= Instant::now() {
                return Poll::Ready(Err(io::ErrorKind::TimedOut.into()));
            }
            self.alarm.as_mut().reset(over);
        }
        Poll::Pending
    }
}

impl AsyncRead for Watched {
    fn poll_read(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        buffer: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        let result = Pin::new(&mut self.stream).poll_read(context, buffer);
        self.watch(result, context)
    }
}

impl AsyncWrite for Watched {
    fn poll_write(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        bytes: &[u8],
    ) -> Poll<io::Result<usize>> {
        let result = Pin::new(&mut self.stream).poll_write(context, bytes);
        self.watch(result, context)
    }

    fn poll_write_vectored(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        slices: &[io::IoSlice<'_>],
    ) -> Poll<io::Result<usize>> {
        let result = Pin::new(&mut self.stream).poll_write_vectored(context, slices);
        self.watch(result, context)
    }

    fn is_write_vectored(&self) -> bool {
        self.stream.is_write_vectored()
    }

    fn poll_flush(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_flush(context)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_shutdown(context)
    }
}
