//! Tokens for programs of the household: who may read or record without a
//! browser, and how often.
//!
//! Kept as hashes in a file that `vernalog token` writes; it is read again
//! when it changes, so a token that is taken back is dead at once. A token
//! is 128 random bits, so a fast hash is enough.

use std::collections::HashMap;
use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, SystemTime};

use sha2::{Digest, Sha256};
use tokio::time::Instant;

use crate::observation::Name;
use crate::web::session::{hex, random, same};

/// The file beside the settings.
pub const TOKEN_FILE: &str = "web.tokens";

/// Requests that a token may save up …
const SAVED: u32 = 60;
/// … and how long one takes to come back.
const ONE_EACH: Duration = Duration::from_secs(1);

/// What a token allows.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum May {
    /// Look only.
    Read,
    /// Look, and record checks.
    Record,
}

impl May {
    const WORDS: [(Self, &'static str); 2] =
        [(Self::Read, "read"), (Self::Record, "record")];

    /// `read` or `record`.
    #[must_use]
    pub fn word(self) -> &'static str {
        crate::trial::entry::word_of(&Self::WORDS, &self)
    }
}

/// Why a token file cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum TokenError {
    /// It cannot be read.
    #[error("cannot read the token file \"{}\"", path.display())]
    Unreadable {
        /// The file.
        path: PathBuf,
        /// What the system says.
        source: io::Error,
    },
    /// A line is none of ours.
    #[error(
        "line {line} of the token file \"{}\" is none; take it out, and make \
         a new token with \"vernalog token NAME\"",
        path.display()
    )]
    BadLine {
        /// The file.
        path: PathBuf,
        /// Counted from 1.
        line: usize,
    },
}

/// A token as the file has it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct KeptToken {
    /// Whose it is.
    pub name: Name,
    /// What it allows.
    pub may: May,
    hash: String,
}

/// The tokens of a file; none when there is no file.
///
/// # Errors
/// [`TokenError`].
pub fn kept_tokens(path: &Path) -> Result<Vec<KeptToken>, TokenError> {
    let text = match fs::read_to_string(path) {
        Ok(text) => text,
        Err(error) if error.kind() == io::ErrorKind::NotFound => {
            return Ok(Vec::new());
        }
        Err(source) => {
            return Err(TokenError::Unreadable {
                path: path.to_owned(),
                source,
            });
        }
    };
    text.lines()
        .enumerate()
        .filter(|(_, line)| !line.trim().is_empty() && !line.starts_with('#'))
        .map(|(idx, line)| {
            parsed(line).ok_or_else(|| TokenError::BadLine {
                path: path.to_owned(),
                line: idx + 1,
            })
        })
        .collect()
}

fn parsed(line: &str) -> Option<KeptToken> {
    let mut parts = line.trim_end().split(':');
    let (name, may, hash) = (parts.next()?, parts.next()?, parts.next()?);
    let sound = parts.next().is_none()
        && hash.len() == 64
        && hash.bytes().all(|b| b.is_ascii_hexdigit());
    let may = crate::trial::entry::from_word(&May::WORDS, may).ok()?;
    sound.then_some(KeptToken {
        name: Name::new(name).ok()?,
        may,
        hash: hash.to_owned(),
    })
}

/// A new token, and the text of the file with it; one of the same name is
/// replaced.
#[must_use]
pub fn with_token(
    kept: &[KeptToken],
    name: &Name,
    may: May,
) -> (String, String) {
    let token = random();
    let fresh = KeptToken { name: name.clone(), may, hash: hashed(&token) };
    let mut lines = without(kept, name);
    lines.push(line(&fresh));
    (token, lines.join("\n") + "\n")
}

/// The text of the file without a token; none when there is no such token.
#[must_use]
pub fn without_token(kept: &[KeptToken], name: &Name) -> Option<String> {
    let known = kept.iter().any(|token| token.name == *name);
    let mut text = without(kept, name).join("\n");
    if !text.is_empty() {
        text.push('\n');
    }
    known.then_some(text)
}

fn without(kept: &[KeptToken], name: &Name) -> Vec<String> {
    kept.iter().filter(|token| token.name != *name).map(line).collect()
}

fn line(token: &KeptToken) -> String {
    format!("{}:{}:{}", token.name, token.may.word(), token.hash)
}

fn hashed(token: &str) -> String {
    hex(&Sha256::digest(token.as_bytes()))
}

/// Who was let in.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Caller {
    pub(crate) name: Name,
    pub(crate) may: May,
}

/// Why a caller is not let in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Shut {
    /// No token of ours.
    Unknown,
    /// Too many requests; after so long there is one more.
    TooMany(Duration),
}

