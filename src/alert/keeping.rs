//! What can be wrong with keeping the data, and how it is told.
//!
//! Numbers in, words out: no disk is looked at here.

use crate::alert::{Alert, AlertId, AlertKind, Change, Severity};
use crate::units::Instant;

/// Below this, nothing can be relied on, bytes.
const LEAST_BYTES: u64 = 50_000_000;
/// A disk is nearly full when one part in so many is left…
const LEAST_PART: u64 = 20;
/// …but so much is enough on the largest disk, bytes: years of readings.
const ENOUGH_BYTES: u64 = 1_000_000_000;

/// Whether a disk has too little room: under 50 MB, or under 5 % unless that
/// is more than 1 GB (conventions of this program). One that was low must
/// gain a fifth more before it is not, so that an alert does not flutter.
///
/// # Example
/// ```
/// use vernalog::alert::keeping::disk_is_low;
/// // A card of 16 GB: low below 800 MB.
/// assert!(disk_is_low(799_000_000, 16_000_000_000, false));
/// assert!(!disk_is_low(801_000_000, 16_000_000_000, false));
/// assert!(disk_is_low(801_000_000, 16_000_000_000, true));
/// // A disk of 1 TB: low below 1 GB.
/// assert!(!disk_is_low(1_000_000_001, 1_000_000_000_000, false));
/// // A tiny one: low below 50 MB.
/// assert!(disk_is_low(49_999_999, 64_000_000, false));
/// ```
#[must_use]
pub const fn disk_is_low(
    free_bytes: u64,
    total_bytes: u64,
    was_low: bool,
) -> bool {
    let part = total_bytes / LEAST_PART;
    let part = if part > ENOUGH_BYTES { ENOUGH_BYTES } else { part };
    let least = if part > LEAST_BYTES { part } else { LEAST_BYTES };
    let least = if was_low { least + least / 5 } else { least };
    free_bytes < least
}

/// Something that needs somebody.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Trouble {
    /// The disk is nearly full.
    Disk,
    /// No backup could be made.
    Backup,
}

impl Trouble {
    /// What its alerts are known by.
    #[must_use]
    pub const fn key(self) -> &'static str {
        match self {
            Self::Disk => "data-disk",
            Self::Backup => "data-backup",
        }
    }

    /// The message that it began, with `why`, or ended.
    #[must_use]
    pub fn alert(
        self,
        state: Change,
        since: Instant,
        at: Instant,
        why: &str,
    ) -> Alert {
        let (kind, severity) = match self {
            Self::Disk => (AlertKind::Disk, Severity::Urgent),
            Self::Backup => (AlertKind::Backup, Severity::Normal),
        };
        let text = match (self, state) {
            (Self::Disk, Change::Cleared) => {
                "The disk of the data file has room again.".to_owned()
            }
            (Self::Disk, _) => format!(
                "The disk of the data file is nearly full: {why}. When it is \
                 full, no reading is stored or acknowledged; boards and \
                 brokers keep what they can. Safe to do: take away files that \
                 are not vernalog's, or move old backups to another disk."
            ),
            (Self::Backup, Change::Cleared) => {
                "A backup was made again.".to_owned()
            }
            (Self::Backup, _) => format!(
                "The nightly backup could not be made: {why}. Readings are \
                 stored all the same. Safe to do: see whether the folder of \
                 the settings' [backup] is there and can be written, then run \
                 `vernalog backup`."
            ),
        };
        Alert {
            id: AlertId::new(self.key(), since),
            kind,
            watch: self.key().to_owned(),
            place: None,
            quantity: None,
            state,
            since,
            at,
            value: None,
            limit: None,
            severity,
            text,
        }
    }
}
