//! What is kept of each start of a board: its clock and its numbers.

use rusqlite::{Connection, OptionalExtension, params};
use serde::{Deserialize, Serialize};

use crate::decode::dating::{Arrival, Dating, LateRow, Standing, Verdict};
use crate::observation::{Boot, Name};
use crate::store::seen::Seen;
use crate::store::{Doing, StoreError};
use crate::units::Instant;

/// A boot as the intake holds it.
#[derive(Debug, Clone)]
pub(crate) struct KnownBoot {
    pub(crate) dating: Option<Dating>,
    pub(crate) seen: Seen,
    pub(crate) first_heard: Instant,
    pub(crate) changed: bool,
}

impl KnownBoot {
    /// Takes a further message of this boot, or the first.
    pub(crate) fn observe(&mut self, heard: &Arrival) -> Verdict {
        self.changed = true;
        if let Some(dating) = self.dating.as_mut() {
            return dating.observe(heard);
        }
        self.dating = Some(Dating::new(heard));
        Verdict::Provisional
    }
}

/// `decode::dating::Dating` as kept in the file.
#[derive(Debug, Serialize, Deserialize)]
struct DatingInFile {
    standing: String,
    envelope_ms: i64,
    touched_up_ms: u64,
    low_ms: i64,
    high_ms: i64,
    pace_offset_ms: i64,
    pace_up_ms: u64,
    first_received_ms: i64,
    provisional_since_ms: i64,
    last_received_ms: i64,
    last_seq: u32,
    last_up_ms: u64,
    wide: bool,
    alone: bool,
    late: Option<(i64, i64, u32)>,
}

const STANDINGS: [(Standing, &str); 4] = [
    (Standing::Provisional, "provisional"),
    (Standing::Live, "live"),
    (Standing::Doubtful, "doubtful"),
    (Standing::Untrusted, "untrusted"),
];

impl From<&Dating> for DatingInFile {
    fn from(dating: &Dating) -> Self {
        let standing = STANDINGS
            .iter()
            .find(|(known, _)| *known == dating.standing)
            .map_or("provisional", |(_, word)| word);
        Self {
            standing: standing.to_owned(),
            envelope_ms: dating.envelope_ms,
            touched_up_ms: dating.touched_up_ms,
            low_ms: dating.low_ms,
            high_ms: dating.high_ms,
            pace_offset_ms: dating.pace_offset_ms,
            pace_up_ms: dating.pace_up_ms,
            first_received_ms: dating.first_received.millis(),
            provisional_since_ms: dating.provisional_since.millis(),
            last_received_ms: dating.last_received.millis(),
            last_seq: dating.last_seq,
            last_up_ms: dating.last_up_ms,
            wide: dating.wide,
            alone: dating.alone,
            late: dating.late.map(|row| {
                (row.since.millis(), row.first_offset_ms, row.n_messages)
            }),
        }
    }
}

impl DatingInFile {
    fn understood(self) -> Option<Dating> {
        let (standing, _) =
            STANDINGS.iter().find(|(_, word)| *word == self.standing)?;
        Some(Dating {
            standing: *standing,
            envelope_ms: self.envelope_ms,
            touched_up_ms: self.touched_up_ms,
            low_ms: self.low_ms,
            high_ms: self.high_ms,
            pace_offset_ms: self.pace_offset_ms,
            pace_up_ms: self.pace_up_ms,
            first_received: Instant::from_millis(self.first_received_ms),
            provisional_since: Instant::from_millis(self.provisional_since_ms),
            last_received: Instant::from_millis(self.last_received_ms),
            last_seq: self.last_seq,
            last_up_ms: self.last_up_ms,
            wide: self.wide,
            alone: self.alone,
            late: self.late.map(|(since, first_offset_ms, n_messages)| {
                LateRow {
                    since: Instant::from_millis(since),
                    first_offset_ms,
                    n_messages,
                }
            }),
        })
    }
}

/// Reads a boot; a new one is empty.
pub(crate) fn read(
    connection: &Connection,
    board: &Name,
    boot: &Boot,
    now: Instant,
) -> Result<KnownBoot, StoreError> {
    let kept: Option<(i64, String)> = connection
        .prepare_cached(
            "SELECT first_heard_ms, dating FROM boot \
             WHERE board = ?1 AND boot = ?2",
        )
        .reading()?
        .query_row([board.as_str(), boot.as_str()], |row| {
            Ok((row.get(0)?, row.get(1)?))
        })
        .optional()
        .reading()?;
    let (first_heard, dating) = match kept {
        None => (now, None),
        Some((first_heard, text)) => {
            let dating = serde_json::from_str::<DatingInFile>(&text)
                .ok()
                .and_then(DatingInFile::understood)
                .ok_or_else(|| StoreError::Damaged {
                    what: format!("clock of boot {boot} of board {board}"),
                    why: text,
                })?;
            (Instant::from_millis(first_heard), Some(dating))
        }
    };
    let mut statement = connection
        .prepare_cached(
            "SELECT from_seq, to_seq FROM seen \
             WHERE board = ?1 AND boot = ?2",
        )
        .reading()?;
    let intervals = statement
        .query_map([board.as_str(), boot.as_str()], |row| {
            Ok((row.get(0)?, row.get(1)?))
        })
        .reading()?
        .collect::<Result<Vec<(u32, u32)>, _>>()
        .reading()?;
    Ok(KnownBoot {
        dating,
        seen: Seen::of(intervals),
        first_heard,
        changed: false,
    })
}

/// Writes what changed of a boot.
pub(crate) fn write(
    connection: &Connection,
    board: &Name,
    boot: &Boot,
    known: &mut KnownBoot,
) -> Result<(), StoreError> {
    let Some(dating) = known.dating.as_ref().filter(|_| known.changed) else {
        return Ok(());
    };
    let text = serde_json::to_string(&DatingInFile::from(dating))
        .expect("plain numbers can be written as JSON");
    connection
        .prepare_cached(
            "INSERT OR REPLACE INTO boot (board, boot, first_heard_ms, \
             dating) VALUES (?1, ?2, ?3, ?4)",
        )
        .writing()?
        .execute(params![
            board.as_str(),
            boot.as_str(),
            known.first_heard.millis(),
            text
        ])
        .writing()?;
    let (changed, removed) = known.seen.take_changes();
    for first in removed {
        connection
            .prepare_cached(
                "DELETE FROM seen WHERE board = ?1 AND boot = ?2 \
                 AND from_seq = ?3",
            )
            .writing()?
            .execute(params![board.as_str(), boot.as_str(), first])
            .writing()?;
    }
    for (first, last) in changed {
        connection
            .prepare_cached(
                "INSERT OR REPLACE INTO seen (board, boot, from_seq, to_seq) \
                 VALUES (?1, ?2, ?3, ?4)",
            )
            .writing()?
            .execute(params![board.as_str(), boot.as_str(), first, last])
            .writing()?;
    }
    known.changed = false;
    Ok(())
}

/// Boots that have samples without a date.
pub(crate) fn with_undated(
    connection: &Connection,
) -> Result<Vec<(Name, Boot)>, StoreError> {
    let mut statement = connection
        .prepare_cached("SELECT DISTINCT board, boot FROM undated")
        .reading()?;
    let rows = statement
        .query_map([], |row| Ok((row.get(0)?, row.get(1)?)))
        .reading()?
        .collect::<Result<Vec<(String, String)>, _>>()
        .reading()?;
    Ok(rows
        .into_iter()
        .filter_map(|(board, boot)| {
            Some((Name::new(board).ok()?, Boot::new(&boot)?))
        })
        .collect())
}
