//! The series of one board as the intake holds them: number in the file,
//! what was noticed of each, and what the transaction adds.

use std::collections::{BTreeMap, HashMap};
use std::sync::Arc;

use rusqlite::Connection;

use crate::decode::watchful::Watchfulness;
use crate::observation::{Name, Quality, Quantity, Series};
use crate::store::numbers::unpacked;
use crate::store::series::{Addition, id_of, series_from};
use crate::store::{Doing, StoreError};
use crate::units::Instant;

/// After a start, marks such as "stuck" look back so far, h.
const LOOK_BACK_HOURS: f64 = 24.0;

/// One series of a board.
#[derive(Debug)]
pub(crate) struct Stream {
    pub(crate) series: Arc<Series>,
    pub(crate) id: i64,
    pub(crate) watchful: Watchfulness,
    pub(crate) addition: Addition,
}

impl Stream {
    fn new(series: Series, id: i64) -> Self {
        let watchful = Watchfulness::new(series.quantity);
        let series = Arc::new(series);
        Self { series, id, watchful, addition: Addition::default() }
    }
}

/// The series of one board: a handful.
#[derive(Debug, Default)]
pub(crate) struct Streams(Vec<Stream>);

impl Streams {
    /// The series of a probe and quantity, made when it is new.
    pub(crate) fn of(
        &mut self,
        connection: &Connection,
        board: &Name,
        probe: &Name,
        quantity: Quantity,
    ) -> Result<&mut Stream, StoreError> {
        let known = self.0.iter().position(|stream| {
            stream.series.quantity == quantity && stream.series.probe == *probe
        });
        let place = match known {
            Some(place) => place,
            None => {
                let (board, probe) = (board.clone(), probe.clone());
                let series = Series { board, probe, quantity };
                let id = id_of(connection, &series)?;
                self.0.push(Stream::new(series, id));
                self.0.len() - 1
            }
        };
        Ok(&mut self.0[place])
    }

    /// Writes what was added since the last call.
    pub(crate) fn write(
        &mut self,
        connection: &Connection,
    ) -> Result<(), StoreError> {
        for stream in &mut self.0 {
            stream.addition.write(connection, stream.id)?;
        }
        Ok(())
    }
}

/// All series by board. The readings of the last day are looked at again, in
/// one walk, so that marks go on where they were.
pub(crate) fn last_day(
    connection: &Connection,
    now: Instant,
) -> Result<BTreeMap<Name, Streams>, StoreError> {
    let mut streams: HashMap<i64, Stream> = HashMap::new();
    let mut statement = connection
        .prepare_cached("SELECT id, board, probe, quantity FROM series")
        .reading()?;
    let mut rows = statement.query([]).reading()?;
    while let Some(row) = rows.next().reading()? {
        let id = row.get(0).reading()?;
        streams.insert(id, Stream::new(series_from(row)?, id));
    }
    let mut statement = connection
        .prepare_cached(
            "SELECT series, at_ms, value, quality FROM reading \
             WHERE at_ms >= ?1 AND at_ms <= ?2 ORDER BY at_ms",
        )
        .reading()?;
    let from = now.plus_hours(-LOOK_BACK_HOURS);
    let mut rows = statement.query([from.millis(), now.millis()]).reading()?;
    while let Some(row) = rows.next().reading()? {
        let id: i64 = row.get(0).reading()?;
        if let Some(stream) = streams.get_mut(&id) {
            let at = Instant::from_millis(row.get(1).reading()?);
            let value = unpacked(row.get_ref(2).reading()?)?;
            let quality = Quality::from_bits(row.get(3).reading()?);
            stream.watchful.observe(at, value, quality, None);
        }
    }
    let mut boards: BTreeMap<Name, Streams> = BTreeMap::new();
    for stream in streams.into_values() {
        boards.entry(stream.series.board.clone()).or_default().0.push(stream);
    }
    Ok(boards)
}
