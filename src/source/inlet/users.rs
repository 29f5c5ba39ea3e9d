//! The users file of the inlet: which board has which password.
//!
//! Not a user database: one line a board, `name:$argon2id$…`, written by
//! `vernalog password` and read again when it changes.

use std::collections::HashMap;
use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};
use std::time::SystemTime;

use argon2::password_hash::rand_core::OsRng;
use argon2::password_hash::{
    PasswordHash, PasswordHasher, PasswordVerifier, SaltString,
};
use argon2::{Algorithm, Argon2, Params, Version};
use tokio::sync::Semaphore;

use crate::observation::{Name, shown};
use crate::source::delivery::lock;

/// Why a users file cannot be used, or a line of it not be made.
#[derive(Debug, thiserror::Error)]
pub enum UsersError {
    /// The file cannot be read.
    #[error("cannot read the users file {}", path.display())]
    Unreadable {
        /// The file.
        path: PathBuf,
        /// What the system says.
        source: io::Error,
    },
    /// A line is not `board:$argon2id$…`.
    #[error(
        "line {line} of the users file {} is not a board's name and its \
         hashed password; write it with \"vernalog password\"",
        path.display()
    )]
    BadLine {
        /// The file.
        path: PathBuf,
        /// Counted from 1.
        line: usize,
    },
    /// A board is named twice.
    #[error("the users file {} names the board \"{board}\" twice", path.display())]
    Twice {
        /// The file.
        path: PathBuf,
        /// The board.
        board: Name,
    },
    /// A password was to be hashed that cannot be used.
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

/// 7 MiB and five passes: the leanest of the settings that the OWASP
/// password storage page gives for Argon2id (from memory), because the
/// daemon has 30 MiB in all and boards have long random passwords.
pub(crate) fn hasher() -> Argon2<'static> {
    let params = Params::new(7 * 1024, 5, 1, None)
        .expect("7 MiB, 5 passes, 1 lane are inside the limits of Argon2");
    Argon2::new(Algorithm::Argon2id, Version::V0x13, params)
}

/// The line for a board and its password, without the end of line.
///
/// # Errors
/// [`UsersError::Length`] when the password is too short or too long.
pub fn users_line(board: &Name, password: &str) -> Result<String, UsersError> {
    let length = password.len();
    if !(8..=128).contains(&length) {
        return Err(UsersError::Length { length });
    }
    let salt = SaltString::generate(&mut OsRng);
    let hash = hasher()
        .hash_password(password.as_bytes(), &salt)
        .map_err(|error| UsersError::Hash { reason: error.to_string() })?;
    Ok(format!("{board}:{hash}"))
}

/// The text of a users file with this board's password set or replaced;
/// comments and other lines stay as they are.
///
/// # Errors
/// As [`users_line`].
pub fn with_password(
    text: &str,
    board: &Name,
    password: &str,
) -> Result<String, UsersError> {
    let own = format!("{board}:");
    let mut lines: Vec<&str> =
        text.lines().filter(|line| !line.starts_with(&own)).collect();
    let line = users_line(board, password)?;
    lines.push(&line);
    Ok(lines.join("\n") + "\n")
}

/// Board → hash.
type Hashes = HashMap<Name, String>;

fn parse(path: &Path, text: &str) -> Result<Hashes, UsersError> {
    let mut hashes = Hashes::new();
    for (idx, line) in text.lines().enumerate() {
        if line.trim().is_empty() || line.starts_with('#') {
            continue;
        }
        let (board, hash) = line
            .split_once(':')
            .and_then(|(board, hash)| {
                let hash = hash.trim_end();
                PasswordHash::new(hash).ok()?;
                Some((Name::new(board).ok()?, hash.to_owned()))
            })
            .ok_or_else(|| UsersError::BadLine {
                path: path.to_owned(),
                line: idx + 1,
            })?;
        if hashes.insert(board.clone(), hash).is_some() {
            return Err(UsersError::Twice { path: path.to_owned(), board });
        }
    }
    Ok(hashes)
}

/// The users file as it was last read.
#[derive(Debug)]
struct Table {
    /// When the file was written and how long it was.
    stamp: Option<(SystemTime, u64)>,
    hashes: Hashes,
    /// Passwords that were right, kept in memory only: boards that sleep
    /// come back every few minutes, and hashing costs a small computer more
    /// than all the rest.
    proven: HashMap<Name, String>,
}

/// Checks passwords of boards.
#[derive(Debug)]
pub(crate) struct Users {
    path: PathBuf,
    table: Mutex<Table>,
    /// One hash at a time: a flood of logins costs one core and 7 MiB.
    turn: Arc<Semaphore>,
}

/// What can be said of a login before hashing.
enum Quick {
    Right,
    Wrong,
    Unproven(String),
}

impl Users {
    /// Reads the file.
    pub(crate) fn open(path: &Path) -> Result<Self, UsersError> {
        let (stamp, hashes) = read(path)?;
        let table = Table { stamp, hashes, proven: HashMap::new() };
        Ok(Self {
            path: path.to_owned(),
            table: Mutex::new(table),
            turn: Arc::new(Semaphore::new(1)),
        })
    }

    /// The boards in the file as it was last read.
    pub(crate) fn boards(&self) -> Vec<Name> {
        lock(&self.table).hashes.keys().cloned().collect()
    }

