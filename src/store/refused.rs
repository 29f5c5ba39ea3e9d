//! What could not be taken, with its reason, and the counters.
//!
//! Bounded: the newest rows of the last weeks; the counters go on for ever.

use std::collections::BTreeMap;

use rusqlite::{Connection, params};

use crate::observation::Name;
use crate::store::{Doing, Store, StoreError};
use crate::units::{Instant, MILLIS_PER_DAY};

/// Bytes kept of one refused message.
pub const MAX_REFUSED_BYTES: usize = 512;
/// Rows kept.
const MAX_ROWS: i64 = 10_000;
/// Days kept.
const MAX_DAYS: i64 = 30;

/// One refused message or sample.
#[derive(Debug, Clone, PartialEq)]
pub struct RefusedRow {
    /// When it came.
    pub at: Instant,
    /// By which way.
    pub source: String,
    /// Who sent it, where that is known.
    pub board: Option<Name>,
    /// Why it was refused.
    pub reason: String,
    /// Its first bytes.
    pub bytes: Vec<u8>,
}

impl Store {
    /// The newest refused messages, newest first.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn refused(&self, at_most: u32) -> Result<Vec<RefusedRow>, StoreError> {
        let mut statement = self
            .connection
            .prepare_cached(
                "SELECT at_ms, source, board, reason, bytes FROM refused \
                 ORDER BY id DESC LIMIT ?1",
            )
            .reading()?;
        let rows = statement
            .query_map([at_most], |row| {
                let board: Option<String> = row.get(2)?;
                Ok(RefusedRow {
                    at: Instant::from_millis(row.get(0)?),
                    source: row.get(1)?,
                    board: board.and_then(|board| Name::new(board).ok()),
                    reason: row.get(3)?,
                    bytes: row.get(4)?,
                })
            })
            .reading()?;
        rows.collect::<Result<_, _>>().reading()
    }

    /// All counters by name.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn counters(&self) -> Result<BTreeMap<String, i64>, StoreError> {
        let mut statement = self
            .connection
            .prepare_cached("SELECT name, value FROM counter")
            .reading()?;
        let rows = statement
            .query_map([], |row| Ok((row.get(0)?, row.get(1)?)))
            .reading()?;
        rows.collect::<Result<_, _>>().reading()
    }
}

/// Keeps a refusal and counts it.
pub(crate) fn keep(
    connection: &Connection,
    row: &RefusedRow,
) -> Result<(), StoreError> {
    let cut = row.bytes.len().min(MAX_REFUSED_BYTES);
    connection
        .prepare_cached(
            "INSERT INTO refused (at_ms, source, board, reason, bytes) \
             VALUES (?1, ?2, ?3, ?4, ?5)",
        )
        .writing()?
        .execute(params![
            row.at.millis(),
            row.source,
            row.board.as_ref().map(Name::as_str),
            row.reason,
            &row.bytes[..cut]
        ])
        .writing()?;
    count(connection, "refused", 1)
}

/// Forgets the oldest refusals: once a transaction, since it looks at all.
pub(crate) fn keep_few(connection: &Connection) -> Result<(), StoreError> {
    connection
        .prepare_cached(
            "DELETE FROM refused WHERE \
             id <= (SELECT max(id) FROM refused) - ?1 OR at_ms < \
             (SELECT at_ms FROM refused ORDER BY id DESC LIMIT 1) - ?2",
        )
        .writing()?
        .execute([MAX_ROWS, MAX_DAYS * MILLIS_PER_DAY])
        .writing()?;
    Ok(())
}

/// Adds to a counter.
pub(crate) fn count(
    connection: &Connection,
    name: &str,
    by: i64,
) -> Result<(), StoreError> {
    connection
        .prepare_cached(
            "INSERT INTO counter (name, value) VALUES (?1, ?2) \
             ON CONFLICT (name) DO UPDATE SET value = value + excluded.value",
        )
        .writing()?
        .execute(params![name, by])
        .writing()?;
    Ok(())
}
