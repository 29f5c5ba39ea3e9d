//! Many readings at once, for a report: whole pages of the file where the
//! library gives them, else row by row.
//!
//! Both ways see one moment of the file and give the same.

use std::collections::BTreeMap;
use std::sync::mpsc::sync_channel;

use rusqlite::Connection;

use crate::climate::strip::Strip;
use crate::observation::{Quality, Reading, Series};
use crate::store::numbers::unpacked;
use crate::store::pages::{self, Row, Stored};
use crate::store::series::find;
use crate::store::{Doing, Store, StoreError};
use crate::units::Instant;

/// Rows are handed over so often before somebody must wait.
const BATCHES: usize = 32;

/// Strips by the number of their series.
type Wanted = BTreeMap<i64, Strip>;

impl Store {
    /// The readings of several series in [`from`, `to`), in the order of
    /// `wanted`. One walk through the table serves all, and they take about
    /// four bytes each.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn strips(
        &self,
        wanted: &[Series],
        from: Instant,
        to: Instant,
    ) -> Result<Vec<Strip>, StoreError> {
        let moment = self.connection.unchecked_transaction().reading()?;
        let mut ids = Vec::with_capacity(wanted.len());
        for series in wanted {
            ids.push(find(&moment, series)?);
        }
        let empty = || ids.iter().flatten().map(|id| (*id, Strip::default()));
        let mut strips: Wanted = empty().collect();
        if !by_pages(&moment, &mut strips, from, to)? {
            strips = empty().collect();
            by_rows(&moment, &mut strips, from, to)?;
        }
        let own = |id: &Option<i64>| id.and_then(|id| strips.remove(&id));
        Ok(ids.iter().map(own).map(Option::unwrap_or_default).collect())
    }
}

/// False where the library has no pages to give, or one is not as expected;
/// then what was read so far counts for nothing.
fn by_pages(
    moment: &Connection,
    strips: &mut Wanted,
    from: Instant,
    to: Instant,
) -> Result<bool, StoreError> {
    // Numbers of series are small, so that a reading finds its own at once.
    let last = strips.keys().next_back().copied().unwrap_or(0);
    let Ok(last) = u16::try_from(last) else { return Ok(false) };
    let mut slots: Vec<Option<Strip>> = vec![None; usize::from(last) + 1];
    for (id, strip) in std::mem::take(strips) {
        if let Ok(id) = usize::try_from(id) {
            slots[id] = Some(strip);
        }
    }
    let span = from.millis()..to.millis();
    let (batches, taken) = sync_channel::<Vec<Row>>(BATCHES);
    // Pages are read here and put into strips beside it.
    let filled = slots.as_mut_slice();
    let whole = std::thread::scope(|scope| {
        scope.spawn(move || {
            for row in taken.into_iter().flatten() {
                put(filled, row);
            }
        });
        // It takes until this end is let go.
        let whole = pages::each(moment, span, &mut |rows| {
            batches.send(rows).unwrap_or_default();
        });
        drop(batches);
        whole
    })?;
    for (id, strip) in (0..).zip(slots) {
        strips.extend(strip.map(|strip| (id, strip)));
    }
    Ok(whole)
}

fn put(slots: &mut [Option<Strip>], row: Row) {
    let slot = usize::try_from(row.series).ok();
    let Some(Some(strip)) = slot.and_then(|i| slots.get_mut(i)) else {
        return;
    };
    let at = Instant::from_millis(row.at_ms);
    let quality = Quality::from_bits(row.quality);
    match row.value {
        Stored::Thousandths(whole) => {
            strip.push_thousandths(at, whole, quality);
        }
        Stored::Number(value) => strip.push(Reading { at, value, quality }),
    }
}

