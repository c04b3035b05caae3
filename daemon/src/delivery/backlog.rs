//! Counting what waited in the log when the process started, beside the delivery.

use super::tally::Tally;
use history::{ReadError, Reader};
use std::sync::Arc;
use tokio_util::sync::CancellationToken;

/// Records counted in one question to the store.
const AT_ONCE: u32 = 1_024;

/// Counts the readings in ranges of records, both ends included. Ends early when the
/// program stops. Whether it came to the end.
pub(super) fn count(
    reader: &Reader,
    ranges: &[(u64, u64)],
    tally: &Arc<Tally>,
    stop: &CancellationToken,
) -> Result<bool, ReadError> {
    for &(first, last) in ranges {
        let mut from = first;
        while from <= last {
            if stop.is_cancelled() {
                return Ok(false);
            }
            let (count, next) = reader.look().count_passing(from, last, AT_ONCE)?;
            tally.add_before(count);
            from = next;
        }
    }
    Ok(true)
}
