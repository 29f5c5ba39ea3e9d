//! One daemon a data file.

use std::fs::{File, OpenOptions, TryLockError};
use std::io;
use std::path::{Path, PathBuf};

use crate::store::disk::share_like_its_folder;

/// Held while the daemon runs; let go by the system when it ends, however.
#[derive(Debug)]
pub struct DaemonLock(File);

/// Why the lock could not be had.
#[derive(Debug, thiserror::Error)]
pub enum LockError {
    /// Another daemon has it.
    #[error("a daemon already runs on this data file")]
    Taken,
    /// The lock file cannot be made.
    #[error("cannot make the lock file \"{}\"", path.display())]
    File {
        /// The lock file.
        path: PathBuf,
        /// Why.
        source: io::Error,
    },
}

impl DaemonLock {
    /// Takes the lock beside the data file.
    ///
    /// # Errors
    /// [`LockError`].
    pub fn take(data: &Path) -> Result<Self, LockError> {
        let mut name = data.as_os_str().to_owned();
        name.push(".lock");
        let path = PathBuf::from(name);
        if let Some(folder) = path.parent() {
            std::fs::create_dir_all(folder).map_err(|source| {
                LockError::File { path: path.clone(), source }
            })?;
        }
        let new = !path.exists();
        let file = OpenOptions::new()
            .create(true)
            .truncate(false)
            .write(true)
            .open(&path)
            .map_err(|source| LockError::File { path: path.clone(), source })?;
        if new {
            // Whoever made it, the daemon must be able to take it later.
            share_like_its_folder(&path).map_err(|source| LockError::File {
                path: path.clone(),
                source,
            })?;
        }
        match file.try_lock() {
            Ok(()) => Ok(Self(file)),
            Err(TryLockError::WouldBlock) => Err(LockError::Taken),
            Err(TryLockError::Error(source)) => {
                Err(LockError::File { path, source })
            }
        }
    }
}

impl Drop for DaemonLock {
    /// A program that is being started holds what we hold until its own
    /// begins; it must not keep the lock.
    fn drop(&mut self) {
        // The file is closed in any case.
        drop(self.0.unlock());
    }
}
