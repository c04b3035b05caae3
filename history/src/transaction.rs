//! One transaction of the writer, and what is done when there is no room for it.

use crate::fault::WriteError;
use crate::frames::Frames;
use rusqlite::Connection;
use rusqlite::wal::CheckpointMode;

/// Runs `work` in a transaction. When the device is full, the write-ahead log is moved
/// into the database, so that its room can be used again, and the work tried once more.
pub(crate) fn transact(
    connection: &mut Connection,
    frames: &mut Frames,
    work: &dyn Fn(&Connection) -> rusqlite::Result<()>,
) -> Result<(), WriteError> {
    let result = match once(connection, work) {
        Err(error @ WriteError::Damaged(_)) => {
            frames.suspect();
            Err(error)
        }
        Err(WriteError::Full) if frames.waiting() => {
            match frames.checkpoint(connection, CheckpointMode::PASSIVE) {
                Err(sync @ WriteError::Sync(_)) => Err(sync),
                Err(_) => Err(WriteError::Full),
                Ok(()) => once(connection, work),
            }
        }
        other => other,
    };
    result?;
    if frames.after_commit()
        && let Err(sync @ WriteError::Sync(_)) =
            frames.checkpoint(connection, CheckpointMode::PASSIVE)
    {
        return Err(sync);
    }
    Ok(())
}

fn once(
    connection: &mut Connection,
    work: &dyn Fn(&Connection) -> rusqlite::Result<()>,
) -> Result<(), WriteError> {
    if !connection.is_autocommit() {
        // A rollback that failed before: nothing may begin before it is done.
        connection.execute_batch("ROLLBACK")?;
    }
    let transaction =
        connection.transaction_with_behavior(rusqlite::TransactionBehavior::Immediate)?;
    work(&transaction)?;
    transaction.commit()?;
    Ok(())
}
