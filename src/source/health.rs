//! What each source says of itself while it runs.
//!
//! Not a log: a state in words and a few counts, to be read at any moment by
//! the status command and the pages.

use std::collections::BTreeMap;
use std::sync::Mutex;
use std::sync::atomic::{AtomicU64, Ordering};

use tokio::sync::watch;

use crate::source::delivery::{SourceName, lock};

/// What a source is doing.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SourceState {
    /// Not started yet.
    Starting,
    /// The inlet waits for boards.
    Listening,
    /// A connection or a port is being opened.
    Connecting,
    /// The broker took the connection, the subscription is not confirmed.
    NotSubscribed,
    /// The broker confirmed the subscription.
    Subscribed,
    /// The serial port is open.
    Open,
    /// Nothing can be done for a while; the next try comes by itself.
    Waiting,
    /// The other side refused; the grower has to change something.
    Refused,
    /// The daemon stopped the source.
    Stopped,
}

impl SourceState {
    /// The state in words.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::Starting => "starting",
            Self::Listening => "listening",
            Self::Connecting => "connecting",
            Self::NotSubscribed => "connected but not subscribed",
            Self::Subscribed => "subscribed",
            Self::Open => "open",
            Self::Waiting => "waiting to try again",
            Self::Refused => "refused",
            Self::Stopped => "stopped",
        }
    }

    /// Whether readings can come in.
    #[must_use]
    pub fn is_well(self) -> bool {
        matches!(self, Self::Listening | Self::Subscribed | Self::Open)
    }
}

/// The state of a source and why.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SourceCondition {
    /// What it is doing.
    pub state: SourceState,
    /// Cause and hint where there is something to say, else empty.
    pub detail: String,
}

/// Kept by a running source, read by everybody else.
#[derive(Debug)]
pub struct SourceHealth {
    name: SourceName,
    condition: watch::Sender<SourceCondition>,
    delivered: AtomicU64,
    counts: Mutex<BTreeMap<&'static str, u64>>,
}

impl SourceHealth {
    pub(crate) fn new(name: SourceName) -> Self {
        let condition = SourceCondition {
            state: SourceState::Starting,
            detail: String::new(),
        };
        Self {
            name,
            condition: watch::Sender::new(condition),
            delivered: AtomicU64::new(0),
            counts: Mutex::new(BTreeMap::new()),
        }
    }

    /// The name of the source.
    #[must_use]
    pub fn name(&self) -> &SourceName {
        &self.name
    }

    /// What it is doing now.
    #[must_use]
    pub fn condition(&self) -> SourceCondition {
        self.condition.borrow().clone()
    }

    /// Tells of every change from now on.
    #[must_use]
    pub fn watch(&self) -> watch::Receiver<SourceCondition> {
        self.condition.subscribe()
    }

    /// Messages handed to the writer so far, refused ones included.
    #[must_use]
    pub fn delivered(&self) -> u64 {
        self.delivered.load(Ordering::Relaxed)
    }

    /// What happened how often, by name.
    #[must_use]
    pub fn counts(&self) -> Vec<(&'static str, u64)> {
        lock(&self.counts).iter().map(|(what, n)| (*what, *n)).collect()
    }

    /// How often one thing happened.
    #[must_use]
    pub fn count_of(&self, what: &str) -> u64 {
        lock(&self.counts).get(what).copied().unwrap_or(0)
    }

    pub(crate) fn count(&self, what: &'static str) {
        *lock(&self.counts).entry(what).or_default() += 1;
    }

    pub(crate) fn delivered_one(&self) {
        self.delivered.fetch_add(1, Ordering::Relaxed);
    }

    /// Sets the state, and writes one log line when it is another one.
    pub(crate) fn is_now(&self, state: SourceState, detail: impl Into<String>) {
        let detail = detail.into();
        let next = SourceCondition { state, detail };
        let changed = self.condition.send_if_modified(|condition| {
            let changed = *condition != next;
            if changed {
                *condition = next.clone();
            }
            changed
        });
        if !changed {
            return;
        }
        let (words, why) = (state.words(), &next.detail);
        if matches!(state, SourceState::Waiting | SourceState::Refused) {
            tracing::warn!(source = %self.name, "{words}: {why}");
        } else {
            tracing::info!(source = %self.name, "{words} {why}");
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn counts_are_kept_by_name() {
        let health = SourceHealth::new(SourceName::new("inlet"));
        health.count("queue full");
        health.count("queue full");
        assert_eq!(health.count_of("queue full"), 2);
        assert_eq!(health.count_of("silent"), 0);
        assert_eq!(health.counts(), [("queue full", 2)]);
    }

    #[test]
    fn a_change_of_state_is_told_to_who_watches() {
        let health = SourceHealth::new(SourceName::new("inlet"));
        let mut watch = health.watch();
        health.is_now(SourceState::Listening, "");
        assert!(watch.has_changed().unwrap());
        assert!(watch.borrow_and_update().state.is_well());
        health.is_now(SourceState::Listening, "");
        assert!(!watch.has_changed().unwrap());
    }
}
