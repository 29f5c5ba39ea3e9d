//! The reading table: raw values in, raw values out.
//!
//! Nothing is corrected, thinned or joined here.

use std::collections::BTreeMap;
use std::collections::btree_map::Entry;

use rusqlite::{CachedStatement, Connection, OptionalExtension, params};

use crate::observation::{Quality, Reading, Series};
use crate::store::hours::Late;
use crate::store::numbers::{packed, unpacked};
use crate::store::series::{Addition, find, id_of, series_from};
use crate::store::{Doing, Store, StoreError};
use crate::units::Instant;

/// Readings a transaction of an import takes, so that the daemon never waits
/// long for the write lock.
pub const IMPORT_CHUNK: usize = 20_000;

/// What came of a chunk of readings from a file.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Imported {
    /// Readings that were new.
    pub new: usize,
    /// Readings the store already had.
    pub repeated: usize,
    /// Readings at an instant at which the series has another value: index
    /// in the chunk and the value stored.
    pub conflicts: Vec<(usize, f64)>,
}

/// What came of one reading.
pub(crate) enum Inserted {
    New,
    Same,
    Other(f64),
}

impl Store {
    /// Takes readings from a file, in one transaction: give at most
    /// [`IMPORT_CHUNK`] at a time. Conflicting ones are not written.
    ///
    /// # Errors
    /// [`StoreError`]; then nothing of the chunk is written.
    pub fn import_readings(
        &mut self,
        chunk: &[(Series, Reading)],
    ) -> Result<Imported, StoreError> {
        let transaction = self.begin()?;
        let mut known: BTreeMap<&Series, (i64, Addition)> = BTreeMap::new();
        let mut imported = Imported::default();
        let mut insertion = insertion(&transaction)?;
        let mut late = Late::on(&transaction)?;
        for (index, (series, reading)) in chunk.iter().enumerate() {
            if !known.contains_key(series) {
                let id = id_of(&transaction, series)?;
                known.insert(series, (id, Addition::default()));
            }
            let (id, addition) =
                known.get_mut(series).expect("it was put there");
            match insert(&transaction, &mut insertion, *id, *reading)? {
                Inserted::New => {
                    addition.note(*reading);
                    late.note(*id, *reading);
                    imported.new += 1;
                }
                Inserted::Same => imported.repeated += 1,
                Inserted::Other(value) => {
                    imported.conflicts.push((index, value));
                }
            }
        }
        drop(insertion);
        for (id, addition) in known.values_mut() {
            addition.write(&transaction, *id)?;
        }
        late.write(&transaction)?;
        transaction.commit().writing()?;
        Ok(imported)
    }

    /// The readings of a series in [`from`, `to`), oldest first.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn readings(
        &self,
        series: &Series,
        from: Instant,
        to: Instant,
    ) -> Result<Vec<Reading>, StoreError> {
        of_series(&self.connection, series, from, to)
    }

    /// The readings of several series in [`from`, `to`), each oldest first,
    /// in the order of `wanted`. One walk through the table serves all.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn readings_of(
        &self,
        wanted: &[Series],
        from: Instant,
        to: Instant,
    ) -> Result<Vec<Vec<Reading>>, StoreError> {
        let mut places: BTreeMap<i64, usize> = BTreeMap::new();
        for (place, series) in wanted.iter().enumerate() {
            if let Some(id) = find(&self.connection, series)? {
                places.insert(id, place);
            }
        }
        let mut found = vec![Vec::new(); wanted.len()];
        if places.is_empty() {
            return Ok(found);
        }
        let mut statement = self
            .connection
            .prepare_cached(
                "SELECT series, at_ms, value, quality FROM reading \
                 WHERE at_ms >= ?1 AND at_ms < ?2",
            )
            .reading()?;
        let mut rows =
            statement.query([from.millis(), to.millis()]).reading()?;
        while let Some(row) = rows.next().reading()? {
            let id: i64 = row.get(0).reading()?;
            if let Some(place) = places.get(&id) {
                found[*place].push(Reading {
                    at: Instant::from_millis(row.get(1).reading()?),
                    value: unpacked(row.get_ref(2).reading()?)?,
                    quality: Quality::from_bits(row.get(3).reading()?),
                });
            }
        }
        Ok(found)
    }

    /// Gives every reading in [`from`, `to`), oldest first, to `take`.
    ///
    /// # Errors
    /// [`StoreError`], or what `take` says, which ends the walk.
    pub fn each_reading<E: From<StoreError>>(
        &self,
        from: Instant,
        to: Instant,
        mut take: impl FnMut(&Series, Reading) -> Result<(), E>,
    ) -> Result<(), E> {
        let mut names: BTreeMap<i64, Series> = BTreeMap::new();
        let mut statement = self
            .connection
            .prepare_cached(
                "SELECT series, at_ms, value, quality, board, probe, \
                 quantity FROM reading JOIN series ON series.id = \
                 reading.series WHERE at_ms >= ?1 AND at_ms < ?2 \
                 ORDER BY at_ms, series",
            )
            .reading()?;
        let mut rows =
            statement.query([from.millis(), to.millis()]).reading()?;
        while let Some(row) = rows.next().reading()? {
            let id: i64 = row.get(0).reading()?;
            if let Entry::Vacant(new) = names.entry(id) {
                new.insert(series_from(row)?);
            }
            let reading = Reading {
                at: Instant::from_millis(row.get(1).reading()?),
                value: unpacked(row.get_ref(2).reading()?)?,
                quality: Quality::from_bits(row.get(3).reading()?),
            };
            take(&names[&id], reading)?;
        }
        Ok(())
    }
}

