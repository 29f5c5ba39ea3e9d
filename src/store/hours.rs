//! Readings added up hour by hour, for figures of long spans: derived from
//! the reading table, and always the same as if it were read anew.
//!
//! The hours before one instant are in the table `hour`; from there on they
//! are added up when they are asked for. Whoever writes a reading before that
//! instant adds it in the same transaction.

use std::collections::BTreeMap;

use rusqlite::{Connection, Row, params};

use crate::climate::hours::{HourSum, hour_of, hour_start};
use crate::observation::{Quality, Reading, Series};
use crate::store::running::Running;
use crate::store::series::find;
use crate::store::{Doing, Store, StoreError};
use crate::units::Instant;

/// Hours added up in one transaction, so that the write lock is soon free.
const AT_ONCE: i64 = 6;

/// Sums over readings; see `packed` for the two forms of a value.
const SUMS: &str = "SELECT series, at_ms / 3600000 AS hour, count(*) AS n, \
     min(v) AS low, max(v) AS high, sum(v) AS total, min(at_ms) AS first_ms, \
     max(at_ms) AS last_ms, count(*) FILTER (WHERE quality & ?4) AS at_least \
     FROM (SELECT series, at_ms, quality, CASE typeof(value) WHEN 'integer' \
     THEN value / 1000.0 ELSE value END AS v FROM reading WHERE at_ms >= ?1 \
     AND at_ms < ?2 AND quality & ?3 = 0) GROUP BY series, hour";

impl Store {
    /// Adds up some of the hours that are over, oldest first. True when
    /// nothing is left to add up.
    ///
    /// # Errors
    /// [`StoreError`]; then nothing is changed.
    pub fn add_up(&mut self, now: Instant) -> Result<bool, StoreError> {
        let over = hour_of(now);
        let until = until(&self.connection)?;
        if until == over {
            return Ok(true);
        }
        if until > over {
            // A new file: its past was added up as it was written. (A clock
            // that was set back: what comes is added up as it is written.)
            if until == i64::MAX {
                set_until(&self.connection, over)?;
            }
            return Ok(true);
        }
        let transaction = self.begin()?;
        let next: Option<i64> = transaction
            .prepare_cached("SELECT min(at_ms) FROM reading WHERE at_ms >= ?1")
            .reading()?
            .query_row([hour_start(until).millis()], |row| row.get(0))
            .reading()?;
        let from = next.map_or(over, |at| hour_of(Instant::from_millis(at)));
        let to = from.saturating_add(AT_ONCE).min(over);
        if from < to {
            transaction
                .prepare_cached(&format!("INSERT OR REPLACE INTO hour {SUMS}"))
                .writing()?
                .execute(asked(from, to))
                .writing()?;
        }
        let to = to.max(until);
        set_until(&transaction, to)?;
        transaction.commit().writing()?;
        Ok(to == over)
    }

    /// The hours of several series that meet [`from`, `to`), each oldest
    /// first, in the order of `wanted`; `running` spares what was read at an
    /// earlier look.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn hours(
        &self,
        running: &mut Running,
        wanted: &[Series],
        (first, end): (Instant, Instant),
    ) -> Result<Vec<Vec<HourSum>>, StoreError> {
        // One moment for the limit and for what lies on both sides of it.
        let moment = self.connection.unchecked_transaction().reading()?;
        let until = until(&moment)?;
        let (from, to) = (hour_of(first), hour_of(end.plus_millis(-1)) + 1);
        let mut places: BTreeMap<i64, usize> = BTreeMap::new();
        let mut found = Vec::with_capacity(wanted.len());
        for (place, series) in wanted.iter().enumerate() {
            let id = find(&moment, series)?;
            found.push(match id {
                Some(id) => added_up(&moment, id, from, to.min(until))?,
                None => Vec::new(),
            });
            places.extend(id.map(|id| (id, place)));
        }
        if until < to && !places.is_empty() {
            for ((id, hour), sum) in running.look(&moment, until, end)? {
                let asked = (from..to).contains(&hour);
                if let Some(place) = places.get(&id).filter(|_| asked) {
                    found[*place].push(sum);
                }
            }
        }
        Ok(found)
    }
}

