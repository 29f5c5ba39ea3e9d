//! What floods left on disk: every number exactly once, or not.

use std::collections::BTreeMap;
use std::path::Path;

use rusqlite::{Connection, OpenFlags};

use crate::support::flood::{PROBES, Told};
use crate::support::house::say;

/// How often each number of a flood's board is in a data file.
pub(crate) fn numbers(data: &Path, board: &str) -> BTreeMap<u64, u64> {
    let file = look(data);
    let mut query = file
        .prepare(
            "SELECT substr(probe, 2), value FROM reading_in_words \
             WHERE board = ?1 AND quantity = 'light' UNION ALL \
             SELECT substr(probe, 2), value FROM undated \
             WHERE board = ?1 AND quantity = 'light'",
        )
        .unwrap();
    let mut rows = query.query([board]).unwrap();
    let mut times = BTreeMap::new();
    while let Some(row) = rows.next().unwrap() {
        let probe: String = row.get(0).unwrap();
        let value: f64 = row.get(1).unwrap();
        assert!(value.fract() == 0.0 && (0.0..2e5).contains(&value));
        #[allow(clippy::cast_possible_truncation, reason = "judged above")]
        let turns = value as u64;
        let number = turns * PROBES + probe.parse::<u64>().unwrap();
        *times.entry(number).or_insert(0) += 1;
    }
    times
}

/// How many samples of a board are on disk.
pub(crate) fn stored(data: &Path, board: &str) -> u64 {
    let stored: i64 = look(data)
        .query_row(
            "SELECT coalesce(sum(to_seq - from_seq + 1), 0) FROM seen \
             WHERE board = ?1",
            [board],
            |row| row.get(0),
        )
        .unwrap();
    u64::try_from(stored).unwrap()
}

/// Reads the whole file through.
pub(crate) fn assert_sound(data: &Path) {
    let check: String = look(data)
        .query_row("PRAGMA integrity_check", [], |row| row.get(0))
        .unwrap();
    assert_eq!(check, "ok");
}

/// All that a flood was acknowledged is on disk exactly once, and nothing
/// else; shows the figures.
pub(crate) fn assert_exactly_once(data: &Path, board: &str, told: Told) {
    let times = numbers(data, board);
    let lost = (1..=told.acknowledged).filter(|n| !times.contains_key(n));
    let lost = lost.count();
    let twice = times.values().filter(|n| **n > 1).count();
    say(&format!(
        "{board}: sent {}, acknowledged {}, stored {}, stored twice {twice}, \
         lost {lost}, connections {}",
        told.sent,
        told.acknowledged,
        times.len(),
        told.connections,
    ));
    assert!(told.acknowledged > 0, "{board}");
    assert_eq!((lost, twice), (0, 0), "{board}");
    assert_eq!(u64::try_from(times.len()).unwrap(), told.acknowledged);
}

fn look(data: &Path) -> Connection {
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY;
    let file = Connection::open_with_flags(data, flags).unwrap();
    file.busy_timeout(super::writer::PATIENCE).unwrap();
    file
}
