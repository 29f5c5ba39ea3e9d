//! Who is in front of the screen, as far as a cookie tells: a session, the
//! token that its forms carry, and whether it has logged in.
//!
//! Kept in memory only: the daemon's next start ends them all.

use std::collections::HashMap;
use std::sync::{Mutex, PoisonError};
use std::time::Duration;

use argon2::password_hash::rand_core::{OsRng, RngCore};
use tokio::time::Instant;

/// Name of the cookie.
pub(crate) const COOKIE: &str = "vernalog";
/// A phone that was not used for so long logs in again.
const IDLE: Duration = Duration::from_secs(30 * 86_400);
/// More than a household has browsers; strangers push out strangers only.
const MOST: usize = 500;

/// A session as a page sees it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Session {
    pub(crate) id: String,
    pub(crate) token: String,
    pub(crate) logged_in: bool,
}

#[derive(Debug)]
struct Kept {
    token: String,
    logged_in: bool,
    used: Instant,
}

/// All sessions.
#[derive(Debug, Default)]
pub(crate) struct Sessions(Mutex<HashMap<String, Kept>>);

impl Sessions {
    /// The session of a cookie, if it is one and not too old.
    pub(crate) fn find(&self, id: &str) -> Option<Session> {
        let mut all = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let kept = all.get_mut(id)?;
        if kept.used.elapsed() > IDLE {
            all.remove(id);
            return None;
        }
        kept.used = Instant::now();
        Some(Session {
            id: id.to_owned(),
            token: kept.token.clone(),
            logged_in: kept.logged_in,
        })
    }

    /// A new session.
    pub(crate) fn begin(&self, logged_in: bool) -> Session {
        let session = Session { id: random(), token: random(), logged_in };
        let kept = Kept {
            token: session.token.clone(),
            logged_in,
            used: Instant::now(),
        };
        let mut all = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        if all.len() >= MOST {
            let oldest = all
                .iter()
                .min_by_key(|(_, kept)| (kept.logged_in, kept.used))
                .map(|(id, _)| id.clone());
            oldest.and_then(|id| all.remove(&id));
        }
        all.insert(session.id.clone(), kept);
        session
    }

    /// Ends a session.
    pub(crate) fn end(&self, id: &str) {
        let mut all = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        all.remove(id);
    }
}

/// 128 random bits as text: ids, tokens and form keys.
pub(crate) fn random() -> String {
    let mut bytes = [0_u8; 16];
    OsRng.fill_bytes(&mut bytes);
    hex(&bytes)
}

/// Bytes as hex digits.
pub(crate) fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

/// Text from hex digits, when they are UTF-8.
pub(crate) fn unhex(digits: &str) -> Option<String> {
    if !digits.len().is_multiple_of(2) || !digits.is_ascii() {
        return None;
    }
    let bytes: Option<Vec<u8>> = (0..digits.len())
        .step_by(2)
        .map(|at| u8::from_str_radix(&digits[at..at + 2], 16).ok())
        .collect();
    String::from_utf8(bytes?).ok()
}

/// Equality in a time that does not tell where the first difference is.
pub(crate) fn same(left: &str, right: &str) -> bool {
    left.len() == right.len()
        && left.bytes().zip(right.bytes()).fold(0, |sum, (a, b)| sum | (a ^ b))
            == 0
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn strangers_push_out_strangers_only() {
        let sessions = Sessions::default();
        let grower = sessions.begin(true);
        let first = sessions.begin(false);
        for _ in 0..2 * MOST {
            sessions.begin(false);
        }
        assert_eq!(sessions.find(&grower.id), Some(grower));
        assert_eq!(sessions.find(&first.id), None);
    }

    #[tokio::test(start_paused = true)]
    async fn a_session_that_is_not_used_ends() {
        let sessions = Sessions::default();
        let session = sessions.begin(true);
        tokio::time::advance(IDLE / 2).await;
        assert!(sessions.find(&session.id).is_some());
        tokio::time::advance(IDLE + Duration::from_secs(1)).await;
        assert!(sessions.find(&session.id).is_none());
    }

    #[test]
    fn text_survives_hex() {
        for text in ["", "Róisín", "a=b; c"] {
            assert_eq!(unhex(&hex(text.as_bytes())).as_deref(), Some(text));
        }
        for bad in ["a", "zz", "ff", "é1"] {
            assert_eq!(unhex(bad), None, "{bad}");
        }
    }
}
