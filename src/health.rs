//! What the daemon knows about itself: plain values, no measuring.
//!
//! The daemon leaves them in the store; `status` reads them there.

use serde::{Deserialize, Serialize};

/// What the daemon last said of itself.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct DaemonHealth {
    /// False once it has ended in order.
    pub running: bool,
    /// Messages that waited for the writer.
    pub waiting: usize,
    /// The last commit failed; nothing is acknowledged until one succeeds.
    pub failing: bool,
    /// Each source.
    pub sources: Vec<SourceWord>,
    /// Sources and channels that could not be started, each with its reason.
    pub broken: Vec<String>,
}

/// What one source said of itself.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct SourceWord {
    /// `inlet`, `broker 127.0.0.1:1883`, `serial /dev/…`.
    pub name: String,
    /// What it is doing.
    pub state: String,
    /// Whether readings can come in.
    pub well: bool,
    /// Cause and hint where there is something to say.
    pub detail: String,
    /// Messages handed over since the daemon started.
    pub delivered: u64,
    /// What happened how often since then.
    pub counts: Vec<(String, u64)>,
}
