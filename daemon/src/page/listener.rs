//! Accepting viewers: a bounded number, each a task of its own. Nothing that one of
//! them does ends the listener.

use super::connection::Watched;
use super::{Page, live, router, sheet};
use axum::Router;
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::service::TowerToHyperService;
use std::io;
use std::net::SocketAddr;
use std::pin::pin;
use std::sync::Arc;
use std::time::Duration;
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{OwnedSemaphorePermit, Semaphore};
use tokio::task::{JoinError, JoinSet};
use tokio_util::sync::CancellationToken;

/// Most connections at a time; event streams among them.
const MOST: usize = 512;
/// From the first byte of a request to the end of its headers.
const HEADERS: Duration = Duration::from_secs(10);
/// How long the listener rests after it could not accept.
const REST: Duration = Duration::from_millis(200);
/// For answers under way when the service stops.
const GOODBYE: Duration = Duration::from_millis(700);
/// Most bytes and fields of one request's headers.
const HEADER_BYTES: usize = 16 * 1_024;
const HEADER_FIELDS: usize = 64;

/// Takes the address.
///
/// # Errors
/// The address cannot be had; the message names it.
pub async fn bind(address: SocketAddr) -> io::Result<TcpListener> {
    TcpListener::bind(address)
        .await
        .map_err(|e| io::Error::new(e.kind(), format!("the page cannot listen on {address}: {e}")))
}

/// Serves the page until it stops.
pub async fn serve(page: Arc<Page>, listener: TcpListener) {
    let telling = tokio::spawn(live::tell(Arc::clone(&page)));
    let warming = tokio::spawn(sheet::warm(Arc::clone(&page)));
    let router = router(Arc::clone(&page));
    let seats = Arc::new(Semaphore::new(MOST));
    let mut connections = JoinSet::new();
    let mut resting = false;
    loop {
        // A seat first: without one further viewers wait in the system's queue.
        let seat = tokio::select! {
            () = page.stop.cancelled() => break,
            Some(ended) = connections.join_next() => { told(ended); continue },
            Ok(seat) = Arc::clone(&seats).acquire_owned() => seat,
        };
        let accepted = tokio::select! {
            () = page.stop.cancelled() => break,
            accepted = listener.accept() => accepted,
        };
        match accepted {
            Ok((stream, _)) => {
                resting = false;
                connections.spawn(converse(stream, router.clone(), page.stop.clone(), seat));
            }
            Err(error) => {
                if !resting {
                    tracing::warn!("the page cannot accept connections: {error}");
                }
                resting = true;
                tokio::time::sleep(REST).await;
            }
        }
    }
    drop(listener);
    let all = async { while connections.join_next().await.is_some() {} };
    // What is still open after that is closed when the set is dropped.
    drop(tokio::time::timeout(GOODBYE, all).await);
    drop(telling.await);
    drop(warming.await);
}

fn told(ended: Result<(), JoinError>) {
    if ended.is_err_and(|e| e.is_panic()) {
        tracing::error!("answering a viewer failed inside; the connection was closed");
    }
}

async fn converse(
    stream: TcpStream,
    router: Router,
    stop: CancellationToken,
    _seat: OwnedSemaphorePermit,
) {
    // Small answers leave at once; without that they are only later.
    drop(stream.set_nodelay(true));
    let mut builder = hyper::server::conn::http1::Builder::new();
    builder
        .timer(TokioTimer::new())
        .header_read_timeout(HEADERS)
        .max_buf_size(HEADER_BYTES)
        .max_headers(HEADER_FIELDS);
    let io = TokioIo::new(Watched::new(stream));
    let mut connection = pin!(builder.serve_connection(io, TowerToHyperService::new(router)));
    // How a viewer's connection ends is the viewer's affair.
    tokio::select! {
        ended = connection.as_mut() => drop(ended),
        () = stop.cancelled() => {
            connection.as_mut().graceful_shutdown();
            drop(connection.await);
        }
    }
}
