//! What was known of the clock of this machine, and when: beside the
//! readings, whose instants rest on it.

use rusqlite::{OptionalExtension, params};

use crate::store::{Doing, Store, StoreError};
use crate::units::Instant;

impl Store {
    /// Keeps whether the clock was kept right by others (none: nobody
    /// knows), if that has changed.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn clock_is(
        &mut self,
        synchronised: Option<bool>,
        at: Instant,
    ) -> Result<(), StoreError> {
        let transaction = self.begin()?;
        let last: Option<Option<bool>> = transaction
            .query_row(
                "SELECT synchronised FROM host_clock \
                 ORDER BY id DESC LIMIT 1",
                [],
                |row| row.get(0),
            )
            .optional()
            .reading()?;
        if last != Some(synchronised) {
            transaction
                .execute(
                    "INSERT INTO host_clock (at_ms, synchronised) \
                     VALUES (?1, ?2)",
                    params![at.millis(), synchronised],
                )
                .writing()?;
            transaction.commit().writing()?;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::store::Access;

    #[test]
    fn only_changes_of_the_clock_are_kept() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("v.db");
        let mut store = Store::open(&path, Access::Create).unwrap();
        let said = [Some(false), Some(false), Some(true), Some(true), None];
        for (minute, word) in (0..).zip(said) {
            let at = Instant::from_millis(minute * 60_000);
            store.clock_is(word, at).unwrap();
        }
        let kept: Vec<(i64, Option<bool>)> = store
            .connection
            .prepare("SELECT at_ms, synchronised FROM host_clock ORDER BY id")
            .unwrap()
            .query_map([], |row| Ok((row.get(0)?, row.get(1)?)))
            .unwrap()
            .map(Result::unwrap)
            .collect();
        let wanted = [(0, Some(false)), (120_000, Some(true)), (240_000, None)];
        assert_eq!(kept, wanted);
    }
}
