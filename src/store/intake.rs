//! Messages into readings: once only, dated, marked, in one transaction.
//!
//! What is known of boards between two transactions is held here; after a
//! failed transaction it is forgotten and read again, so memory never says
//! more than the disk. What a message of one board means is `board`.

use std::collections::{BTreeMap, BTreeSet, HashMap, VecDeque};
use std::sync::Arc;

use rusqlite::{CachedStatement, Connection};

use crate::observation::{Message, Name, Reading, Series};
use crate::store::board::KnownBoard;
use crate::store::hours::Late;
use crate::store::readings::{self, Inserted};
use crate::store::refused::{self, RefusedRow, count};
use crate::store::streams::last_day;
use crate::store::welcome::Welcome;
use crate::store::{Doing, Store, StoreError, boots, uncounted, undated};
use crate::units::Instant;

/// Samples of a backlog that get their dates in one transaction: they fit
/// into a few megabytes, and are more than a transaction usually takes in, so
/// that a backlog shrinks also while its board goes on.
const DATED_AT_ONCE: usize = 5_000;

/// One message as it came in.
#[derive(Debug, Clone, Copy)]
pub struct Arrival<'a> {
    /// The door it came in by.
    pub source: &'a str,
    /// When.
    pub received: Instant,
    /// No stored backlog was being drained.
    pub steady: bool,
    /// Its MQTT topic.
    pub topic: Option<&'a str>,
    /// The sender says it has sent this before.
    pub dup: bool,
    /// The bytes.
    pub bytes: &'a [u8],
    /// What they say, or why they were refused.
    pub content: Result<&'a Message, &'a str>,
}

/// What a transaction took.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Taken {
    /// Readings written, with their instants, in the order of writing.
    pub readings: Vec<(Arc<Series>, Reading)>,
    /// Samples on disk that wait for a date.
    pub undated: u64,
    /// Samples that had been stored before.
    pub repeated: u64,
    /// Messages and samples refused.
    pub refused: u64,
}

/// The way from messages to readings.
#[derive(Debug, Default)]
pub struct Intake {
    /// Every board that has readings; none until the store was looked at.
    boards: Option<HashMap<Name, KnownBoard>>,
    digests: BTreeMap<String, VecDeque<u64>>,
    welcome: Welcome,
    /// The host's clock is not set: no sample gets a date.
    hold: bool,
}

impl Intake {
    /// Tells which boards the ledger or the users file knows.
    pub fn declare(&mut self, boards: BTreeSet<Name>) {
        self.welcome.declare(boards);
    }

    /// Tells whether the host's clock was never set, so that samples that
    /// boards number wait for their dates. They get them with the step that
    /// sets it ([`Intake::host_clock_moved`]).
    pub fn hold_dates(&mut self, hold: bool) {
        self.hold = hold;
    }

