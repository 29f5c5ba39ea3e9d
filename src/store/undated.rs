//! Samples on disk whose instant is not known yet: the backlog of a boot
//! that was not heard live so far.

use rusqlite::{Connection, params};

use crate::observation::{
    Boot, Count, Name, Quality, Quantity, Sample, Series,
};
use crate::store::intake::Arrival;
use crate::store::series::series_from;
use crate::store::{Doing, Store, StoreError};
use crate::units::Instant;

/// Whether the sample that waits under this number is this one.
pub(crate) fn is_same(
    connection: &Connection,
    board: &Name,
    number: &Count,
    sample: &Sample,
) -> Result<bool, StoreError> {
    for (quantity, value, _) in &sample.values {
        let same: bool = connection
            .prepare_cached(
                "SELECT EXISTS (SELECT 1 FROM undated WHERE board = ?1 \
                 AND boot = ?2 AND seq = ?3 AND probe = ?4 \
                 AND quantity = ?5 AND up_ms = ?6 AND value = ?7)",
            )
            .reading()?
            .query_row(
                params![
                    board.as_str(),
                    number.boot.as_str(),
                    number.seq,
                    sample.probe.as_str(),
                    quantity.word(),
                    signed(number.up_ms),
                    value
                ],
                |row| row.get(0),
            )
            .reading()?;
        if !same {
            return Ok(false);
        }
    }
    Ok(true)
}

/// Keeps a sample until it can be dated.
pub(crate) fn keep(
    connection: &Connection,
    board: &Name,
    number: &Count,
    sample: &Sample,
    arrival: &Arrival<'_>,
) -> Result<(), StoreError> {
    for (quantity, value, marks) in &sample.values {
        connection
            .prepare_cached(
                "INSERT OR IGNORE INTO undated (board, boot, seq, probe, quantity, \
                 up_ms, received_ms, claimed_ms, value, quality) \
                 VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10)",
            )
            .writing()?
            .execute(params![
                board.as_str(),
                number.boot.as_str(),
                number.seq,
                sample.probe.as_str(),
                quantity.word(),
                signed(number.up_ms),
                arrival.received.millis(),
                sample.claimed.map(Instant::millis),
                value,
                marks.bits()
            ])
            .writing()?;
    }
    Ok(())
}

/// The host's clock was set: receipts since `since` move along.
pub(crate) fn host_clock_moved(
    connection: &Connection,
    by_ms: i64,
    since: Instant,
) -> Result<(), StoreError> {
    connection
        .execute(
            "UPDATE undated SET received_ms = received_ms + ?1 \
             WHERE received_ms >= ?2",
            [by_ms, since.millis()],
        )
        .writing()?;
    Ok(())
}

/// The oldest samples that a boot kept back, at most so many, each with the
/// time of its receipt; fewer when there are no more.
pub(crate) fn read(
    connection: &Connection,
    board: &Name,
    boot: &Boot,
    at_most: usize,
) -> Result<Vec<(Sample, Instant)>, StoreError> {
    let mut statement = connection
        .prepare_cached(
            "SELECT seq, probe, quantity, up_ms, received_ms, claimed_ms, \
             value, quality FROM undated WHERE board = ?1 AND boot = ?2 \
             ORDER BY seq, probe, quantity",
        )
        .reading()?;
    let mut rows =
        statement.query([board.as_str(), boot.as_str()]).reading()?;
    let mut samples: Vec<(Sample, Instant)> = Vec::new();
    while let Some(row) = rows.next().reading()? {
        let number = Count {
            boot: boot.clone(),
            seq: row.get(0).reading()?,
            up_ms: u64::try_from(row.get::<_, i64>(3).reading()?)
                .unwrap_or_default(),
        };
        let probe: String = row.get(1).reading()?;
        let word: String = row.get(2).reading()?;
        let (Ok(probe), Some(quantity)) =
            (Name::new(probe), Quantity::from_word(&word))
        else {
            return Err(StoreError::Damaged {
                what: format!("undated sample of board {board}"),
                why: format!("quantity {word:?}"),
            });
        };
        let value = (
            quantity,
            row.get::<_, f64>(6).reading()?,
            Quality::from_bits(row.get(7).reading()?),
        );
        let full = samples.len() == at_most;
        match samples.last_mut() {
            Some((last, _))
                if last.count.as_ref() == Some(&number)
                    && last.probe == probe =>
            {
                last.values.push(value);
            }
            _ if full => break,
            _ => samples.push((
                Sample {
                    probe,
                    count: Some(number),
                    claimed: row
                        .get::<_, Option<i64>>(5)
                        .reading()?
                        .map(Instant::from_millis),
                    values: vec![value],
                    errors: Vec::new(),
                },
                Instant::from_millis(row.get(4).reading()?),
            )),
        }
    }
    Ok(samples)
}

/// Forgets what a boot kept back up to a number, once it is dated.
pub(crate) fn forget(
    connection: &Connection,
    board: &Name,
    last: &Count,
) -> Result<(), StoreError> {
    connection
        .prepare_cached(
            "DELETE FROM undated \
             WHERE board = ?1 AND boot = ?2 AND seq <= ?3",
        )
        .writing()?
        .execute(params![board.as_str(), last.boot.as_str(), last.seq])
        .writing()?;
    Ok(())
}

/// Whether a sample waits under this number.
pub(crate) fn waits(
    connection: &Connection,
    board: &Name,
    number: &Count,
) -> Result<bool, StoreError> {
    connection
        .prepare_cached(
            "SELECT EXISTS (SELECT 1 FROM undated \
             WHERE board = ?1 AND boot = ?2 AND seq = ?3)",
        )
        .reading()?
        .query_row(
            params![board.as_str(), number.boot.as_str(), number.seq],
            |row| row.get(0),
        )
        .reading()
}

fn signed(millis: u64) -> i64 {
    i64::try_from(millis).unwrap_or(i64::MAX)
}

/// A value whose instant is not known yet.
#[derive(Debug, Clone, PartialEq)]
pub struct Undated {
    /// Its stream.
    pub series: Series,
    /// The start of the board, and the sample's number in it.
    pub count: (String, u32),
    /// The value as it was sent.
    pub value: f64,
}

impl Store {
    /// At most so many values that wait for their date, in the order of
    /// boards, starts and numbers.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn undated(&self, at_most: u32) -> Result<Vec<Undated>, StoreError> {
        let mut statement = self
            .connection
            .prepare_cached(
                "SELECT board, probe, quantity, boot, seq, value \
                 FROM undated ORDER BY board, boot, seq, probe, quantity \
                 LIMIT ?1",
            )
            .reading()?;
        let mut rows = statement.query([at_most]).reading()?;
        let mut all = Vec::new();
        while let Some(row) = rows.next().reading()? {
            all.push(Undated {
                series: series_from(row)?,
                count: (row.get(3).reading()?, row.get(4).reading()?),
                value: row.get(5).reading()?,
            });
        }
        Ok(all)
    }
}
