//! Numbered versions of the tables, moved forward one step a transaction.
//!
//! A newer file is refused; going back is a matter of backups.

use rusqlite::{Connection, TransactionBehavior};

use crate::store::{Doing, StoreError};

/// Step `n` brings a file from schema `n` to `n + 1`.
const STEPS: &[&str] = &[include_str!("schema/0001_first.sql")];

/// `application_id` of our files, so that `file` and we can tell: "vlog".
const APPLICATION_ID: i64 = 0x766c_6f67;

/// The schema this program writes.
pub(crate) fn newest() -> i64 {
    i64::try_from(STEPS.len()).expect("a handful of steps")
}

/// Refuses a file that this program cannot read as it is.
pub(crate) fn check(connection: &Connection) -> Result<(), StoreError> {
    let found = version(connection)?;
    let known = newest();
    let hint = match found.cmp(&known) {
        std::cmp::Ordering::Equal => return Ok(()),
        std::cmp::Ordering::Greater => {
            "it was written by a newer vernalog: use that one, or restore a \
             backup made before"
        }
        std::cmp::Ordering::Less => {
            "stop the daemon and run `vernalog init` to bring it forward"
        }
    };
    Err(StoreError::OtherSchema { found, known, hint })
}

/// Refuses a file of another program or of a newer one of ours.
pub(crate) fn check_ours(connection: &Connection) -> Result<(), StoreError> {
    if version(connection)? > newest() {
        return check(connection);
    }
    Ok(())
}

/// Brings a file forward to the newest schema.
pub(crate) fn migrate(connection: &mut Connection) -> Result<(), StoreError> {
    let found = version(connection)?;
    let first = usize::try_from(found).expect("a version is not negative");
    for (index, step) in STEPS.iter().enumerate().skip(first) {
        let next = i64::try_from(index + 1).expect("a handful of steps");
        let step_in = connection
            .transaction_with_behavior(TransactionBehavior::Immediate)
            .writing()?;
        // Another process may have been quicker.
        if version(&step_in)? < next {
            step_in.execute_batch(step).writing()?;
            step_in.pragma_update(None, "user_version", next).writing()?;
            step_in
                .pragma_update(None, "application_id", APPLICATION_ID)
                .writing()?;
        }
        step_in.commit().writing()?;
    }
    Ok(())
}

/// The schema of a file; an error when it is somebody else's database.
fn version(connection: &Connection) -> Result<i64, StoreError> {
    let read = |name| {
        connection
            .pragma_query_value(None, name, |row| row.get::<_, i64>(0))
            .opening()
    };
    let (version, application) =
        (read("user_version")?, read("application_id")?);
    let tables: i64 = connection
        .query_row("SELECT count(*) FROM sqlite_schema", [], |row| row.get(0))
        .opening()?;
    if application == APPLICATION_ID || (tables == 0 && version == 0) {
        return Ok(version.max(0));
    }
    Err(StoreError::Damaged {
        what: "header".to_owned(),
        why: "it is a database of another program".to_owned(),
    })
}