/// The statement that writes one reading, for [`insert`].
pub(crate) fn insertion(
    connection: &Connection,
) -> Result<CachedStatement<'_>, StoreError> {
    connection
        .prepare_cached(
            "INSERT OR IGNORE INTO reading (at_ms, series, value, quality) \
             VALUES (?1, ?2, ?3, ?4)",
        )
        .writing()
}

/// Writes one reading unless the series has one at that instant.
pub(crate) fn insert(
    connection: &Connection,
    insertion: &mut CachedStatement<'_>,
    series: i64,
    reading: Reading,
) -> Result<Inserted, StoreError> {
    let written = insertion
        .execute(params![
            reading.at.millis(),
            series,
            packed(reading.value),
            reading.quality.bits()
        ])
        .writing()?;
    if written == 1 {
        return Ok(Inserted::New);
    }
    let stored = value_at(connection, series, reading.at)?;
    #[allow(
        clippy::float_cmp,
        reason = "the same reading has the same value, bit for bit"
    )]
    Ok(match stored {
        Some(value) if value != reading.value => Inserted::Other(value),
        _ => Inserted::Same,
    })
}

fn value_at(
    connection: &Connection,
    series: i64,
    at: Instant,
) -> Result<Option<f64>, StoreError> {
    connection
        .prepare_cached(
            "SELECT value FROM reading WHERE at_ms = ?1 AND series = ?2",
        )
        .reading()?
        .query_row([at.millis(), series], |row| Ok(unpacked(row.get_ref(0)?)))
        .optional()
        .reading()?
        .transpose()
}

/// Whether the series has this very value in [`from`, `to`].
pub(crate) fn has_value(
    connection: &Connection,
    series: i64,
    value: f64,
    from: Instant,
    to: Instant,
) -> Result<bool, StoreError> {
    connection
        .prepare_cached(
            "SELECT EXISTS (SELECT 1 FROM reading WHERE at_ms >= ?1 \
             AND at_ms <= ?2 AND series = ?3 AND value = ?4)",
        )
        .reading()?
        .query_row(
            params![from.millis(), to.millis(), series, packed(value)],
            |row| row.get(0),
        )
        .reading()
}

/// The readings of one series in [`from`, `to`), oldest first; for short
/// stretches, since it walks through the readings of all.
pub(crate) fn of_series(
    connection: &Connection,
    series: &Series,
    from: Instant,
    to: Instant,
) -> Result<Vec<Reading>, StoreError> {
    let Some(id) = find(connection, series)? else { return Ok(Vec::new()) };
    let mut statement = connection
        .prepare_cached(
            "SELECT at_ms, value, quality FROM reading \
             WHERE at_ms >= ?1 AND at_ms < ?2 AND series = ?3",
        )
        .reading()?;
    let mut rows =
        statement.query([from.millis(), to.millis(), id]).reading()?;
    let mut readings = Vec::new();
    while let Some(row) = rows.next().reading()? {
        readings.push(Reading {
            at: Instant::from_millis(row.get(0).reading()?),
            value: unpacked(row.get_ref(1).reading()?)?,
            quality: Quality::from_bits(row.get(2).reading()?),
        });
    }
    Ok(readings)
}
