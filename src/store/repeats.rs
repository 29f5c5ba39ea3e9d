//! Whether a sample whose number is known is what was stored under it.
//!
//! Readings carry no numbers, so a repeat is known by its values at the
//! instant that its number and uptime give.

use rusqlite::Connection;

use crate::decode::dating::{Dating, Standing};
use crate::observation::{Name, Sample, Series};
use crate::store::readings::has_value;
use crate::store::series::find;
use crate::store::{StoreError, undated};

/// Around the envelope, a repeat's reading may lie this far off, ms.
const SLACK_MS: i64 = 5_000;

pub(crate) fn is_same(
    connection: &Connection,
    board: &Name,
    dating: Option<Dating>,
    sample: &Sample,
) -> Result<bool, StoreError> {
    let (Some(number), Some(dating)) = (&sample.count, dating) else {
        return Ok(true);
    };
    if undated::waits(connection, board, number)? {
        return undated::is_same(connection, board, number, sample);
    }
    if dating.standing == Standing::Untrusted {
        // Dated by receipt: the uptime tells nothing about the instant.
        return Ok(true);
    }
    let at = dating.instant(number.seq, number.up_ms);
    let from = at.plus_millis(dating.low_ms - dating.envelope_ms - SLACK_MS);
    let to = at.plus_millis(dating.high_ms - dating.envelope_ms + SLACK_MS);
    for (quantity, value, _) in &sample.values {
        let series = Series {
            board: board.clone(),
            probe: sample.probe.clone(),
            quantity: *quantity,
        };
        let stored = match find(connection, &series)? {
            Some(id) => has_value(connection, id, *value, from, to)?,
            None => false,
        };
        if !stored {
            return Ok(false);
        }
    }
    Ok(true)
}
