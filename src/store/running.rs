//! The hours that are not added up in the file yet, kept between two looks:
//! only what came since the last one is read.
//!
//! Exact whatever comes late: what lies before the border is taken over only
//! while it is as many readings as before, and readings are never taken away
//! or changed.

use std::collections::BTreeMap;

use rusqlite::Connection;

use crate::climate::hours::{HourSum, hour_of, hour_start};
use crate::observation::{Quality, Reading};
use crate::store::numbers::unpacked;
use crate::store::{Doing, StoreError};
use crate::units::Instant;

/// Boards whose readings come in turns differ by less than this, ms; what is
/// this fresh is read anew at each look.
const FRESH_MILLIS: i64 = 10_000;

/// More than the hours of a day that ran on unsummed: then nothing is kept.
const MOST_KEPT: usize = 10_000;

/// Sums by series (its number in the file) and hour.
pub(crate) type Sums = BTreeMap<(i64, i64), HourSum>;

/// What was read before, for [`crate::store::Store::hours`]; begins empty.
#[derive(Debug, Default)]
pub struct Running(Option<Known>);

#[derive(Debug)]
struct Known {
    /// The hour from which on nothing is added up in the file.
    until: i64,
    /// Readings before this are in `sums`.
    border: Instant,
    /// How many readings the file had before the border.
    before: i64,
    sums: Sums,
}

/// What one reading of the table gave.
struct Read {
    n: i64,
    n_fresh: i64,
    fresh: Sums,
}

impl Running {
    /// The sums of all series from the hour `until` on, as they are now.
    pub(crate) fn look(
        &mut self,
        moment: &Connection,
        until: i64,
        to: Instant,
    ) -> Result<Sums, StoreError> {
        let all: i64 = one(moment, "SELECT sum(readings) FROM series")?;
        let newest = one(moment, "SELECT max(at_ms) FROM reading")?;
        let newest = Instant::from_millis(newest).min(to);
        let begin = hour_start(until);
        let fresh_from = newest.plus_millis(-FRESH_MILLIS).max(begin);
        if let Some(mut known) = self.0.take().filter(|k| k.until == until) {
            let border = fresh_from.max(known.border);
            let mut sums = std::mem::take(&mut known.sums);
            let read = read(moment, known.border, border, &mut sums)?;
            if all - read.n == known.before {
                return Ok(self.keep(until, border, all, sums, read));
            }
        }
        let mut sums = Sums::new();
        let read = read(moment, begin, fresh_from, &mut sums)?;
        Ok(self.keep(until, fresh_from, all, sums, read))
    }

    fn keep(
        &mut self,
        until: i64,
        border: Instant,
        all: i64,
        sums: Sums,
        read: Read,
    ) -> Sums {
        let mut now = sums.clone();
        for (key, own) in read.fresh {
            join(&mut now, key, own);
        }
        let before = all - read.n_fresh;
        let known = Known { until, border, before, sums };
        self.0 = Some(known).filter(|known| known.sums.len() < MOST_KEPT);
        now
    }
}

fn one(moment: &Connection, asked: &str) -> Result<i64, StoreError> {
    let found: Option<i64> = moment
        .prepare_cached(asked)
        .reading()?
        .query_row([], |row| row.get(0))
        .reading()?;
    Ok(found.unwrap_or_default())
}

/// Adds what lies in [`from`, `border`) to `sums`, and gives the rest.
fn read(
    moment: &Connection,
    from: Instant,
    border: Instant,
    sums: &mut Sums,
) -> Result<Read, StoreError> {
    let mut statement = moment
        .prepare_cached(
            "SELECT series, at_ms, value, quality FROM reading \
             WHERE at_ms >= ?1",
        )
        .reading()?;
    let mut rows = statement.query([from.millis()]).reading()?;
    let mut read = Read { n: 0, n_fresh: 0, fresh: Sums::new() };
    while let Some(row) = rows.next().reading()? {
        let reading = Reading {
            at: Instant::from_millis(row.get(1).reading()?),
            value: unpacked(row.get_ref(2).reading()?)?,
            quality: Quality::from_bits(row.get(3).reading()?),
        };
        let is_fresh = reading.at >= border;
        read.n += 1;
        read.n_fresh += i64::from(is_fresh);
        if reading.quality.counts() {
            let key = (row.get(0).reading()?, hour_of(reading.at));
            let of = if is_fresh { &mut read.fresh } else { &mut *sums };
            join(of, key, HourSum::of(reading));
        }
    }
    Ok(read)
}

fn join(sums: &mut Sums, key: (i64, i64), own: HourSum) {
    sums.entry(key).and_modify(|known| known.join(&own)).or_insert(own);
}
