//! The way from an older schema to this program's: a verified backup first,
//! then all steps in one transaction.
//!
//! Only while nobody else has the file: callers hold the daemon's lock.

use std::path::{Path, PathBuf};

use rusqlite::{Connection, OpenFlags};

use crate::store::backup::{BackupError, back_up, open_to_look, stamp};
use crate::store::disk::folder_of;
use crate::store::schema::{self, STEPS, last_of, step_forward};
use crate::store::{Doing, StoreError};
use crate::units::Instant;

/// A file that was brought forward.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BroughtForward {
    /// The schema it had.
    pub from: i64,
    /// The schema it has.
    pub to: i64,
    /// The file as it was.
    pub backup: PathBuf,
}

/// Brings a data file to the newest schema; none when it is there already,
/// or is new.
///
/// # Errors
/// [`BackupError`]; then the file is as it was.
pub fn bring_forward(
    data: &Path,
    now: Instant,
) -> Result<Option<BroughtForward>, BackupError> {
    bring_forward_by(data, STEPS, now)
}

fn bring_forward_by(
    data: &Path,
    steps: &[&str],
    now: Instant,
) -> Result<Option<BroughtForward>, BackupError> {
    if !data.exists() {
        return Ok(None);
    }
    let (from, to) = (schema_of(data)?, last_of(steps));
    if from == 0 || from >= to {
        // Newer ones are refused where the file is opened.
        return Ok(None);
    }
    let stem = data.file_stem().unwrap_or_default().to_string_lossy();
    let name = format!("{stem}-schema-{from}-{}.db", stamp(now));
    let backup = back_up(data, &folder_of(data).join(name))?.file;
    let flags =
        OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let mut connection = Connection::open_with_flags(data, flags).opening()?;
    step_forward(&mut connection, steps)?;
    Ok(Some(BroughtForward { from, to, backup }))
}

fn schema_of(data: &Path) -> Result<i64, StoreError> {
    schema::version(&open_to_look(data)?)
}

#[cfg(test)]
mod tests {
    use tempfile::TempDir;

    use super::*;
    use crate::store::{Access, Store};

    /// A step that a later program might have.
    const LATER: &str = "CREATE TABLE later (id INTEGER PRIMARY KEY) STRICT;";

    #[test]
    fn an_older_file_is_brought_forward_after_a_backup_that_still_opens() {
        let folder = TempDir::new().unwrap();
        let data = folder.path().join("vernalog.db");
        drop(Store::open(&data, Access::Create).unwrap());
        let now = Instant::from_millis(1_773_453_600_000);
        let steps: Vec<&str> = STEPS.iter().copied().chain([LATER]).collect();

        let done = bring_forward_by(&data, &steps, now).unwrap().unwrap();

        assert_eq!((done.from, done.to), (1, 2));
        assert_eq!(schema_of(&data).unwrap(), 2);
        assert_eq!(schema_of(&done.backup).unwrap(), 1);
        drop(Store::open(&done.backup, Access::ReadOnly).unwrap());
        let connection = open_to_look(&data).unwrap();
        connection
            .query_row("SELECT count(*) FROM later", [], |_| Ok(()))
            .unwrap();
        // Once is enough, and this program refuses what it does not know.
        assert_eq!(bring_forward_by(&data, &steps, now).unwrap(), None);
        let refused = Store::open(&data, Access::ReadWrite).unwrap_err();
        assert!(
            matches!(
                refused,
                StoreError::OtherSchema { found: 2, known: 1, .. }
            ),
            "{refused}"
        );
    }

    #[test]
    fn a_step_that_fails_leaves_the_file_as_it_was() {
        let folder = TempDir::new().unwrap();
        let data = folder.path().join("vernalog.db");
        drop(Store::open(&data, Access::Create).unwrap());
        let steps: Vec<&str> =
            STEPS.iter().copied().chain([LATER, "CREATE nonsense"]).collect();

        bring_forward_by(&data, &steps, Instant::from_millis(0)).unwrap_err();

        assert_eq!(schema_of(&data).unwrap(), 1);
        let connection = open_to_look(&data).unwrap();
        connection
            .query_row("SELECT count(*) FROM later", [], |_| Ok(()))
            .unwrap_err();
    }
}
