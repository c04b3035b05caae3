//! Waiting for a condition instead of for a time.

use std::net::TcpListener;
use std::time::{Duration, Instant};

/// How long a condition may take on a loaded machine before a test gives up.
pub const PATIENCE: Duration = Duration::from_secs(60);

/// Asks `condition` until it answers, at most for [`PATIENCE`].
pub fn until<T>(what: &str, mut condition: impl FnMut() -> Option<T>) -> T {
    let deadline = Instant::now() + PATIENCE;
    loop {
        if let Some(answer) = condition() {
            return answer;
        }
        assert!(Instant::now() < deadline, "waited {PATIENCE:?} for {what}");
        std::thread::sleep(Duration::from_millis(20));
    }
}

/// A port of loopback that was free a moment ago.
pub fn free_port() -> u16 {
    TcpListener::bind(("127.0.0.1", 0))
        .and_then(|listener| listener.local_addr())
        .expect("loopback has a free port")
        .port()
}