    /// The board of this login, when the password is right.
    pub(crate) async fn check(
        self: &Arc<Self>,
        user: &str,
        password: String,
    ) -> Option<Name> {
        let board = Name::new(user).ok()?;
        let hash = match self.quick(&board, &password).await {
            Quick::Right => return Some(board),
            Quick::Wrong => return None,
            Quick::Unproven(hash) => hash,
        };
        let turn = Arc::clone(&self.turn).acquire_owned().await.ok()?;
        let users = Arc::clone(self);
        tokio::task::spawn_blocking(move || {
            // The turn ends with the work, not with the connection that
            // asked for it.
            let _turn = turn;
            let right = PasswordHash::new(&hash).is_ok_and(|parsed| {
                Argon2::default()
                    .verify_password(password.as_bytes(), &parsed)
                    .is_ok()
            });
            if !right {
                return None;
            }
            users.remember(&board, &hash, password);
            Some(board)
        })
        .await
        .ok()?
    }

    async fn quick(self: &Arc<Self>, board: &Name, password: &str) -> Quick {
        let users = Arc::clone(self);
        // A look at the file may take long on a sleeping disk.
        let refreshed =
            tokio::task::spawn_blocking(move || users.refresh()).await;
        if refreshed.is_err() {
            return Quick::Wrong;
        }
        let table = lock(&self.table);
        match (table.proven.get(board), table.hashes.get(board)) {
            (Some(proven), _) if same(proven, password) => Quick::Right,
            (_, Some(hash)) => Quick::Unproven(hash.clone()),
            (_, None) => Quick::Wrong,
        }
    }

    /// Reads the file again when it was changed; keeps what it knows when
    /// the new text cannot be used.
    fn refresh(&self) {
        let stamp = stamp_of(&self.path).ok();
        if stamp.is_none() || stamp == lock(&self.table).stamp {
            return;
        }
        match read(&self.path) {
            Ok((stamp, hashes)) => {
                *lock(&self.table) =
                    Table { stamp, hashes, proven: HashMap::new() };
            }
            Err(error) => {
                lock(&self.table).stamp = stamp;
                tracing::warn!(
                    "the changed users file is not used: {}",
                    shown(&error.to_string())
                );
            }
        }
    }

    fn remember(&self, board: &Name, hash: &str, password: String) {
        let mut table = lock(&self.table);
        if table.hashes.get(board).is_some_and(|now| now == hash) {
            table.proven.insert(board.clone(), password);
        }
    }
}

fn stamp_of(path: &Path) -> io::Result<(SystemTime, u64)> {
    let about = fs::metadata(path)?;
    Ok((about.modified()?, about.len()))
}

fn read(
    path: &Path,
) -> Result<(Option<(SystemTime, u64)>, Hashes), UsersError> {
    // The stamp is taken first: a change in between is seen the next time.
    let stamp = stamp_of(path).ok();
    let text = fs::read_to_string(path).map_err(|source| {
        UsersError::Unreadable { path: path.to_owned(), source }
    })?;
    Ok((stamp, parse(path, &text)?))
}

/// Equality in a time that does not tell where the first difference is.
fn same(left: &str, right: &str) -> bool {
    left.len() == right.len()
        && left.bytes().zip(right.bytes()).fold(0, |sum, (a, b)| sum | (a ^ b))
            == 0
}

#[cfg(test)]
mod tests {
    use super::*;

    fn name(text: &str) -> Name {
        Name::new(text).unwrap()
    }

    fn users(text: &str) -> (tempfile::TempDir, Arc<Users>) {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("boards.passwd");
        fs::write(&path, text).unwrap();
        let users = Arc::new(Users::open(&path).unwrap());
        (folder, users)
    }

    #[tokio::test]
    async fn the_right_password_opens_and_the_wrong_one_does_not() {
        let line = users_line(&name("fridge-drawer"), "moist-chill").unwrap();
        let (_folder, users) = users(&format!("# boards\n\n{line}\n"));
        let login = async |user: &str, password: &str| {
            users.check(user, password.to_owned()).await
        };
        let board = Some(name("fridge-drawer"));
        for _ in 0..2 {
            assert_eq!(login("fridge-drawer", "moist-chill").await, board);
            assert_eq!(login("fridge-drawer", "moist-chilx").await, None);
            assert_eq!(login("stair-landing", "moist-chill").await, None);
        }
    }

    #[tokio::test]
    async fn a_changed_password_counts_from_the_next_login() {
        let board = name("fridge-drawer");
        let old = with_password("# boards\n", &board, "moist-chill").unwrap();
        let (_folder, users) = users(&old);
        let login = async |password: &str| {
            users.check("fridge-drawer", password.to_owned()).await
        };
        assert!(login("moist-chill").await.is_some());
        // A longer text has another stamp even within one tick of the disk.
        let new = with_password(&old, &board, "warm-landing").unwrap();
        assert_eq!(new.matches("fridge-drawer:").count(), 1);
        fs::write(&users.path, format!("{new}# changed\n")).unwrap();
        assert!(login("moist-chill").await.is_none());
        assert!(login("warm-landing").await.is_some());
    }

    #[test]
    fn a_line_that_is_no_hash_is_refused_with_its_number() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("boards.passwd");
        fs::write(&path, "# boards\nfridge-drawer:moist-chill\n").unwrap();
        let error = Users::open(&path).unwrap_err();
        assert!(matches!(error, UsersError::BadLine { line: 2, .. }));
    }

    #[test]
    fn a_short_password_is_refused() {
        let error = users_line(&name("a"), "1234567").unwrap_err();
        assert!(matches!(error, UsersError::Length { length: 7 }));
    }

    /// Argon2id, version 0x13; the encoded form is that of the PHC string
    /// format (from memory).
    #[test]
    fn the_line_is_a_name_and_a_phc_string() {
        let line = users_line(&name("a"), "moist-chill").unwrap();
        assert!(line.starts_with("a:$argon2id$v=19$m=7168,t=5,p=1$"));
    }
}