fn asked(from: i64, to: i64) -> [i64; 4] {
    [
        hour_start(from).millis(),
        hour_start(to).millis(),
        Quality::NOT_COUNTED.bits().into(),
        Quality::AT_LEAST.bits().into(),
    ]
}

fn added_up(
    connection: &Connection,
    series: i64,
    from: i64,
    to: i64,
) -> Result<Vec<HourSum>, StoreError> {
    let mut statement = connection
        .prepare_cached(
            "SELECT series, hour, n, low, high, total, first_ms, last_ms, \
             at_least FROM hour WHERE series = ?1 AND hour >= ?2 AND hour < ?3",
        )
        .reading()?;
    let mut rows = statement.query([series, from, to]).reading()?;
    let mut hours = Vec::new();
    while let Some(row) = rows.next().reading()? {
        hours.push(sum_from(row)?);
    }
    Ok(hours)
}

/// By place and not by name: a year has a hundred thousand of them. The
/// first column is the series.
fn sum_from(row: &Row<'_>) -> Result<HourSum, StoreError> {
    let at =
        |column: usize| row.get(column).map(Instant::from_millis).reading();
    Ok(HourSum {
        hour: row.get(1).reading()?,
        n: row.get(2).reading()?,
        low: row.get(3).reading()?,
        high: row.get(4).reading()?,
        total: row.get(5).reading()?,
        first: at(6)?,
        last: at(7)?,
        at_least: row.get(8).reading()?,
    })
}

/// The hour from which on nothing is added up yet.
pub(crate) fn until(connection: &Connection) -> Result<i64, StoreError> {
    connection
        .prepare_cached("SELECT until_hour FROM added_up")
        .reading()?
        .query_row([], |row| row.get(0))
        .reading()
}

fn set_until(connection: &Connection, hour: i64) -> Result<(), StoreError> {
    connection
        .prepare_cached("UPDATE added_up SET until_hour = ?1")
        .writing()?
        .execute([hour])
        .writing()?;
    Ok(())
}

/// What a transaction writes into hours that are added up already.
#[derive(Debug)]
pub(crate) struct Late {
    until: i64,
    sums: BTreeMap<(i64, i64), HourSum>,
}

impl Late {
    pub(crate) fn on(connection: &Connection) -> Result<Self, StoreError> {
        Ok(Self { until: until(connection)?, sums: BTreeMap::new() })
    }

    /// Notes a reading that was written.
    pub(crate) fn note(&mut self, series: i64, reading: Reading) {
        let hour = hour_of(reading.at);
        if hour >= self.until || !reading.quality.counts() {
            return;
        }
        let own = HourSum::of(reading);
        self.sums
            .entry((series, hour))
            .and_modify(|known| known.join(&own))
            .or_insert(own);
    }

    /// Adds what was noted to the hours.
    pub(crate) fn write(
        self,
        connection: &Connection,
    ) -> Result<(), StoreError> {
        let mut statement = connection
            .prepare_cached(
                "INSERT INTO hour (series, hour, n, low, high, total, \
                 first_ms, last_ms, at_least) \
                 VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9) \
                 ON CONFLICT (series, hour) DO UPDATE SET \
                 n = n + excluded.n, low = min(low, excluded.low), \
                 high = max(high, excluded.high), \
                 total = total + excluded.total, \
                 first_ms = min(first_ms, excluded.first_ms), \
                 last_ms = max(last_ms, excluded.last_ms), \
                 at_least = at_least + excluded.at_least",
            )
            .writing()?;
        for ((series, hour), sum) in &self.sums {
            statement
                .execute(params![
                    series,
                    hour,
                    sum.n,
                    sum.low,
                    sum.high,
                    sum.total,
                    sum.first.millis(),
                    sum.last.millis(),
                    sum.at_least
                ])
                .writing()?;
        }
        Ok(())
    }
}

