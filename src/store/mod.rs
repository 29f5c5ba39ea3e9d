//! One SQLite file that keeps everything: ledger, readings, alerts.
//!
//! It stores and gives back; what entries add up to is `trial::book`, when a
//! sample was taken is decided by `decode::dating`, what it all means is
//! `study`. Never reached from the async runtime: callers own a thread.

mod answers;
pub mod backup;
mod board;
mod boots;
pub mod disk;
pub mod forward;
mod gaps;
mod host_clock;
mod hours;
mod intake;
pub mod journal;
mod ledger;
pub mod library;
mod numbers;
mod outbox;
mod pages;
pub mod place;
mod readings;
mod rebuild;
mod refused;
mod repeats;
pub mod restore;
mod running;
mod schema;
mod seen;
mod series;
mod story;
mod streams;
mod strips;
mod uncounted;
mod undated;
mod verify;
mod watching;
mod welcome;

use std::path::{Path, PathBuf};
use std::time::Duration;

use rusqlite::config::DbConfig;
use rusqlite::{Connection, OpenFlags, Transaction, TransactionBehavior};

pub use answers::{AnswerRow, NewAnswer};
pub use gaps::Gap;
pub use intake::{Arrival, Intake, Taken};
pub use ledger::{Keep, Recorded, Records};
pub use outbox::{AfterFailure, Hour, OutboxRow, Try, Undelivered};
pub use readings::{IMPORT_CHUNK, Imported};
pub use rebuild::{RebuildError, Rebuilt};
pub use refused::{MAX_REFUSED_BYTES, RefusedRow};
pub use running::Running;
pub use series::SeriesInfo;
pub use story::Story;
pub use undated::Undated;
pub use verify::Finding;
pub use watching::{AlertRow, WatchStep};
pub use welcome::{MOST_UNDECLARED_BOARDS, MOST_UNDECLARED_READINGS};

/// How long a writer waits for another one.
const BUSY_TIMEOUT: Duration = Duration::from_secs(5);
/// How often it looks meanwhile. While a backlog is written, the lock is free
/// for well under a millisecond at a time, and SQLite's own waiting, which
/// looks each 100 ms in the end, hardly ever meets such a moment.
const BUSY_LOOK: Duration = Duration::from_millis(1);

/// Whether to look once more after so many looks.
fn wait_for_the_other(looks: i32) -> bool {
    std::thread::sleep(BUSY_LOOK);
    u128::try_from(looks).unwrap_or(0) * BUSY_LOOK.as_millis()
        < BUSY_TIMEOUT.as_millis()
}

/// What a caller wants to do with the file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Access {
    /// Only look.
    ReadOnly,
    /// Look and write; the file must exist.
    ReadWrite,
    /// As `ReadWrite`, making the file if there is none.
    Create,
}

/// Why the store could not do what was asked.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    /// There is no file to open.
    #[error("there is no data file at \"{}\"", path.display())]
    Missing {
        /// Where it was looked for.
        path: PathBuf,
    },
    /// The folder of the file cannot be made.
    #[error("cannot make the folder of \"{}\"", path.display())]
    Folder {
        /// The data file.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// SQLite says no.
    #[error("the data file could not be {doing}")]
    Sqlite {
        /// `opened`, `read`, `written`.
        doing: &'static str,
        /// What SQLite says.
        source: rusqlite::Error,
    },
    /// The file was written by another version of the program.
    #[error(
        "the data file has schema {found}, this program knows {known}; {hint}"
    )]
    OtherSchema {
        /// Schema of the file.
        found: i64,
        /// Newest schema this program knows.
        known: i64,
        /// What to do.
        hint: &'static str,
    },
    /// The file holds something this program cannot have written.
    #[error("the data file holds a damaged {what}: {why}")]
    Damaged {
        /// Which record.
        what: String,
        /// What is wrong with it.
        why: String,
    },
}

/// `map_err` helpers that say what was being done.
pub(crate) trait Doing<T> {
    fn opening(self) -> Result<T, StoreError>;
    fn reading(self) -> Result<T, StoreError>;
    fn writing(self) -> Result<T, StoreError>;
}

impl<T> Doing<T> for Result<T, rusqlite::Error> {
    fn opening(self) -> Result<T, StoreError> {
        self.map_err(|source| StoreError::Sqlite { doing: "opened", source })
    }
    fn reading(self) -> Result<T, StoreError> {
        self.map_err(|source| StoreError::Sqlite { doing: "read", source })
    }
    fn writing(self) -> Result<T, StoreError> {
        self.map_err(|source| StoreError::Sqlite { doing: "written", source })
    }
}

/// An open data file.
#[derive(Debug)]
pub struct Store {
    connection: Connection,
    path: PathBuf,
}

