//! A password or key out of a file of its own.
//!
//! Not a vault: the file is read anew for each use, so that a changed one
//! counts at once, and what was read is shown nowhere, not even by `Debug`.
//! Not for hashed passwords either, which may be looked at.

use std::fmt;
use std::fs::File;
use std::io::{self, Read};
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};

/// No key or password is longer; a larger file is another one by mistake,
/// bytes.
const LARGEST: u64 = 64 * 1024;
/// Others may do nothing with it, and its group may only read it.
const TOO_OPEN: u32 = 0o027;
/// A shorter secret may be part of any word and is not looked for in texts.
const SHORTEST_REDACTED: usize = 4;

/// What stands in a secret file.
#[derive(Clone, PartialEq, Eq)]
pub(crate) struct Secret(String);

/// Why a secret file cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum SecretError {
    /// It is not there, or not for us.
    #[error("cannot read the secret file {}: {source}", path.display())]
    Unreadable {
        /// The file.
        path: PathBuf,
        /// What the system says.
        source: io::Error,
    },
    /// Too many may read or change it.
    #[error(
        "the secret file {} is open to others (mode {mode:03o}); close it \
         with: chmod 640 {}",
        path.display(),
        path.display()
    )]
    TooOpen {
        /// The file.
        path: PathBuf,
        /// Its permissions.
        mode: u32,
    },
    /// It holds nothing.
    #[error("the secret file {} is empty", path.display())]
    Empty {
        /// The file.
        path: PathBuf,
    },
    /// It holds more than a password or key.
    #[error(
        "the secret file {} has {bytes} bytes, more than any secret \
         ({LARGEST}); name another file",
        path.display()
    )]
    TooLarge {
        /// The file.
        path: PathBuf,
        /// Its size.
        bytes: u64,
    },
}

impl Secret {
    /// Reads a file that holds the secret and nothing else; line ends behind
    /// it do not count.
    ///
    /// # Errors
    /// [`SecretError`], also when others may read or its group may change it.
    pub(crate) fn read(path: &Path) -> Result<Self, SecretError> {
        let text = read(path)?;
        let text = text.trim_end_matches(['\r', '\n']);
        if text.is_empty() {
            return Err(SecretError::Empty { path: path.to_owned() });
        }
        Ok(Self(text.to_owned()))
    }

    /// The secret itself, for the one who must have it.
    #[must_use]
    pub(crate) fn expose(&self) -> &str {
        &self.0
    }

    /// A text of somebody else's, without the secret should it stand there.
    #[must_use]
    pub(crate) fn redacted(&self, text: &str) -> String {
        if self.0.len() < SHORTEST_REDACTED {
            return text.to_owned();
        }
        text.replace(&self.0, "(secret)")
    }
}

/// The whole text of a secret file.
///
/// # Errors
/// [`SecretError`], also when others may read or its group may change it.
pub(crate) fn read(path: &Path) -> Result<String, SecretError> {
    let unreadable =
        |source| SecretError::Unreadable { path: path.to_owned(), source };
    let mut file = File::open(path).map_err(unreadable)?;
    let about = file.metadata().map_err(unreadable)?;
    let mode = about.permissions().mode() & 0o777;
    if mode & TOO_OPEN != 0 {
        return Err(SecretError::TooOpen { path: path.to_owned(), mode });
    }
    let bytes = about.len();
    if bytes > LARGEST {
        return Err(SecretError::TooLarge { path: path.to_owned(), bytes });
    }
    let mut text = String::new();
    file.read_to_string(&mut text).map_err(unreadable)?;
    Ok(text)
}

impl fmt::Debug for Secret {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Secret(…)")
    }
}

#[cfg(test)]
pub(crate) mod tests {
    use std::fs;

    use super::*;

    /// A file with these permissions.
    pub(crate) fn file(folder: &Path, text: &str, mode: u32) -> PathBuf {
        let path = folder.join(format!("secret-{mode:o}"));
        fs::write(&path, text).unwrap();
        fs::set_permissions(&path, fs::Permissions::from_mode(mode)).unwrap();
        path
    }

    #[test]
    fn a_secret_that_others_may_read_is_refused_with_what_to_do() {
        let folder = tempfile::tempdir().unwrap();
        for mode in [0o644, 0o604, 0o620, 0o666] {
            let path = file(folder.path(), "moist-chill\n", mode);
            let error = Secret::read(&path).unwrap_err();
            let told = error.to_string();
            assert!(told.contains("chmod 640"), "{told}");
            assert!(!told.contains("moist-chill"), "{told}");
        }
        for mode in [0o600, 0o640, 0o400] {
            let path = file(folder.path(), "moist-chill\r\n", mode);
            let secret = Secret::read(&path).unwrap();
            assert_eq!(secret.expose(), "moist-chill");
        }
    }

    #[test]
    fn a_secret_is_never_shown() {
        let folder = tempfile::tempdir().unwrap();
        let path = file(folder.path(), "moist-chill", 0o600);
        let secret = Secret::read(&path).unwrap();
        assert_eq!(format!("{secret:?}"), "Secret(…)");
        assert_eq!(
            secret.redacted("535 no moist-chill here"),
            "535 no (secret) here"
        );
    }

    #[test]
    fn a_missing_an_empty_and_a_huge_file_are_told_apart() {
        let folder = tempfile::tempdir().unwrap();
        let told = |path: &Path| Secret::read(path).unwrap_err().to_string();
        assert!(told(&folder.path().join("none")).contains("cannot read"));
        let empty = file(folder.path(), "\n", 0o600);
        assert!(told(&empty).contains("is empty"));
        let huge = file(folder.path(), &"x".repeat(70_000), 0o600);
        assert!(told(&huge).contains("70000 bytes"));
    }
}
