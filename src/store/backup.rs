//! Backups: a sound copy of a data file that is in use, under its final name
//! only when it was read through and found whole.
//!
//! Not a copy of bytes: SQLite copies its own pages in one step, so that
//! readings may come in meanwhile and the copy is of one moment.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::time::Duration;

use chrono::NaiveDateTime;
use rusqlite::backup::{Backup, StepResult};
use rusqlite::{Connection, ErrorCode, OpenFlags};

use crate::store::disk::{beside, bytes_ahead, folder_of, size, space, sync};
use crate::store::{BUSY_TIMEOUT, Doing, StoreError, ledger, schema};
use crate::units::Instant;

/// Pause before a source that is locked is tried again.
const PAUSE: Duration = Duration::from_millis(50);
/// A copy that was broken off is taken away after this long.
const LEFTOVER_MILLIS: i64 = 86_400_000;
/// Problems of one file that are told.
const MOST_TOLD: usize = 5;
const STAMP: &str = "%Y%m%dT%H%M%SZ";
/// What a copy is called until it is checked.
const UNCHECKED: &str = ".unchecked-";

/// What was found in a copy that was read through.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Checked {
    /// Its schema.
    pub schema: i64,
    /// Entries of its ledger.
    pub entries: u64,
    /// Its readings.
    pub readings: u64,
}

/// A backup that was made.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BackedUp {
    /// Where it is.
    pub file: PathBuf,
    /// Its size.
    pub bytes: u64,
    /// What was found in it.
    pub checked: Checked,
}

/// Why there is no backup, or why one is not to be used.
#[derive(Debug, thiserror::Error)]
pub enum BackupError {
    /// SQLite or the file says no.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// The disk has not enough room for a copy.
    #[error(
        "\"{}\" has {free} bytes free and a copy needs {needed}",
        folder.display()
    )]
    NoRoom {
        /// The folder to write into.
        folder: PathBuf,
        /// Bytes free there.
        free: u64,
        /// Bytes wanted.
        needed: u64,
    },
    /// There is a file of that name.
    #[error("\"{}\" is there already and is kept as it is", path.display())]
    Exists {
        /// The file.
        path: PathBuf,
    },
    /// A file or folder cannot be written, read or moved.
    #[error("cannot {doing} \"{}\"", path.display())]
    File {
        /// `write`, `read`, `move`.
        doing: &'static str,
        /// The file or folder.
        path: PathBuf,
        /// Why.
        source: io::Error,
    },
    /// The copy is damaged.
    #[error("\"{}\" is damaged: {}", path.display(), problems.join("; "))]
    Unsound {
        /// The file.
        path: PathBuf,
        /// What SQLite found.
        problems: Vec<String>,
    },
    /// Somebody else keeps the data file locked.
    #[error("\"{}\" was locked all the time", path.display())]
    Locked {
        /// The data file.
        path: PathBuf,
    },
}

pub(crate) fn file_error(
    doing: &'static str,
    path: &Path,
) -> impl Fn(io::Error) -> BackupError {
    move |source| BackupError::File { doing, path: path.to_owned(), source }
}

/// Copies a data file that may be in use, reads the copy through, and only
/// then gives it its name.
///
/// # Errors
/// [`BackupError`]; then there is no file of that name.
pub fn back_up(data: &Path, to: &Path) -> Result<BackedUp, BackupError> {
    if !data.exists() {
        return Err(StoreError::Missing { path: data.to_owned() }.into());
    }
    if to.exists() {
        return Err(BackupError::Exists { path: to.to_owned() });
    }
    let folder = folder_of(to);
    fs::create_dir_all(folder).map_err(file_error("make", folder))?;
    let bytes = size(data) + bytes_ahead(data);
    has_room(folder, bytes)?;
    let process = std::process::id();
    let unchecked = beside(to, &format!("{UNCHECKED}{process}"));
    let made = copy(data, &unchecked)
        .map_err(|error| as_unsound(data, error))
        .and_then(|()| check(&unchecked))
        .map_err(|error| of_the_original(data, error))
        .and_then(|checked| {
            sync(&unchecked).map_err(file_error("write", &unchecked))?;
            fs::rename(&unchecked, to).map_err(file_error("move", to))?;
            sync(folder).map_err(file_error("write", folder))?;
            Ok(checked)
        });
    match made {
        Ok(checked) => {
            Ok(BackedUp { file: to.to_owned(), bytes: size(to), checked })
        }
        Err(error) => {
            take_away(&unchecked);
            Err(error)
        }
    }
}

/// As [`back_up`], into a folder, under a name that says of what and when.
///
/// # Errors
/// [`BackupError`].
pub fn back_up_into(
    data: &Path,
    folder: &Path,
    now: Instant,
) -> Result<BackedUp, BackupError> {
    back_up(data, &folder.join(name_of(data, now)))
}

