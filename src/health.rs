//! What the daemon knows about itself: plain values, no measuring.
//!
//! The daemon leaves them in the store; `status` reads them there.

use serde::{Deserialize, Serialize};

use crate::units::Instant;

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
    /// Each way out for alerts.
    #[serde(default)]
    pub channels: Vec<ChannelWord>,
    /// Disk, backups, journal.
    #[serde(default)]
    pub keeping: KeepingWord,
}

/// What one way out for alerts last said of itself.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct ChannelWord {
    /// Its name in the settings.
    pub name: String,
    /// How it is.
    pub state: ChannelState,
    /// Why it does not work, if so; without any secret.
    pub detail: String,
    /// Failures in a row.
    pub failures: u32,
    /// When it last took a message, since the daemon's start.
    pub last_taken: Option<Instant>,
}

/// How a way out for alerts is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ChannelState {
    /// The last try, or a look at it, met no trouble.
    Works,
    /// The last try, or a look at it, met trouble; it is tried again.
    Fails,
}

/// How the data are kept: the disk, the backups, the journal.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct KeepingWord {
    /// When it was last looked at; never before the daemon's first look.
    pub looked: Option<Instant>,
    /// Where backups go; none when the settings name no folder.
    pub backup_folder: Option<String>,
    /// The newest backup there.
    pub last_backup: Option<BackupWord>,
    /// Why the last try made no backup, if so.
    pub backup_trouble: Option<String>,
    /// Room left on the disk of the data file, bytes.
    pub disk_free_bytes: u64,
    /// The whole of that disk, bytes.
    pub disk_total_bytes: u64,
    /// That is too little.
    pub disk_is_low: bool,
    /// Bytes written ahead of the data file.
    pub ahead_bytes: u64,
    /// Bytes this program gave to the disk in the time below, which is the
    /// last day, or since its start.
    pub written_bytes: u64,
    /// That time, ms.
    pub written_over_ms: u64,
    /// Whether others keep the clock of this machine right; none when nobody
    /// knows.
    #[serde(default)]
    pub clock_synchronised: Option<bool>,
    /// Why the plain-text journal could not be written, if so.
    pub journal_trouble: Option<String>,
    /// Why readings cannot be stored, if so. On a full disk only the running
    /// daemon itself can tell.
    #[serde(default)]
    pub store_trouble: Option<String>,
}

impl KeepingWord {
    /// How the clock of this machine stands, in words.
    #[must_use]
    pub const fn clock_in_words(&self) -> &'static str {
        match self.clock_synchronised {
            Some(true) => "synchronised",
            Some(false) => "not synchronised: readings get their time from it",
            None => "nobody says whether it is synchronised",
        }
    }
}

/// A backup as it is told.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct BackupWord {
    /// When it was made.
    pub at: Instant,
    /// Where it is.
    pub file: String,
    /// Its size.
    pub bytes: u64,
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