fn by_rows(
    moment: &Connection,
    strips: &mut Wanted,
    from: Instant,
    to: Instant,
) -> Result<(), StoreError> {
    let mut statement = moment
        .prepare_cached(
            "SELECT series, at_ms, value, quality FROM reading \
             WHERE at_ms >= ?1 AND at_ms < ?2 ORDER BY at_ms, series",
        )
        .reading()?;
    let mut rows = statement.query([from.millis(), to.millis()]).reading()?;
    while let Some(row) = rows.next().reading()? {
        let id: i64 = row.get(0).reading()?;
        if let Some(strip) = strips.get_mut(&id) {
            strip.push(Reading {
                at: Instant::from_millis(row.get(1).reading()?),
                value: unpacked(row.get_ref(2).reading()?)?,
                quality: Quality::from_bits(row.get(3).reading()?),
            });
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use rand::{Rng, SeedableRng};
    use rand_chacha::ChaCha8Rng;

    use super::*;
    use crate::observation::{Name, Quantity};
    use crate::store::Access;

    const SEED: u64 = 20_260_418;

    /// Instant, value and marks, to the bit.
    type Bits = (i64, u64, u16);

    fn bits(strips: &Wanted) -> Vec<(i64, Vec<Bits>)> {
        let of =
            |r: Reading| (r.at.millis(), r.value.to_bits(), r.quality.bits());
        strips
            .iter()
            .map(|(id, strip)| (*id, strip.iter().map(of).collect()))
            .collect()
    }

    /// Random readings of several series, in random order, in a file of
    /// several levels of pages, some of it not yet moved out of what is
    /// written ahead: pages and rows say the same, for any span.
    #[test]
    fn pages_and_rows_give_the_same_readings() {
        let mut random = ChaCha8Rng::seed_from_u64(SEED);
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("vernalog.db");
        let mut store = Store::open(&path, Access::Create).unwrap();
        let all = ["a", "b", "c"].map(|board| Series {
            board: Name::new(board).unwrap(),
            probe: Name::new("air").unwrap(),
            quantity: Quantity::Temperature,
        });
        let mut newest = 0;
        for _ in 0..6 {
            let chunk: Vec<(Series, Reading)> = (0..9_000)
                .map(|_| {
                    newest += random.random_range(0..40_000);
                    let late = random.random_range(0..900_000_000);
                    let late = if random.random_bool(0.2) { late } else { 0 };
                    let whole = random.random_range(-60_000..900_000_000);
                    let value = match random.random_range(0..6) {
                        0 => f64::from_bits(
                            random.random_range(1 << 62..1 << 62 | 1 << 52),
                        ),
                        1 => 0.0,
                        2 => 0.001,
                        _ => f64::from(whole) / 1000.0,
                    };
                    let marked = random.random_bool(0.1);
                    let marks = random.random_range(0..256);
                    let reading = Reading {
                        at: Instant::from_millis(newest - late),
                        value,
                        quality: Quality::from_bits(if marked {
                            marks
                        } else {
                            0
                        }),
                    };
                    (all[random.random_range(0..3)].clone(), reading)
                })
                .collect();
            store.import_readings(&chunk).unwrap();
            // The other series stays out.
            let wanted = || (1..3).map(|id| (id, Strip::default())).collect();
            for _ in 0..8 {
                let from = random.random_range(-900_000_000..newest);
                let to = random.random_range(from - 10..newest + 10);
                let ends = [from, to].map(Instant::from_millis);
                let (mut pages, mut rows): (Wanted, Wanted) =
                    (wanted(), wanted());
                let whole =
                    by_pages(&store.connection, &mut pages, ends[0], ends[1])
                        .unwrap();
                assert!(whole, "the library gives pages, seed {SEED}");
                by_rows(&store.connection, &mut rows, ends[0], ends[1])
                    .unwrap();
                assert_eq!(bits(&pages), bits(&rows), "seed {SEED}");
            }
        }
        let strips = store
            .strips(
                &all,
                Instant::from_millis(i64::MIN),
                Instant::from_millis(i64::MAX),
            )
            .unwrap();
        let counted: usize = strips.iter().map(Strip::len).sum();
        let known = store.series().unwrap();
        let known: u64 = known.iter().map(|info| info.readings).sum();
        assert_eq!(u64::try_from(counted).unwrap(), known);
    }
}