/// The backups of a data file in a folder, the oldest first, each with the
/// time in its name. Empty when there is no such folder.
///
/// # Errors
/// [`BackupError::File`] when the folder cannot be read.
pub fn backups_in(
    data: &Path,
    folder: &Path,
) -> Result<Vec<(Instant, PathBuf)>, BackupError> {
    let mut found = Vec::new();
    for path in files_in(folder)? {
        let name = path.file_name().unwrap_or_default().to_string_lossy();
        if let Some(at) = time_in(data, &name) {
            found.push((at, path));
        }
    }
    found.sort();
    Ok(found)
}

/// The newest backup that this program can read, in a folder or beside the
/// data file, where one is left before the file is brought forward.
#[must_use]
pub fn newest_readable(data: &Path, folder: Option<&Path>) -> Option<PathBuf> {
    let mut all = backups_in(data, folder_of(data)).unwrap_or_default();
    if let Some(folder) = folder {
        all.extend(backups_in(data, folder).unwrap_or_default());
    }
    let before_a_step = format!("{}-schema-", stem(data));
    for path in files_in(folder_of(data)).unwrap_or_default() {
        let name = path.file_name().unwrap_or_default().to_string_lossy();
        let at = name
            .strip_prefix(&before_a_step)
            .and_then(|rest| rest.split_once('-'))
            .and_then(|(_, rest)| time_of(rest));
        if let Some(at) = at {
            all.push((at, path));
        }
    }
    all.sort();
    all.into_iter().rev().map(|(_, path)| path).find(|path| {
        let opened = open_to_look(path);
        opened.is_ok_and(|connection| schema::check(&connection).is_ok())
    })
}

/// Takes the oldest backups away until `keep` are left, never the one that
/// was just made, and copies that were broken off long ago. Returns what was
/// taken away.
///
/// # Errors
/// [`BackupError::File`].
pub fn prune(
    data: &Path,
    folder: &Path,
    keep: usize,
    just_made: &Path,
    now: Instant,
) -> Result<Vec<PathBuf>, BackupError> {
    let all = backups_in(data, folder)?;
    let too_many = all.len().saturating_sub(keep);
    let mut gone = Vec::new();
    for (_, path) in all.into_iter().take(too_many) {
        if path != just_made {
            fs::remove_file(&path).map_err(file_error("remove", &path))?;
            gone.push(path);
        }
    }
    for path in files_in(folder)? {
        let name = path.file_name().unwrap_or_default().to_string_lossy();
        let unfinished = name.split_once(UNCHECKED).is_some_and(|(of, _)| {
            time_in(data, of)
                .is_some_and(|at| now.millis_since(at) > LEFTOVER_MILLIS)
        });
        if unfinished {
            fs::remove_file(&path).map_err(file_error("remove", &path))?;
        }
    }
    Ok(gone)
}

fn files_in(folder: &Path) -> Result<Vec<PathBuf>, BackupError> {
    let failed = file_error("read", folder);
    match fs::read_dir(folder) {
        Ok(entries) => entries
            .map(|entry| entry.map(|entry| entry.path()).map_err(&failed))
            .collect(),
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(Vec::new()),
        Err(error) => Err(failed(error)),
    }
}

/// `vernalog-20260314T020000Z.db` for `vernalog.db`.
fn name_of(data: &Path, now: Instant) -> String {
    format!("{}-{}.db", stem(data), stamp(now))
}

/// An instant as it stands in names of files.
pub(crate) fn stamp(at: Instant) -> String {
    at.utc().format(STAMP).to_string()
}

fn time_in(data: &Path, name: &str) -> Option<Instant> {
    time_of(name.strip_prefix(&stem(data))?.strip_prefix('-')?)
}

/// The time in the end of a name, `20260314T020000Z.db`.
fn time_of(rest: &str) -> Option<Instant> {
    let text = rest.strip_suffix(".db")?;
    let at = NaiveDateTime::parse_from_str(text, STAMP).ok()?;
    let at = Instant::from(at.and_utc());
    // Only a name that we would write.
    (stamp(at) == text).then_some(at)
}

fn stem(data: &Path) -> String {
    data.file_stem().unwrap_or_default().to_string_lossy().into_owned()
}

pub(crate) fn has_room(folder: &Path, bytes: u64) -> Result<(), BackupError> {
    let free = space(folder).map_err(file_error("read", folder))?.free_bytes;
    // A fifth more: what comes in meanwhile, and the disk's own books.
    let needed = bytes + bytes / 5;
    if free < needed {
        let folder = folder.to_owned();
        return Err(BackupError::NoRoom { folder, free, needed });
    }
    Ok(())
}

fn copy(data: &Path, to: &Path) -> Result<(), BackupError> {
    take_away(to);
    let from = open_to_look(data)?;
    schema::is_ours(&from)?;
    let mut into = Connection::open(to).opening()?;
    // A copy that is not finished is thrown away: it needs no journal.
    set(&into, "journal_mode", "OFF")?;
    set(&into, "synchronous", "OFF")?;
    {
        let backup = Backup::new(&from, &mut into).writing()?;
        let mut waited = Duration::ZERO;
        // All pages in one step: in small steps it would begin anew at each
        // write of another connection, for ever.
        loop {
            match backup.step(-1).writing()? {
                StepResult::Done => break,
                _ if waited >= BUSY_TIMEOUT => {
                    let path = data.to_owned();
                    return Err(BackupError::Locked { path });
                }
                _ => {
                    std::thread::sleep(PAUSE);
                    waited += PAUSE;
                }
            }
        }
    }
    make_single(&into)
}