impl Store {
    /// Opens the data file, making its tables when it is new.
    ///
    /// # Errors
    /// [`StoreError`] when there is no file (unless `Create`), when it is
    /// no data file of this program, or when SQLite refuses.
    pub fn open(path: &Path, access: Access) -> Result<Self, StoreError> {
        let exists = path.exists();
        if !exists && access != Access::Create {
            return Err(StoreError::Missing { path: path.to_owned() });
        }
        if let (false, Some(folder)) = (exists, path.parent()) {
            std::fs::create_dir_all(folder).map_err(|source| {
                StoreError::Folder { path: path.to_owned(), source }
            })?;
        }
        let flags = match access {
            Access::ReadOnly => OpenFlags::SQLITE_OPEN_READ_ONLY,
            Access::ReadWrite => OpenFlags::SQLITE_OPEN_READ_WRITE,
            Access::Create => {
                OpenFlags::SQLITE_OPEN_READ_WRITE
                    | OpenFlags::SQLITE_OPEN_CREATE
            }
        } | OpenFlags::SQLITE_OPEN_NO_MUTEX;
        let mut connection =
            Connection::open_with_flags(path, flags).opening()?;
        connection.busy_handler(Some(wait_for_the_other)).opening()?;
        connection.set_prepared_statement_cache_capacity(64);
        // Nobody writes pages, or anything else but rows, through us.
        connection
            .set_db_config(DbConfig::SQLITE_DBCONFIG_DEFENSIVE, true)
            .opening()?;
        let mut store = Self { connection, path: path.to_owned() };
        if access == Access::ReadOnly {
            schema::check(&store.connection)?;
        } else {
            store.set_up_for_writing()?;
        }
        Ok(store)
    }

    fn set_up_for_writing(&mut self) -> Result<(), StoreError> {
        // Before anything is set: another program's file stays as it is.
        schema::check_unless_new(&self.connection)?;
        let pragmas = [
            ("journal_mode", "WAL"),
            // Acknowledged means on disk, so a commit must be on disk.
            ("synchronous", "FULL"),
            ("foreign_keys", "ON"),
            // What is written ahead is moved into the file every 4 MB, and
            // the room it took is given back.
            ("wal_autocheckpoint", "1000"),
            ("journal_size_limit", "4194304"),
        ];
        for (name, value) in pragmas {
            self.connection
                .pragma_update_and_check(None, name, value, |_| Ok(()))
                .or_else(|error| match error {
                    rusqlite::Error::QueryReturnedNoRows => Ok(()),
                    other => Err(other),
                })
                .opening()?;
        }
        schema::make(&mut self.connection)
    }

    /// Where the file is.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// A number that changes when another connection has written.
    ///
    /// # Errors
    /// [`StoreError::Sqlite`].
    pub fn data_version(&self) -> Result<i64, StoreError> {
        self.connection
            .pragma_query_value(None, "data_version", |row| row.get(0))
            .reading()
    }

    /// Everything that a question answers, row by row.
    fn rows<T>(
        &self,
        sql: &str,
        given: impl rusqlite::Params,
        read: impl FnMut(&rusqlite::Row<'_>) -> Result<T, rusqlite::Error>,
    ) -> Result<Vec<T>, StoreError> {
        let mut statement = self.connection.prepare_cached(sql).reading()?;
        let rows = statement.query_map(given, read).reading()?;
        rows.collect::<Result<_, _>>().reading()
    }

    /// Size of the file and of what is written ahead of it, bytes.
    #[must_use]
    pub fn bytes_on_disk(&self) -> u64 {
        disk::size(&self.path) + disk::bytes_ahead(&self.path)
    }

    /// Moves what is written ahead into the file and gives its room back.
    /// False when somebody reads or writes just now.
    ///
    /// # Errors
    /// [`StoreError::Sqlite`].
    pub fn settle(&mut self) -> Result<bool, StoreError> {
        // A checkpoint that waits for a reader keeps writers waiting, too.
        self.connection.busy_timeout(Duration::ZERO).writing()?;
        let settled = self
            .connection
            .query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |row| {
                row.get::<_, i64>(0)
            })
            .writing();
        self.connection.busy_handler(Some(wait_for_the_other)).writing()?;
        Ok(settled? == 0)
    }

    /// Looks quickly whether the file is damaged; empty when it is not.
    ///
    /// # Errors
    /// [`StoreError`] when it cannot even be looked at.
    pub fn quick_check(&self) -> Result<Vec<String>, StoreError> {
        backup::problems(&self.connection, "quick_check")
    }

    /// A transaction that takes the write lock at once.
    fn begin(&mut self) -> Result<Transaction<'_>, StoreError> {
        self.connection
            .transaction_with_behavior(TransactionBehavior::Immediate)
            .writing()
    }
}

/// An error and its causes on one line.
pub(crate) fn in_a_row(error: &dyn std::error::Error) -> String {
    let mut text = error.to_string();
    let mut cause = error.source();
    while let Some(error) = cause {
        text = format!("{text}: {error}");
        cause = error.source();
    }
    text
}
