//! The series table: which streams there are and what was last heard.

use std::collections::BTreeMap;

use rusqlite::{Connection, OptionalExtension, Row, params};

use crate::observation::{Name, Quality, Quantity, Reading, Series};
use crate::store::{Doing, Store, StoreError};
use crate::units::Instant;

/// A series with the count and the ends of its readings.
#[derive(Debug, Clone, PartialEq)]
pub struct SeriesInfo {
    /// Which stream.
    pub series: Series,
    /// How many readings.
    pub readings: u64,
    /// Instant of the first one.
    pub first: Option<Instant>,
    /// The newest one.
    pub newest: Option<Reading>,
}

impl Store {
    /// All series, by board, probe and quantity.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn series(&self) -> Result<Vec<SeriesInfo>, StoreError> {
        let mut statement = self
            .connection
            .prepare_cached(
                "SELECT board, probe, quantity, readings, first_ms, \
                 newest_ms, newest_value, newest_quality FROM series",
            )
            .reading()?;
        let mut rows = statement.query([]).reading()?;
        let mut all = Vec::new();
        while let Some(row) = rows.next().reading()? {
            all.push(info_from(row)?);
        }
        all.sort_by(|a, b| a.series.cmp(&b.series));
        Ok(all)
    }
}

fn info_from(row: &Row<'_>) -> Result<SeriesInfo, StoreError> {
    let series = series_from(row)?;
    let readings: i64 = row.get("readings").reading()?;
    let first: Option<i64> = row.get("first_ms").reading()?;
    let newest: Option<i64> = row.get("newest_ms").reading()?;
    let newest = match newest {
        None => None,
        Some(at) => Some(Reading {
            at: Instant::from_millis(at),
            value: row.get("newest_value").reading()?,
            quality: Quality::from_bits(row.get("newest_quality").reading()?),
        }),
    };
    Ok(SeriesInfo {
        series,
        readings: u64::try_from(readings).unwrap_or_default(),
        first: first.map(Instant::from_millis),
        newest,
    })
}

/// Board, probe and quantity of a row.
pub(crate) fn series_from(row: &Row<'_>) -> Result<Series, StoreError> {
    let text = |column: &str| row.get::<_, String>(column).reading();
    let damaged =
        |why: String| StoreError::Damaged { what: "series".to_owned(), why };
    let name = |text: String| {
        Name::new(text).map_err(|error| damaged(error.to_string()))
    };
    let word = text("quantity")?;
    let quantity = Quantity::from_word(&word)
        .ok_or_else(|| damaged(format!("no quantity is called {word:?}")))?;
    Ok(Series {
        board: name(text("board")?)?,
        probe: name(text("probe")?)?,
        quantity,
    })
}

/// The number of a series in the file, made when it is new.
pub(crate) fn id_of(
    connection: &Connection,
    series: &Series,
) -> Result<i64, StoreError> {
    let key = params![
        series.board.as_str(),
        series.probe.as_str(),
        series.quantity.word()
    ];
    connection
        .prepare_cached(
            "INSERT OR IGNORE INTO series (board, probe, quantity) \
             VALUES (?1, ?2, ?3)",
        )
        .writing()?
        .execute(key)
        .writing()?;
    find(connection, series)?.ok_or_else(|| StoreError::Damaged {
        what: "series".to_owned(),
        why: format!("{series} was made and is not there"),
    })
}

/// The number of a series, if it is known.
pub(crate) fn find(
    connection: &Connection,
    series: &Series,
) -> Result<Option<i64>, StoreError> {
    connection
        .prepare_cached(
            "SELECT id FROM series \
             WHERE board = ?1 AND probe = ?2 AND quantity = ?3",
        )
        .reading()?
        .query_row(
            params![
                series.board.as_str(),
                series.probe.as_str(),
                series.quantity.word()
            ],
            |row| row.get(0),
        )
        .optional()
        .reading()
}

/// What a transaction adds to a series, written once at its end.
#[derive(Debug, Default)]
pub(crate) struct Addition {
    readings: i64,
    /// The first and the newest one.
    ends: Option<(Instant, Reading)>,
}

impl Addition {
    pub(crate) fn note(&mut self, reading: Reading) {
        self.readings += 1;
        let (first, newest) = self.ends.unwrap_or((reading.at, reading));
        let newest = if reading.at >= newest.at { reading } else { newest };
        self.ends = Some((first.min(reading.at), newest));
    }

    /// Writes it, if there is anything, and begins anew.
    pub(crate) fn write(
        &mut self,
        connection: &Connection,
        series: i64,
    ) -> Result<(), StoreError> {
        let Self { readings, ends } = std::mem::take(self);
        let Some((first, newest)) = ends else { return Ok(()) };
        connection
            .prepare_cached(
                "UPDATE series SET readings = readings + ?2, \
                 first_ms = min(coalesce(first_ms, ?3), ?3), \
                 newest_value = iif(?4 >= coalesce(newest_ms, ?4), ?5, \
                 newest_value), \
                 newest_quality = iif(?4 >= coalesce(newest_ms, ?4), ?6, \
                 newest_quality), \
                 newest_ms = max(coalesce(newest_ms, ?4), ?4) WHERE id = ?1",
            )
            .writing()?
            .execute(params![
                series,
                readings,
                first.millis(),
                newest.at.millis(),
                newest.value,
                newest.quality.bits(),
            ])
            .writing()?;
        Ok(())
    }
}

/// How many readings each board has, with those that wait for a date.
pub(crate) fn readings_a_board(
    connection: &Connection,
) -> Result<BTreeMap<Name, u64>, StoreError> {
    let mut statement = connection
        .prepare_cached(
            "SELECT board, sum(readings) FROM (\
             SELECT board, readings FROM series UNION ALL \
             SELECT board, 1 FROM undated) GROUP BY board",
        )
        .reading()?;
    let rows = statement
        .query_map([], |row| {
            Ok((row.get::<_, String>(0)?, row.get::<_, i64>(1)?))
        })
        .reading()?
        .collect::<Result<Vec<_>, _>>()
        .reading()?;
    Ok(rows
        .into_iter()
        .filter_map(|(board, n)| {
            Some((Name::new(board).ok()?, u64::try_from(n).ok()?))
        })
        .collect())
}
