//! Numbered versions of the tables: which a file has, and the steps forward.
//!
//! A newer file is refused; going back is a matter of backups, and so is
//! the way forward: see `forward`.

use rusqlite::{Connection, TransactionBehavior};

use crate::store::{Doing, StoreError};

/// Step `n` brings a file from schema `n` to `n + 1`.
pub(crate) const STEPS: &[&str] = &[include_str!("schema/0001_first.sql")];

/// `application_id` of our files, so that `file` and we can tell: "vlog".
const APPLICATION_ID: i64 = 0x766c_6f67;

/// The schema this program writes.
pub(crate) fn newest() -> i64 {
    last_of(STEPS)
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
            "it was written by an older vernalog: `vernalog run` brings it \
             forward, after a backup"
        }
    };
    Err(StoreError::OtherSchema { found, known, hint })
}

/// Refuses a file of another program, whatever its schema.
pub(crate) fn is_ours(connection: &Connection) -> Result<(), StoreError> {
    let found = version(connection)?;
    if found == 0 || found > newest() {
        return check(connection);
    }
    Ok(())
}

/// Refuses a file that has tables and not the newest schema, or that is of
/// another program.
pub(crate) fn check_unless_new(
    connection: &Connection,
) -> Result<(), StoreError> {
    match version(connection)? {
        0 => Ok(()),
        _ => check(connection),
    }
}

/// Makes the tables of a new file. One that has tables is left as it is:
/// only `forward` may bring it on.
pub(crate) fn make(connection: &mut Connection) -> Result<(), StoreError> {
    if version(connection)? == 0 {
        step_forward(connection, STEPS)?;
    }
    check(connection)
}

/// Takes the steps that a file has not taken yet, all or none of them.
pub(crate) fn step_forward(
    connection: &mut Connection,
    steps: &[&str],
) -> Result<(), StoreError> {
    let all = connection
        .transaction_with_behavior(TransactionBehavior::Immediate)
        .writing()?;
    // Under the lock: another process may have been quicker.
    let taken = usize::try_from(version(&all)?).unwrap_or_default();
    for step in steps.iter().skip(taken) {
        all.execute_batch(step).writing()?;
    }
    if taken < steps.len() {
        all.pragma_update(None, "user_version", last_of(steps)).writing()?;
        all.pragma_update(None, "application_id", APPLICATION_ID).writing()?;
    }
    all.commit().writing()
}

/// The schema that these steps lead to.
pub(crate) fn last_of(steps: &[&str]) -> i64 {
    i64::try_from(steps.len()).expect("a handful of steps")
}

/// The schema of a file; an error when it is somebody else's database.
pub(crate) fn version(connection: &Connection) -> Result<i64, StoreError> {
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