/// Hours of the table that are not what their readings add up to; sums may
/// differ by rounding.
pub(crate) fn disagreeing(connection: &Connection) -> Result<i64, StoreError> {
    let differ = format!(
        "SELECT count(*) FROM ({SUMS}) AS own FULL JOIN \
         (SELECT * FROM hour WHERE hour < (SELECT until_hour FROM added_up)) \
         AS kept ON own.series = kept.series AND own.hour = kept.hour \
         WHERE own.n IS NOT kept.n OR own.low IS NOT kept.low \
         OR own.high IS NOT kept.high OR own.first_ms IS NOT kept.first_ms \
         OR own.last_ms IS NOT kept.last_ms \
         OR own.at_least IS NOT kept.at_least \
         OR abs(own.total - kept.total) > 1e-6 * (1 + abs(own.total))"
    );
    connection
        .query_row(&differ, asked(i64::MIN, until(connection)?), |row| {
            row.get(0)
        })
        .reading()
}

#[cfg(test)]
mod tests {
    use rand::{Rng, SeedableRng};
    use rand_chacha::ChaCha8Rng;

    use super::*;
    use crate::climate::hours::added_up;
    use crate::observation::{Name, Quantity};
    use crate::store::Access;

    const SEED: u64 = 20_260_310;
    const HOUR: i64 = 3_600_000;

    fn series(board: &str) -> Series {
        Series {
            board: Name::new(board).unwrap(),
            probe: Name::new("air").unwrap(),
            quantity: Quantity::Temperature,
        }
    }

    /// Whatever comes in, in whatever order, before or after its hour was
    /// added up: hours are what their readings add up to.
    #[test]
    fn hours_are_always_what_their_readings_add_up_to() {
        let mut random = ChaCha8Rng::seed_from_u64(SEED);
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("vernalog.db");
        let mut store = Store::open(&path, Access::Create).unwrap();
        let all = [series("a"), series("b")];
        let mut now = 400 * HOUR;
        let mut running = Running::default();
        for round in 0..60 {
            let chunk: Vec<(Series, Reading)> = (0..random.random_range(0..40))
                .map(|_| {
                    let late = random.random_range(0..30 * HOUR);
                    let late = if random.random_bool(0.5) { 0 } else { late };
                    let bits = 1 << random.random_range(0..8);
                    let marked = random.random_bool(0.2);
                    let value = f64::from(random.random_range(-200..400)) / 7.0;
                    (
                        all[random.random_range(0..2)].clone(),
                        Reading {
                            at: Instant::from_millis(
                                now - late - random.random_range(0..HOUR),
                            ),
                            value: (value * 10.0).round() / 10.0,
                            quality: Quality::from_bits(if marked {
                                bits
                            } else {
                                0
                            }),
                        },
                    )
                })
                .collect();
            store.import_readings(&chunk).unwrap();
            now += random.random_range(0..4 * HOUR);
            if round > 5 && random.random_bool(0.6) {
                store.add_up(Instant::from_millis(now)).unwrap();
            }
            let differ = disagreeing(&store.connection).unwrap();
            assert_eq!(differ, 0, "round {round}, seed {SEED}");
            let from = now - random.random_range(1..200) * HOUR;
            let span = (hour_start(from / HOUR), hour_start(now / HOUR + 1));
            // Looked at in turns by somebody who was here before and by
            // somebody who was not.
            let mut anew = Running::default();
            let known = if round % 3 == 0 { &mut anew } else { &mut running };
            let found = store.hours(known, &all, span).unwrap();
            for (series, found) in all.iter().zip(found) {
                let own = store.readings(series, span.0, span.1).unwrap();
                let rounded = |hours: Vec<HourSum>| -> Vec<HourSum> {
                    let round = |h: HourSum| HourSum {
                        total: (h.total * 1e6).round(),
                        ..h
                    };
                    hours.into_iter().map(round).collect()
                };
                assert_eq!(
                    rounded(found),
                    rounded(added_up(&own)),
                    "round {round}, seed {SEED}"
                );
            }
        }
        while !store.add_up(Instant::from_millis(now)).unwrap() {}
        assert_eq!(until(&store.connection).unwrap(), now / HOUR);
        assert_eq!(disagreeing(&store.connection).unwrap(), 0);
    }
}
