//! Numbers that boards gave their samples and that never came.
//!
//! Not a fault of the file: what was lost before it reached us.

use crate::observation::Name;
use crate::store::{Doing, Store, StoreError};

/// How complete the samples of one board are.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Gap {
    /// The board.
    pub board: Name,
    /// How often it started anew.
    pub starts: u64,
    /// Samples stored, each number once.
    pub stored: u64,
    /// Numbers between the first and the last of each start that never came.
    pub missing: u64,
}

impl Store {
    /// Every board that numbers its samples, also those without a gap.
    ///
    /// # Errors
    /// [`StoreError`] when the numbers cannot be read, or overlap.
    pub fn gaps(&self) -> Result<Vec<Gap>, StoreError> {
        let mut statement = self
            .connection
            .prepare(
                "SELECT board, count(*), sum(n), sum(span - n) FROM (\
                 SELECT board, sum(to_seq - from_seq + 1) AS n, \
                 max(to_seq) - min(from_seq) + 1 AS span \
                 FROM seen GROUP BY board, boot) GROUP BY board",
            )
            .reading()?;
        let mut rows = statement.query([]).reading()?;
        let mut gaps = Vec::new();
        while let Some(row) = rows.next().reading()? {
            let board: String = row.get(0).reading()?;
            let (n, missing): (i64, i64) =
                (row.get(2).reading()?, row.get(3).reading()?);
            let damaged = |why: String| StoreError::Damaged {
                what: format!("numbers of board {board}"),
                why,
            };
            gaps.push(Gap {
                board: Name::new(board.clone())
                    .map_err(|error| damaged(error.to_string()))?,
                starts: row.get::<_, u32>(1).reading()?.into(),
                stored: n.unsigned_abs(),
                missing: u64::try_from(missing).map_err(|_| {
                    damaged(format!("{} were stored twice", -missing))
                })?,
            });
        }
        Ok(gaps)
    }
}