/// Makes a file stand alone: no other file beside it is needed to read it,
/// by older libraries and from media that cannot be written as well.
pub(crate) fn make_single(connection: &Connection) -> Result<(), BackupError> {
    let made = set(connection, "journal_mode", "DELETE");
    let path = Path::new(connection.path().unwrap_or_default());
    made.map_err(|error| as_unsound(path, error.into()))
}

fn set(
    connection: &Connection,
    name: &str,
    value: &str,
) -> Result<(), StoreError> {
    connection
        .pragma_update_and_check(None, name, value, |_| Ok(()))
        .or_else(|error| match error {
            rusqlite::Error::QueryReturnedNoRows => Ok(()),
            other => Err(other),
        })
        .writing()
}

/// Opens a file for looking, whatever it holds.
pub(crate) fn open_to_look(path: &Path) -> Result<Connection, StoreError> {
    let flags =
        OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let connection = Connection::open_with_flags(path, flags).opening()?;
    connection.busy_timeout(BUSY_TIMEOUT).opening()?;
    Ok(connection)
}

/// Reads a copy through: integrity, whose it is, schema, ledger.
pub(crate) fn check(path: &Path) -> Result<Checked, BackupError> {
    looked_through(path).map_err(|error| as_unsound(path, error))
}

/// Damage that SQLite met on its way, as what it is.
fn as_unsound(path: &Path, error: BackupError) -> BackupError {
    match error {
        BackupError::Store(StoreError::Sqlite { source, .. })
            if is_damage(&source) =>
        {
            let problems = vec![source.to_string()];
            BackupError::Unsound { path: path.to_owned(), problems }
        }
        other => other,
    }
}

/// Damage found in a copy is told of the file that the grower knows.
pub(crate) fn of_the_original(path: &Path, error: BackupError) -> BackupError {
    match error {
        BackupError::Unsound { problems, .. } => {
            BackupError::Unsound { path: path.to_owned(), problems }
        }
        other => other,
    }
}

fn looked_through(path: &Path) -> Result<Checked, BackupError> {
    let connection = open_to_look(path)?;
    schema::is_ours(&connection)?;
    let problems = problems(&connection, "integrity_check")?;
    if !problems.is_empty() {
        return Err(BackupError::Unsound { path: path.to_owned(), problems });
    }
    let entries = ledger::read_after(&connection, 0)?;
    let count = |table: &str| -> Result<u64, StoreError> {
        let sql = format!("SELECT count(*) FROM {table}");
        let n: i64 =
            connection.query_row(&sql, [], |row| row.get(0)).reading()?;
        Ok(u64::try_from(n).unwrap_or_default())
    };
    Ok(Checked {
        schema: schema::version(&connection)?,
        entries: u64::try_from(entries.len()).unwrap_or_default(),
        readings: count("reading")?,
    })
}

/// What `integrity_check` or `quick_check` finds; empty when all is well.
pub(crate) fn problems(
    connection: &Connection,
    check: &str,
) -> Result<Vec<String>, StoreError> {
    let found = || -> Result<Vec<String>, rusqlite::Error> {
        let sql = format!("PRAGMA {check}({MOST_TOLD})");
        let mut statement = connection.prepare(&sql)?;
        let rows = statement.query_map([], |row| row.get(0))?;
        rows.collect()
    };
    match found() {
        Ok(mut found) => {
            found.retain(|line| line != "ok");
            Ok(found)
        }
        // Damage may be such that even the check cannot go on.
        Err(error) if is_damage(&error) => Ok(vec![error.to_string()]),
        error => error.reading(),
    }
}

fn is_damage(error: &rusqlite::Error) -> bool {
    matches!(
        error.sqlite_error_code(),
        Some(ErrorCode::DatabaseCorrupt | ErrorCode::NotADatabase)
    )
}

/// Removes a file that may not be there; what stays is overwritten.
pub(crate) fn take_away(path: &Path) {
    for ending in ["", "-wal", "-shm", "-journal"] {
        drop(fs::remove_file(beside(path, ending)));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_names_that_a_backup_has_are_taken_for_one() {
        let data = Path::new("/house/vernalog.db");
        let at = Instant::from_millis(1_773_453_600_000);
        let name = name_of(data, at);
        assert_eq!(name, "vernalog-20260314T020000Z.db");
        assert_eq!(time_in(data, &name), Some(at));
        for other in [
            "vernalog.db",
            "vernalog-20260314T020000Z.db-wal",
            "vernalog-20260314T0200Z.db",
            "vernalog-before-restore-20260314T020000Z.db",
            "other-20260314T020000Z.db",
            "vernalog-20261314T020000Z.db",
        ] {
            assert_eq!(time_in(data, other), None, "{other}");
        }
    }
}
