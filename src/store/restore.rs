//! A backup put in the place of the data file, which is kept beside it.
//!
//! Only while nobody else has the file: callers hold the daemon's lock.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use rusqlite::{Connection, OpenFlags};

use crate::store::backup::{
    BackupError, Checked, check, file_error, has_room, make_single,
    of_the_original, stamp, take_away,
};
use crate::store::disk::{
    beside, bytes_ahead, folder_of, share_like_its_folder, size, sync,
};
use crate::store::journal::{Standing, journal_of, read_journal, standing};
use crate::store::{Access, Doing, Store, StoreError};
use crate::units::Instant;

/// What was done.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Restored {
    /// What was found in the backup.
    pub checked: Checked,
    /// Where the data file of before is, if there was one.
    pub kept: Option<PathBuf>,
    /// Where the journal of before is, if it says more or something else
    /// than the backup.
    pub journal_kept: Option<PathBuf>,
    /// So many entries of that journal come after the end of the backup;
    /// none when it tells another history.
    pub entries_beyond: Option<usize>,
}

/// Checks a backup and puts a copy of it in the place of the data file.
///
/// # Errors
/// [`BackupError`]; then the data file is as it was.
pub fn restore(
    data: &Path,
    from: &Path,
    now: Instant,
) -> Result<Restored, BackupError> {
    if !from.exists() {
        return Err(StoreError::Missing { path: from.to_owned() }.into());
    }
    let folder = folder_of(data);
    fs::create_dir_all(folder).map_err(file_error("make", folder))?;
    has_room(folder, size(from) + bytes_ahead(from))?;
    let copy = beside(data, &format!(".restoring-{}", std::process::id()));
    let done = fetch(from, &copy)
        .and_then(|()| check_copy(from, &copy))
        .and_then(|checked| {
            let kept = exchange(data, &copy, now)?;
            Ok((checked, kept))
        });
    let (checked, kept) = done.inspect_err(|_| take_away(&copy))?;
    let (journal_kept, entries_beyond) = settle_journal(data, now)?;
    Ok(Restored { checked, kept, journal_kept, entries_beyond })
}

/// Copies a file with what is written ahead of it, so that the original is
/// only ever read.
fn fetch(from: &Path, to: &Path) -> Result<(), BackupError> {
    take_away(to);
    for ending in ["", "-wal"] {
        let (from, to) = (beside(from, ending), beside(to, ending));
        if from.exists() {
            fs::copy(&from, &to).map_err(file_error("copy", &from))?;
        }
    }
    Ok(())
}

fn check_copy(from: &Path, copy: &Path) -> Result<Checked, BackupError> {
    let checked = stand_alone(copy)
        .and_then(|()| check(copy))
        .map_err(|error| of_the_original(from, error))?;
    // Not as the backup was: as the daemon and its group need it.
    share_like_its_folder(copy).map_err(file_error("write", copy))?;
    sync(copy).map_err(file_error("write", copy))?;
    Ok(checked)
}

fn stand_alone(copy: &Path) -> Result<(), BackupError> {
    let flags =
        OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let connection = Connection::open_with_flags(copy, flags).opening()?;
    make_single(&connection)
}

/// Keeps the present file under a dated name and moves the copy in. A data
/// file is there at every moment of it.
fn exchange(
    data: &Path,
    copy: &Path,
    now: Instant,
) -> Result<Option<PathBuf>, BackupError> {
    let folder = folder_of(data);
    let old = kept_name(data, "before-restore", "db", now);
    let mut kept = None;
    for ending in ["", "-wal"] {
        let (present, old) = (beside(data, ending), beside(&old, ending));
        if present.exists() {
            keep(&present, &old).map_err(file_error("move", &present))?;
            kept.get_or_insert(old);
        }
    }
    // Left beside another file, these would damage it.
    for ending in ["-wal", "-shm"] {
        let stale = beside(data, ending);
        match fs::remove_file(&stale) {
            Err(error) if error.kind() != io::ErrorKind::NotFound => {
                return Err(file_error("remove", &stale)(error));
            }
            _ => {}
        }
    }
    sync(folder).map_err(file_error("write", folder))?;
    fs::rename(copy, data).map_err(file_error("move", copy))?;
    sync(folder).map_err(file_error("write", folder))?;
    Ok(kept)
}

/// A second name for a file; where the disk knows no such thing, its only
/// one.
fn keep(present: &Path, old: &Path) -> io::Result<()> {
    if old.exists() {
        return Err(io::ErrorKind::AlreadyExists.into());
    }
    fs::hard_link(present, old).or_else(|_| fs::rename(present, old))
}

/// The journal of before is kept when it says anything that the restored
/// ledger does not; the new one is written from that.
fn settle_journal(
    data: &Path,
    now: Instant,
) -> Result<(Option<PathBuf>, Option<usize>), BackupError> {
    let path = journal_of(data);
    if !path.exists() {
        return Ok((None, None));
    }
    let store = Store::open(data, Access::ReadOnly);
    let beyond = match store.and_then(|store| store.ledger()) {
        // An older schema is read once it is brought forward.
        Err(_) => None,
        Ok(ledger) => match read_journal(&path) {
            Err(_) => None,
            Ok(journal) => match standing(&journal.entries, &ledger) {
                Standing::UpToDate | Standing::Behind(_) => {
                    return Ok((None, None));
                }
                Standing::Ahead(n) => Some(n),
                Standing::Differs(_) => None,
            },
        },
    };
    let to = kept_name(data, "journal-before-restore", "jsonl", now);
    fs::rename(&path, &to).map_err(file_error("move", &path))?;
    Ok((Some(to), beyond))
}

/// `vernalog-before-restore-20260314T201500Z.db`.
fn kept_name(data: &Path, what: &str, ending: &str, now: Instant) -> PathBuf {
    let stem = data.file_stem().unwrap_or_default().to_string_lossy();
    let name = format!("{stem}-{what}-{}.{ending}", stamp(now));
    folder_of(data).join(name)
}