#[derive(Debug, Default)]
struct Table {
    stamp: Option<(SystemTime, u64)>,
    kept: Vec<KeptToken>,
    /// When each caller's requests will all have come back.
    full_at: HashMap<Name, Instant>,
}

/// Lets programs in.
#[derive(Debug)]
pub(crate) struct Tokens {
    path: PathBuf,
    table: Mutex<Table>,
}

impl Tokens {
    /// Reads the file, if there is one.
    pub(crate) fn open(path: &Path) -> Result<Self, TokenError> {
        let (stamp, kept) = (stamp_of(path), kept_tokens(path)?);
        let table = Table { stamp, kept, full_at: HashMap::new() };
        Ok(Self { path: path.to_owned(), table: Mutex::new(table) })
    }

    /// Who shows this token, when it is one; counts the request.
    pub(crate) fn admit(&self, token: &str) -> Result<Caller, Shut> {
        let mut table =
            self.table.lock().unwrap_or_else(PoisonError::into_inner);
        self.refresh(&mut table);
        let hash = hashed(token);
        // Every line is compared, so that time tells nothing.
        let found = table.kept.iter().fold(None, |found, kept| {
            if same(&kept.hash, &hash) { Some(kept) } else { found }
        });
        let kept = found.ok_or(Shut::Unknown)?;
        let caller = Caller { name: kept.name.clone(), may: kept.may };
        let now = Instant::now();
        let full_at =
            table.full_at.get(&caller.name).copied().unwrap_or(now).max(now)
                + ONE_EACH;
        let over = (full_at - now).saturating_sub(ONE_EACH * SAVED);
        if !over.is_zero() {
            return Err(Shut::TooMany(over));
        }
        table.full_at.insert(caller.name.clone(), full_at);
        Ok(caller)
    }

    /// Reads the file again when it was changed. A file that is gone or
    /// spoilt lets nobody in.
    fn refresh(&self, table: &mut Table) {
        let stamp = stamp_of(&self.path);
        if stamp == table.stamp {
            return;
        }
        table.stamp = stamp;
        table.kept = kept_tokens(&self.path).unwrap_or_else(|error| {
            tracing::warn!("no token is taken: {error}");
            Vec::new()
        });
    }
}

fn stamp_of(path: &Path) -> Option<(SystemTime, u64)> {
    let about = fs::metadata(path).ok()?;
    Some((about.modified().ok()?, about.len()))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn name(text: &str) -> Name {
        Name::new(text).unwrap()
    }

    #[test]
    fn only_the_hash_of_a_token_is_kept_and_the_newest_of_a_name_counts() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join(TOKEN_FILE);
        assert_eq!(kept_tokens(&path).unwrap(), []);
        let (first, text) = with_token(&[], &name("wall-display"), May::Read);
        fs::write(&path, &text).unwrap();
        let tokens = Tokens::open(&path).unwrap();
        assert!(!text.contains(&first));
        assert_eq!(tokens.admit(&first).unwrap().may, May::Read);

        let kept = kept_tokens(&path).unwrap();
        let (second, text) =
            with_token(&kept, &name("wall-display"), May::Record);
        // Another length, so that the change is seen within one tick.
        fs::write(&path, &text).unwrap();
        assert_eq!(tokens.admit(&first), Err(Shut::Unknown));
        assert_eq!(tokens.admit(&second).unwrap().may, May::Record);

        let kept = kept_tokens(&path).unwrap();
        assert_eq!(without_token(&kept, &name("other")), None);
        let text = without_token(&kept, &name("wall-display")).unwrap();
        fs::write(&path, text).unwrap();
        assert_eq!(tokens.admit(&second), Err(Shut::Unknown));
        assert_eq!(tokens.admit(""), Err(Shut::Unknown));
    }

    #[tokio::test(start_paused = true)]
    async fn a_caller_in_a_hurry_waits() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join(TOKEN_FILE);
        let (token, text) = with_token(&[], &name("script"), May::Read);
        fs::write(&path, text).unwrap();
        let tokens = Tokens::open(&path).unwrap();
        for _ in 0..SAVED {
            assert!(tokens.admit(&token).is_ok());
        }
        assert_eq!(tokens.admit(&token), Err(Shut::TooMany(ONE_EACH)));
        tokio::time::advance(ONE_EACH).await;
        assert!(tokens.admit(&token).is_ok());
        assert!(tokens.admit(&token).is_err());
    }

    #[test]
    fn a_line_that_is_none_of_ours_is_told_with_its_number() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join(TOKEN_FILE);
        for bad in ["script", "script:read:abc", "script:all:00", "a:b:c:d"] {
            fs::write(&path, format!("# tokens\n\n{bad}\n")).unwrap();
            let error = kept_tokens(&path).unwrap_err();
            assert!(matches!(error, TokenError::BadLine { line: 3, .. }));
        }
    }
}
