//! The one password of the pages: read at start, checked one hash at a time,
//! more slowly after each wrong one.
//!
//! Kept as a hash only, in a file beside the settings that `vernalog
//! password --web` writes.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use argon2::password_hash::rand_core::OsRng;
use argon2::password_hash::{
    PasswordHash, PasswordHasher, PasswordVerifier, SaltString,
};
use tokio::sync::Semaphore;
use tokio::time::Instant;

use crate::source::inlet::hasher;

/// The file beside the settings.
pub const PASSWORD_FILE: &str = "web.passwd";

/// Wrong passwords that cost nothing: fingers slip on a phone.
const FREE: u32 = 3;
/// The longest wait after a wrong password.
const LONGEST_WAIT: Duration = Duration::from_secs(60);

/// Why a password cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum PasswordError {
    /// The file is there and cannot be read.
    #[error("cannot read the password file \"{}\"", path.display())]
    Unreadable {
        /// The file.
        path: PathBuf,
        /// What the system says.
        source: io::Error,
    },
    /// The file holds something else.
    #[error(
        "the password file \"{}\" holds no hashed password; write it anew \
         with \"vernalog password --web\"",
        path.display()
    )]
    NoHash {
        /// The file.
        path: PathBuf,
    },
    /// Too short or too long.
    #[error("a password needs 8 to 128 bytes, this one has {length}")]
    Length {
        /// Bytes of the password.
        length: usize,
    },
    /// The hash function refused.
    #[error("cannot hash the password: {reason}")]
    Hash {
        /// What it said.
        reason: String,
    },
}

/// The text of a password file.
///
/// # Errors
/// [`PasswordError::Length`] when the password is too short or too long.
pub fn password_text(password: &str) -> Result<String, PasswordError> {
    let length = password.len();
    if !(8..=128).contains(&length) {
        return Err(PasswordError::Length { length });
    }
    let salt = SaltString::generate(&mut OsRng);
    hasher()
        .hash_password(password.as_bytes(), &salt)
        .map(|hash| format!("{hash}\n"))
        .map_err(|error| PasswordError::Hash { reason: error.to_string() })
}

/// What came of a try.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Tried {
    Right,
    Wrong,
    /// Not even looked at; after so long it will be.
    TooSoon(Duration),
}

#[derive(Debug, Default)]
struct Slips {
    in_a_row: u32,
    again_from: Option<Instant>,
}

/// Checks the password.
#[derive(Debug)]
pub(crate) struct Password {
    hash: String,
    /// One hash at a time: a flood of tries costs one core and 7 MiB.
    turn: Arc<Semaphore>,
    slips: Mutex<Slips>,
}

impl Password {
    /// Reads the file; none when there is no file.
    pub(crate) fn read(path: &Path) -> Result<Option<Self>, PasswordError> {
        let text = match fs::read_to_string(path) {
            Ok(text) => text,
            Err(error) if error.kind() == io::ErrorKind::NotFound => {
                return Ok(None);
            }
            Err(source) => {
                let path = path.to_owned();
                return Err(PasswordError::Unreadable { path, source });
            }
        };
        let hash = text.trim().to_owned();
        if PasswordHash::new(&hash).is_err() {
            return Err(PasswordError::NoHash { path: path.to_owned() });
        }
        Ok(Some(Self {
            hash,
            turn: Arc::new(Semaphore::new(1)),
            slips: Mutex::default(),
        }))
    }

    /// Tries a password.
    pub(crate) async fn try_it(&self, password: String) -> Tried {
        let Ok(turn) = Arc::clone(&self.turn).try_acquire_owned() else {
            return Tried::TooSoon(Duration::from_secs(1));
        };
        if let Some(wait) = self.wait() {
            return Tried::TooSoon(wait);
        }
        let hash = self.hash.clone();
        let right = tokio::task::spawn_blocking(move || {
            // The turn ends with the work, not with who asked for it.
            let _turn = turn;
            PasswordHash::new(&hash).is_ok_and(|parsed| {
                hasher().verify_password(password.as_bytes(), &parsed).is_ok()
            })
        })
        .await
        .unwrap_or(false);
        let mut slips =
            self.slips.lock().unwrap_or_else(PoisonError::into_inner);
        if right {
            *slips = Slips::default();
            return Tried::Right;
        }
        slips.in_a_row = slips.in_a_row.saturating_add(1);
        slips.again_from = delay(slips.in_a_row).map(|d| Instant::now() + d);
        Tried::Wrong
    }

    fn wait(&self) -> Option<Duration> {
        let slips = self.slips.lock().unwrap_or_else(PoisonError::into_inner);
        let left = slips.again_from?.saturating_duration_since(Instant::now());
        (!left.is_zero()).then_some(left)
    }
}

/// The wait after so many wrong passwords in a row: 2 s, 4 s, 8 s, …
fn delay(in_a_row: u32) -> Option<Duration> {
    let doublings = in_a_row.checked_sub(FREE)?.min(62);
    let seconds = 2_u64.checked_pow(doublings + 1).unwrap_or(u64::MAX);
    Some(Duration::from_secs(seconds).min(LONGEST_WAIT))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn password(text: &str) -> Password {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join(PASSWORD_FILE);
        fs::write(&path, password_text(text).unwrap()).unwrap();
        Password::read(&path).unwrap().unwrap()
    }

    #[tokio::test(start_paused = true)]
    async fn wrong_passwords_are_answered_more_and_more_slowly() {
        let password = password("moist-chill");
        let try_it = async |text: &str| password.try_it(text.to_owned()).await;
        for _ in 0..FREE {
            assert_eq!(try_it("warm-chill").await, Tried::Wrong);
        }
        assert!(matches!(try_it("moist-chill").await, Tried::TooSoon(_)));
        tokio::time::advance(Duration::from_secs(2)).await;
        assert_eq!(try_it("warm-chill").await, Tried::Wrong);
        tokio::time::advance(Duration::from_secs(2)).await;
        assert!(matches!(try_it("moist-chill").await, Tried::TooSoon(_)));
        tokio::time::advance(Duration::from_secs(2)).await;
        assert_eq!(try_it("moist-chill").await, Tried::Right);
        assert_eq!(try_it("warm-chill").await, Tried::Wrong);
    }

    #[test]
    fn the_wait_doubles_up_to_a_minute() {
        let waits: Vec<_> =
            (1..=9).map(|n| delay(n).map(|d| d.as_secs())).collect();
        let seconds = [2, 4, 8, 16, 32, 60, 60].map(Some);
        assert_eq!(waits[..2], [None, None]);
        assert_eq!(waits[2..], seconds);
        assert_eq!(delay(u32::MAX), Some(LONGEST_WAIT));
    }

    #[test]
    fn a_file_that_holds_no_hash_is_refused() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join(PASSWORD_FILE);
        assert!(Password::read(&path).unwrap().is_none());
        fs::write(&path, "moist-chill\n").unwrap();
        let error = Password::read(&path).unwrap_err();
        assert!(matches!(error, PasswordError::NoHash { .. }));
        assert!(password_text("short").is_err());
    }
}
