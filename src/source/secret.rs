//! Files that hold a secret in clear: read only when nobody else on this
//! machine can read them too.
//!
//! Not for hashed passwords, which may be looked at.

use std::fs::{self, File};
use std::io::{self, Read};
use std::path::{Path, PathBuf};

/// Larger than any secret: a file that is longer is another one.
const MOST_BYTES: u64 = 64 * 1024;

/// Why a secret cannot be had.
#[derive(Debug, thiserror::Error)]
pub enum SecretError {
    /// The file cannot be read.
    #[error("cannot read \"{}\"", path.display())]
    Unreadable {
        /// The file.
        path: PathBuf,
        /// What the system says.
        source: io::Error,
    },
    /// Everybody on the machine could read or change it.
    #[error(
        "\"{}\" holds a secret and everybody on this machine can read or \
         change it (mode {mode:03o}); take that away: chmod 640 \"{}\"",
        path.display(),
        path.display()
    )]
    Open {
        /// The file.
        path: PathBuf,
        /// Its permissions.
        mode: u32,
    },
}

/// The text of a secret file.
///
/// # Errors
/// [`SecretError`] when it cannot be read, or when others can.
pub(crate) fn read(path: &Path) -> Result<String, SecretError> {
    let failed =
        |source| SecretError::Unreadable { path: path.to_owned(), source };
    let file = File::open(path).map_err(failed)?;
    let about = file.metadata().map_err(failed)?;
    if let Some(mode) = open_to_others(&about) {
        return Err(SecretError::Open { path: path.to_owned(), mode });
    }
    let mut text = String::new();
    file.take(MOST_BYTES).read_to_string(&mut text).map_err(failed)?;
    Ok(text)
}

/// The permissions, when they let others in than owner and group.
fn open_to_others(about: &fs::Metadata) -> Option<u32> {
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        let mode = about.permissions().mode() & 0o777;
        (mode & 0o007 != 0).then_some(mode)
    }
    #[cfg(not(unix))]
    {
        let _ = about;
        None
    }
}

#[cfg(test)]
mod tests {
    use std::os::unix::fs::PermissionsExt;

    use super::*;

    #[test]
    fn a_secret_that_everybody_can_read_is_refused_with_the_remedy() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("broker.secret");
        fs::write(&path, "moist-chill\n").unwrap();
        for (mode, good) in
            [(0o600, true), (0o640, true), (0o644, false), (0o662, false)]
        {
            let permissions = fs::Permissions::from_mode(mode);
            fs::set_permissions(&path, permissions).unwrap();
            let read = read(&path);
            assert_eq!(read.is_ok(), good, "{mode:o}: {read:?}");
            if let Err(error) = read {
                let told = error.to_string();
                assert!(told.contains("chmod 640"), "{told}");
                assert!(!told.contains("moist-chill"), "{told}");
            }
        }
    }
}
