//! What every peer does with samples: one `SQLite` table, one packed row a commit,
//! `synchronous=FULL`, and a receipt after it. The peer commits whatever has arrived
//! when its last commit returned.

use rusqlite::Connection;
use std::path::Path;
use tokio::sync::{mpsc, oneshot};

/// One sample as a peer keeps it: 20 bytes, as many as the service's own record needs
/// for a sample with a time of its own, or more.
pub(crate) fn pack(row: &mut Vec<u8>, channel: u32, time: i64, value: f64) {
    row.extend_from_slice(&channel.to_le_bytes());
    row.extend_from_slice(&time.to_le_bytes());
    row.extend_from_slice(&value.to_le_bytes());
}

/// What a peer's handler hands to its writer.
pub(crate) enum Job {
    /// Bytes and who waits for them.
    Once(Vec<u8>, oneshot::Sender<()>),
    /// Bytes, and a number to be sent back when they are durable.
    Numbered(Vec<u8>, u64, mpsc::UnboundedSender<u64>),
}

/// Starts the writer thread.
pub(crate) fn writer(folder: &Path) -> mpsc::Sender<Job> {
    let connection = Connection::open(folder.join("peer.sqlite3")).expect("a database");
    connection
        .execute_batch(
            "PRAGMA journal_mode=WAL; PRAGMA synchronous=FULL;
             CREATE TABLE IF NOT EXISTS log (number INTEGER PRIMARY KEY, body BLOB NOT NULL);",
        )
        .expect("a table");
    let (sender, mut jobs) = mpsc::channel::<Job>(8_192);
    std::thread::spawn(move || {
        let mut batch = Vec::new();
        let mut row = Vec::new();
        while jobs.blocking_recv_many(&mut batch, 8_192) > 0 {
            row.clear();
            for job in &batch {
                match job {
                    Job::Once(bytes, _) | Job::Numbered(bytes, ..) => row.extend_from_slice(bytes),
                }
            }
            connection
                .prepare_cached("INSERT INTO log (body) VALUES (?1)")
                .and_then(|mut s| s.execute([&row]))
                .expect("a committed row");
            for job in batch.drain(..) {
                match job {
                    Job::Once(_, receipt) => drop(receipt.send(())),
                    Job::Numbered(_, number, receipts) => drop(receipts.send(number)),
                }
            }
        }
    });
    sender
}