    /// Takes messages in one transaction. When it returns, all of them are
    /// on disk: as readings, as undated samples or as refusals.
    ///
    /// # Errors
    /// [`StoreError`]; then nothing was taken and nothing may be
    /// acknowledged.
    pub fn take(
        &mut self,
        store: &mut Store,
        arrivals: &[Arrival<'_>],
    ) -> Result<Taken, StoreError> {
        let Some(first) = arrivals.first() else {
            return Ok(Taken::default());
        };
        self.in_transaction(store, first.received, |intake, work| {
            for arrival in arrivals {
                intake.arrival(work, arrival)?;
            }
            Ok(())
        })
    }

    /// Lets time pass: dates what may be dated now.
    ///
    /// # Errors
    /// As [`Intake::take`].
    pub fn tick(
        &mut self,
        store: &mut Store,
        now: Instant,
    ) -> Result<Taken, StoreError> {
        let nothing_waits = self.boards.as_ref().is_some_and(|boards| {
            boards.values().all(|board| !board.has_undated())
        });
        if nothing_waits || self.hold {
            return Ok(Taken::default());
        }
        self.in_transaction(store, now, |intake, work| {
            for board in intake.known(work.connection, now)?.values_mut() {
                board.tick(work, now)?;
            }
            Ok(())
        })
    }

    /// The host's clock was set: everything known moves along, also the
    /// receipts of samples without a date since `since`, which is the
    /// daemon's start by the clock as it was.
    ///
    /// # Errors
    /// As [`Intake::take`].
    pub fn host_clock_moved(
        &mut self,
        store: &mut Store,
        by_ms: i64,
        since: Instant,
        now: Instant,
    ) -> Result<Taken, StoreError> {
        self.in_transaction(store, now, |intake, work| {
            undated::host_clock_moved(work.connection, by_ms, since)?;
            for board in intake.known(work.connection, now)?.values_mut() {
                board.host_clock_moved(by_ms);
                if !work.hold {
                    board.settle(work)?;
                }
            }
            work.connection
                .execute(
                    "INSERT INTO clock_step (at_ms, step_ms) VALUES (?1, ?2)",
                    [now.millis(), by_ms],
                )
                .writing()?;
            Ok(())
        })
    }

    /// Does the work in one transaction; forgets what it knew when that
    /// fails.
    fn in_transaction(
        &mut self,
        store: &mut Store,
        now: Instant,
        work_in: impl FnOnce(&mut Self, &mut Work<'_>) -> Result<(), StoreError>,
    ) -> Result<Taken, StoreError> {
        let result = self.try_in_transaction(store, now, work_in);
        if result.is_err() {
            let welcome = std::mem::take(&mut self.welcome).forgetting();
            *self = Self { welcome, hold: self.hold, ..Self::default() };
        }
        result
    }

    fn try_in_transaction(
        &mut self,
        store: &mut Store,
        now: Instant,
        work_in: impl FnOnce(&mut Self, &mut Work<'_>) -> Result<(), StoreError>,
    ) -> Result<Taken, StoreError> {
        let transaction = store.begin()?;
        let (taken, late) = {
            let mut work = Work::on(&transaction, self.hold)?;
            work_in(self, &mut work)?;
            (work.taken, work.late)
        };
        late.write(&transaction)?;
        for board in self.known(&transaction, now)?.values_mut() {
            board.write(&transaction)?;
        }
        for (name, n) in [
            ("readings", i64::try_from(taken.readings.len()).unwrap_or(0)),
            ("repeated", i64::try_from(taken.repeated).unwrap_or(0)),
        ] {
            if n > 0 {
                count(&transaction, name, n)?;
            }
        }
        if taken.refused > 0 {
            refused::keep_few(&transaction)?;
        }
        transaction.commit().writing()?;
        Ok(taken)
    }

    /// Every board that has readings or samples without a date.
    fn known(
        &mut self,
        connection: &Connection,
        now: Instant,
    ) -> Result<&mut HashMap<Name, KnownBoard>, StoreError> {
        match &mut self.boards {
            Some(boards) => Ok(boards),
            none => {
                let mut boards = HashMap::new();
                for (name, streams) in last_day(connection, now)? {
                    let board = KnownBoard::with(name.clone(), streams);
                    boards.insert(name, board);
                }
                for (name, boot) in boots::with_undated(connection)? {
                    let board = boards
                        .entry(name)
                        .or_insert_with_key(|n| KnownBoard::new(n.clone()));
                    board.has_undated_of(boot);
                }
                Ok(none.insert(boards))
            }
        }
    }

    fn arrival(
        &mut self,
        work: &mut Work<'_>,
        arrival: &Arrival<'_>,
    ) -> Result<(), StoreError> {
        let message = match arrival.content {
            Ok(message) => message,
            Err(reason) => return work.refuse(arrival, None, reason),
        };
        let name = &message.board;
        if let Some(reason) = self.welcome.refusal(work.connection, name)? {
            return work.refuse(arrival, Some(name), &reason);
        }
        for (index, reason) in &message.refused {
            let text = format!("sample {index}: {reason}");
            work.refuse(arrival, Some(name), &text)?;
        }
        if message.unknown_members > 0 {
            let n = i64::try_from(message.unknown_members).unwrap_or(i64::MAX);
            count(work.connection, "unknown members", n)?;
        }
        let counted = message.samples.iter().any(|s| s.count.is_some());
        if !counted && self.is_repeated(work.connection, arrival)? {
            work.taken.repeated += 1;
            return Ok(());
        }
        let before = work.n_values;
        let boards = self.known(work.connection, arrival.received)?;
        if !boards.contains_key(name) {
            boards.insert(name.clone(), KnownBoard::new(name.clone()));
        }
        let board = boards.get_mut(name).expect("it was put there");
        board.message(work, arrival, message)?;
        self.welcome.note(name, work.n_values - before);
        Ok(())
    }

    /// Whether a message without numbers is one of the last of its topic,
    /// sent again.
    fn is_repeated(
        &mut self,
        connection: &Connection,
        arrival: &Arrival<'_>,
    ) -> Result<bool, StoreError> {
        let Some(topic) = arrival.topic else { return Ok(false) };
        let digest = uncounted::digest(arrival.bytes);
        if !self.digests.contains_key(topic) {
            let known = uncounted::read_digests(connection, topic)?;
            self.digests.insert(topic.to_owned(), known);
        }
        let known = self.digests.get_mut(topic).expect("it was put there");
        if arrival.dup && known.contains(&digest) {
            return Ok(true);
        }
        known.push_back(digest);
        if known.len() > uncounted::DIGESTS_A_TOPIC {
            known.pop_front();
        }
        uncounted::keep_digest(connection, topic, digest)?;
        Ok(false)
    }
}

/// What a transaction is doing.
pub(crate) struct Work<'c> {
    pub(crate) connection: &'c Connection,
    pub(crate) taken: Taken,
    /// Values that were new, dated or not.
    pub(crate) n_values: u64,
    /// No sample gets a date now.
    pub(crate) hold: bool,
    /// So many samples that waited may still be dated in this transaction.
    pub(crate) room: usize,
    insertion: CachedStatement<'c>,
    late: Late,
}

impl<'c> Work<'c> {
    fn on(connection: &'c Connection, hold: bool) -> Result<Self, StoreError> {
        Ok(Self {
            connection,
            hold,
            room: DATED_AT_ONCE,
            taken: Taken::default(),
            n_values: 0,
            insertion: readings::insertion(connection)?,
            late: Late::on(connection)?,
        })
    }

    /// Writes a reading. Another value of the same series at that very
    /// millisecond moves it on by one, so that neither is lost.
    pub(crate) fn put(
        &mut self,
        series: i64,
        mut reading: Reading,
    ) -> Result<Option<Reading>, StoreError> {
        loop {
            let inserted = readings::insert(
                self.connection,
                &mut self.insertion,
                series,
                reading,
            )?;
            match inserted {
                Inserted::New => {
                    self.late.note(series, reading);
                    return Ok(Some(reading));
                }
                Inserted::Same => return Ok(None),
                Inserted::Other(_) => reading.at = reading.at.plus_millis(1),
            }
        }
    }

    /// Keeps a message or sample as refused, with the reason.
    pub(crate) fn refuse(
        &mut self,
        arrival: &Arrival<'_>,
        board: Option<&Name>,
        reason: &str,
    ) -> Result<(), StoreError> {
        self.taken.refused += 1;
        refused::keep(
            self.connection,
            &RefusedRow {
                at: arrival.received,
                source: arrival.source.to_owned(),
                board: board.cloned(),
                reason: reason.to_owned(),
                bytes: arrival.bytes.to_vec(),
            },
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::decode;
    use crate::store::Access;

    const MINUTE: i64 = 60_000;

    /// The sample of a minute after the board's start, and its receipt.
    fn sample(minute: i64, received: i64) -> (Instant, Message) {
        let board = Name::new("cold-frame").unwrap();
        let payload = format!(
            r#"{{"boot":"k3v9q0tz1x","seq":{minute},"up_ms":{},"temperature_celsius":4.5}}"#,
            minute * MINUTE
        );
        let at = Instant::from_millis(received);
        let message = decode::payload(&board, payload.as_bytes(), at).unwrap();
        (at, message)
    }

    fn take(
        intake: &mut Intake,
        store: &mut Store,
        messages: &[(Instant, Message)],
        steady: bool,
    ) -> Taken {
        let arrivals: Vec<Arrival<'_>> = messages
            .iter()
            .map(|(received, message)| Arrival {
                source: "inlet",
                received: *received,
                steady,
                topic: None,
                dup: false,
                bytes: b"",
                content: Ok(message),
            })
            .collect();
        intake.take(store, &arrivals).unwrap()
    }

    #[test]
    fn a_long_backlog_gets_its_dates_part_by_part_and_in_order() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("vernalog.db");
        let mut store = Store::open(&path, Access::Create).unwrap();
        let mut intake = Intake::default();
        intake.declare([Name::new("cold-frame").unwrap()].into());
        let n = i64::try_from(DATED_AT_ONCE).unwrap() * 5 / 2;
        // All of it was queued while the daemon was away.
        let begun = 1_770_724_800_000;
        let back = begun + n * MINUTE + 5_000;
        let backlog: Vec<_> = (0..n).map(|m| sample(m, back)).collect();
        for part in backlog.chunks(1_000) {
            assert_eq!(take(&mut intake, &mut store, part, false).readings, []);
        }
        let mut parts = Vec::new();
        for minute in n..n + 6 {
            let live = [sample(minute, begun + minute * MINUTE + 20_000)];
            parts.push(take(&mut intake, &mut store, &live, true));
        }
        let now = Instant::from_millis(begun + (n + 6) * MINUTE);
        parts.push(intake.tick(&mut store, now).unwrap());
        parts.push(intake.tick(&mut store, now).unwrap());

        let sizes: Vec<usize> =
            parts.iter().map(|p| p.readings.len()).collect();
        assert!(sizes.iter().all(|n| *n <= DATED_AT_ONCE + 1), "{sizes:?}");
        let instants: Vec<i64> = parts
            .iter()
            .flat_map(|part| &part.readings)
            .map(|(_, reading)| reading.at.millis())
            .collect();
        assert_eq!(instants.len(), backlog.len() + 6, "{sizes:?}");
        assert!(instants.is_sorted_by(|a, b| a < b));
        assert!(store.undated(1).unwrap().is_empty());
        // Sent again, each is known, waiting or not.
        let again = take(&mut intake, &mut store, &backlog[..50], false);
        assert_eq!((again.repeated, again.refused), (50, 0));
    }
}
