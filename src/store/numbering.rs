//! How well the numbers of each board's samples follow one another.
//!
//! It counts what is in the file; what a gap means is said elsewhere.

use crate::observation::Name;
use crate::store::{Doing, Store, StoreError};
use crate::units::Instant;

/// The numbered samples of one board.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Numbering {
    /// The board.
    pub board: Name,
    /// Starts of the board that were heard.
    pub starts: u64,
    /// When the newest start was first heard.
    pub newest_start: Instant,
    /// Samples stored.
    pub stored: u64,
    /// Samples that never came: numbers missing between the lowest and the
    /// highest of each start. What a board sent before its first or after
    /// its last stored sample of a start cannot be known.
    pub missing: u64,
}

impl Store {
    /// The numbering of each board that numbers its samples, by name.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn numbering(&self) -> Result<Vec<Numbering>, StoreError> {
        let mut statement = self
            .connection
            .prepare_cached(
                "SELECT board, count(*), max(first_heard_ms), sum(n), \
                 sum(missing) FROM (SELECT board, boot, \
                 sum(to_seq - from_seq + 1) AS n, \
                 max(to_seq) - min(from_seq) + 1 \
                 - sum(to_seq - from_seq + 1) AS missing \
                 FROM seen GROUP BY board, boot) \
                 JOIN boot USING (board, boot) GROUP BY board",
            )
            .reading()?;
        let rows = statement
            .query_map([], |row| {
                let number = |at| {
                    row.get::<_, i64>(at).map(|n| u64::try_from(n).unwrap_or(0))
                };
                let board: String = row.get(0)?;
                Ok((board, number(1)?, row.get(2)?, number(3)?, number(4)?))
            })
            .reading()?
            .collect::<Result<Vec<_>, _>>()
            .reading()?;
        Ok(rows
            .into_iter()
            .filter_map(|(board, starts, newest, stored, missing)| {
                Some(Numbering {
                    board: Name::new(board).ok()?,
                    starts,
                    newest_start: Instant::from_millis(newest),
                    stored,
                    missing,
                })
            })
            .collect())
    }
}
