//! Messages into readings: once only, dated, marked, in one transaction.
//!
//! What is known of boards between two transactions is held here; after a
//! failed transaction it is forgotten and read again, so memory never says
//! more than the disk.

use std::collections::{BTreeMap, BTreeSet, VecDeque};

use rusqlite::Connection;

use crate::decode::dating::{self, Dated, Dating, Standing, Verdict};
use crate::decode::watchful::Watchfulness;
use crate::observation::{
    Boot, Message, Name, Quality, Quantity, Reading, Sample, Series,
};
use crate::store::boots::{self, KnownBoot};
use crate::store::readings::{Inserted, has_value, insert, of_series};
use crate::store::refused::{RefusedRow, count, keep};
use crate::store::series::{Additions, find, id_of};
use crate::store::welcome::Welcome;
use crate::store::{Doing, Store, StoreError, uncounted, undated};
use crate::units::Instant;

/// Boots held in memory; older ones are read again when they speak.
const MOST_BOOTS_HELD: usize = 512;
/// Around the envelope, a repeat's reading may lie this far off, ms.
const REPEAT_SLACK_MS: i64 = 5_000;
/// A board that starts anew looks back this far to find out what a series
/// did before, h.
const LOOK_BACK_HOURS: f64 = 24.0;

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
    pub readings: Vec<(Series, Reading)>,
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
    boots: BTreeMap<(Name, Boot), KnownBoot>,
    /// Boots that may have undated samples; none until first asked.
    waiting: Option<BTreeSet<(Name, Boot)>>,
    heard: BTreeMap<Name, Instant>,
    watchful: BTreeMap<Series, Watchfulness>,
    ids: BTreeMap<Series, i64>,
    digests: BTreeMap<String, VecDeque<u64>>,
    welcome: Welcome,
}

impl Intake {
    /// Tells which boards the ledger or the users file knows.
    pub fn declare(&mut self, boards: BTreeSet<Name>) {
        self.welcome.declare(boards);
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
        let result = self.in_transaction(store, |intake, work| {
            for arrival in arrivals {
                intake.arrival(work, arrival)?;
            }
            Ok(())
        });
        if result.is_err() {
            self.forget();
        }
        result
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
        if self.waiting.as_ref().is_some_and(BTreeSet::is_empty) {
            return Ok(Taken::default());
        }
        let result = self.in_transaction(store, |intake, work| {
            intake.know_waiting(work.connection)?;
            let waiting: Vec<(Name, Boot)> =
                intake.waiting.iter().flatten().cloned().collect();
            for key in waiting {
                let known = intake.boot(work.connection, &key, now)?;
                let Some(dating) = known.dating.as_mut() else { continue };
                if dating.tick(now).is_some() {
                    known.changed = true;
                    intake.release(work, &key)?;
                }
            }
            Ok(())
        });
        if result.is_err() {
            self.forget();
        }
        result
    }

    /// The host's clock was set: everything known moves along.
    ///
    /// # Errors
    /// As [`Intake::take`].
    pub fn host_clock_moved(
        &mut self,
        store: &mut Store,
        by_ms: i64,
        now: Instant,
    ) -> Result<(), StoreError> {
        let result = self.in_transaction(store, |intake, work| {
            for known in intake.boots.values_mut() {
                if let Some(dating) = known.dating.as_mut() {
                    dating.host_clock_moved(by_ms);
                    known.changed = true;
                }
            }
            for heard in intake.heard.values_mut() {
                *heard = heard.plus_millis(by_ms);
            }
            work.connection
                .execute(
                    "INSERT INTO clock_step (at_ms, step_ms) VALUES (?1, ?2)",
                    [now.millis(), by_ms],
                )
                .writing()?;
            Ok(())
        });
        if result.is_err() {
            self.forget();
        }
        result.map(|_| ())
    }

    fn forget(&mut self) {
        let welcome = std::mem::take(&mut self.welcome).forgetting();
        *self = Self { welcome, ..Self::default() };
    }

    fn in_transaction(
        &mut self,
        store: &mut Store,
        work_in: impl FnOnce(&mut Self, &mut Work<'_>) -> Result<(), StoreError>,
    ) -> Result<Taken, StoreError> {
        let transaction = store.begin()?;
        let mut work = Work {
            connection: &transaction,
            additions: Additions::default(),
            taken: Taken::default(),
        };
        work_in(self, &mut work)?;
        let Work { additions, taken, .. } = work;
        additions.write(&transaction)?;
        for ((board, boot), known) in &mut self.boots {
            boots::write(&transaction, board, boot, known)?;
        }
        for (name, n) in [
            ("readings", i64::try_from(taken.readings.len()).unwrap_or(0)),
            ("repeated", i64::try_from(taken.repeated).unwrap_or(0)),
        ] {
            if n > 0 {
                count(&transaction, name, n)?;
            }
        }
        transaction.commit().writing()?;
        self.hold_few_boots();
        Ok(taken)
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
        let board = &message.board;
        if let Some(reason) = self.welcome.refusal(work.connection, board)? {
            return work.refuse(arrival, Some(board), &reason);
        }
        for (index, reason) in &message.refused {
            let text = format!("sample {index}: {reason}");
            work.refuse(arrival, Some(board), &text)?;
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
        let previous = self.heard.insert(board.clone(), arrival.received);
        let before = work.taken.readings.len();
        for (boot, samples) in by_boot(message) {
            match boot {
                None => self.uncounted(work, arrival, board, &samples)?,
                Some(boot) => {
                    let key = (board.clone(), boot);
                    self.counted(work, arrival, &key, &samples, previous)?;
                }
            }
        }
        let new = work.taken.readings.len() - before;
        self.welcome.note(board, new);
        Ok(())
    }

    fn uncounted(
        &mut self,
        work: &mut Work<'_>,
        arrival: &Arrival<'_>,
        board: &Name,
        samples: &[&Sample],
    ) -> Result<(), StoreError> {
        for sample in samples {
            let dated =
                dating::date_uncounted(sample.claimed, arrival.received);
            self.store_values(work, board, sample, dated)?;
        }
        Ok(())
    }

    fn counted(
        &mut self,
        work: &mut Work<'_>,
        arrival: &Arrival<'_>,
        key: &(Name, Boot),
        samples: &[&Sample],
        previous: Option<Instant>,
    ) -> Result<(), StoreError> {
        let Some(newest) = samples
            .iter()
            .filter_map(|sample| sample.count.as_ref())
            .max_by_key(|count| count.seq)
        else {
            return Ok(());
        };
        let heard = dating::Arrival {
            received: arrival.received,
            steady: arrival.steady,
            previous,
            newest_seq: newest.seq,
            newest_up_ms: newest.up_ms,
        };
        let known = self.boot(work.connection, key, arrival.received)?;
        known.changed = true;
        let verdict = match known.dating.as_mut() {
            Some(dating) => dating.observe(&heard),
            None => {
                known.dating = Some(Dating::new(&heard));
                Verdict::Provisional
            }
        };
        for sample in samples {
            self.counted_sample(work, arrival, key, sample)?;
        }
        if matches!(verdict, Verdict::BecameLive | Verdict::Untrusted) {
            self.release(work, key)?;
        }
        self.tell_other_boots(work, key, arrival.received)
    }

    fn counted_sample(
        &mut self,
        work: &mut Work<'_>,
        arrival: &Arrival<'_>,
        key: &(Name, Boot),
        sample: &Sample,
    ) -> Result<(), StoreError> {
        let Some(number) = &sample.count else { return Ok(()) };
        let known = self.boot(work.connection, key, arrival.received)?;
        if known.seen.contains(number.seq) {
            let dating = known.dating;
            return if is_same(work.connection, key, dating, sample)? {
                work.taken.repeated += 1;
                Ok(())
            } else {
                let reason = format!(
                    "number used twice: sample {} of boot {} was stored with \
                     other values or another uptime",
                    number.seq, key.1
                );
                work.refuse(arrival, Some(&key.0), &reason)
            };
        }
        known.seen.add(number.seq);
        let dated = known
            .dating
            .and_then(|d| d.date(number, sample.claimed, arrival.received));
        match dated {
            Some(dated) => self.store_values(work, &key.0, sample, dated),
            None => {
                self.know_waiting(work.connection)?;
                self.waiting.get_or_insert_default().insert(key.clone());
                work.taken.undated += 1;
                undated::keep(work.connection, key, number, sample, arrival)
            }
        }
    }

    /// A boot of a board tells on the others of that board: those in the
    /// same burst did not speak alone, those before it have ended.
    fn tell_other_boots(
        &mut self,
        work: &mut Work<'_>,
        key: &(Name, Boot),
        received: Instant,
    ) -> Result<(), StoreError> {
        self.know_waiting(work.connection)?;
        let others: Vec<(Name, Boot)> = self
            .waiting
            .iter()
            .flatten()
            .filter(|other| other.0 == key.0 && *other != key)
            .cloned()
            .collect();
        if others.is_empty() {
            return Ok(());
        }
        let this = self.boot(work.connection, key, received)?;
        let (first_heard, dating) = (this.first_heard, this.dating);
        for other in others {
            let known = self.boot(work.connection, &other, received)?;
            let earlier = known.first_heard <= first_heard;
            let Some(their) = known.dating.as_mut() else { continue };
            their.another_spoke(received);
            known.changed = true;
            let ended = dating
                .filter(|d| d.standing == Standing::Live && earlier)
                .and_then(|d| their.superseded(d.start()));
            if ended.is_some() {
                self.release(work, &other)?;
            }
        }
        Ok(())
    }

    /// Dates and stores what a boot kept back.
    fn release(
        &mut self,
        work: &mut Work<'_>,
        key: &(Name, Boot),
    ) -> Result<(), StoreError> {
        let kept = undated::read(work.connection, key)?;
        let known = self.boot(work.connection, key, Instant::default())?;
        let Some(dating) = known.dating else { return Ok(()) };
        for (sample, received) in &kept {
            let Some(number) = &sample.count else { continue };
            if let Some(dated) = dating.date(number, sample.claimed, *received)
            {
                self.store_values(work, &key.0, sample, dated)?;
            }
        }
        undated::forget(work.connection, key)?;
        if let Some(waiting) = &mut self.waiting {
            waiting.remove(key);
        }
        Ok(())
    }

    fn store_values(
        &mut self,
        work: &mut Work<'_>,
        board: &Name,
        sample: &Sample,
        dated: Dated,
    ) -> Result<(), StoreError> {
        let temperature = sample
            .values
            .iter()
            .find(|(q, _, _)| *q == Quantity::Temperature)
            .map(|(_, value, _)| *value);
        for (quantity, value, marks) in &sample.values {
            let series = Series {
                board: board.clone(),
                probe: sample.probe.clone(),
                quantity: *quantity,
            };
            let id = match self.ids.get(&series) {
                Some(id) => *id,
                None => {
                    let id = id_of(work.connection, &series)?;
                    self.ids.insert(series.clone(), id);
                    id
                }
            };
            let marks = marks.with(dated.quality);
            let quality = self.watch(
                work.connection,
                &series,
                dated.at,
                *value,
                marks,
                temperature,
            )?;
            let reading = Reading { at: dated.at, value: *value, quality };
            if let Some(reading) = put(work.connection, id, reading)? {
                work.additions.note(id, reading);
                work.taken.readings.push((series, reading));
            }
        }
        if !sample.errors.is_empty() {
            let n = i64::try_from(sample.errors.len()).unwrap_or(i64::MAX);
            count(work.connection, "sensor errors", n)?;
        }
        Ok(())
    }

    /// The marks that a series gives to its next reading. After a start the
    /// last day is looked at again.
    fn watch(
        &mut self,
        connection: &Connection,
        series: &Series,
        at: Instant,
        value: f64,
        quality: Quality,
        beside: Option<f64>,
    ) -> Result<Quality, StoreError> {
        if !self.watchful.contains_key(series) {
            let mut fresh = Watchfulness::new(series.quantity);
            let from = at.plus_hours(-LOOK_BACK_HOURS);
            for reading in of_series(connection, series, from, at)? {
                fresh.observe(reading.at, reading.value, reading.quality, None);
            }
            self.watchful.insert(series.clone(), fresh);
        }
        let watchful = self.watchful.get_mut(series).expect("it was put there");
        Ok(watchful.observe(at, value, quality, beside))
    }

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

    fn know_waiting(
        &mut self,
        connection: &Connection,
    ) -> Result<(), StoreError> {
        if self.waiting.is_none() {
            let waiting = boots::with_undated(connection)?;
            self.waiting = Some(waiting.into_iter().collect());
        }
        Ok(())
    }

    fn boot(
        &mut self,
        connection: &Connection,
        key: &(Name, Boot),
        now: Instant,
    ) -> Result<&mut KnownBoot, StoreError> {
        if !self.boots.contains_key(key) {
            let known = boots::read(connection, &key.0, &key.1, now)?;
            self.boots.insert(key.clone(), known);
        }
        Ok(self.boots.get_mut(key).expect("it was put there"))
    }

    /// A board that starts anew each minute must not fill the memory.
    fn hold_few_boots(&mut self) {
        while self.boots.len() > MOST_BOOTS_HELD {
            let oldest = self
                .boots
                .iter()
                .min_by_key(|(_, known)| {
                    known.dating.map(|dating| dating.last_received)
                })
                .map(|(key, _)| key.clone());
            if let Some(oldest) = oldest {
                self.boots.remove(&oldest);
            }
        }
    }
}

/// What a transaction is doing.
struct Work<'c> {
    connection: &'c Connection,
    additions: Additions,
    taken: Taken,
}

impl Work<'_> {
    fn refuse(
        &mut self,
        arrival: &Arrival<'_>,
        board: Option<&Name>,
        reason: &str,
    ) -> Result<(), StoreError> {
        self.taken.refused += 1;
        keep(
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

/// The samples of a message by boot, in the order in which boots appear.
fn by_boot(message: &Message) -> Vec<(Option<Boot>, Vec<&Sample>)> {
    let mut groups: Vec<(Option<Boot>, Vec<&Sample>)> = Vec::new();
    for sample in &message.samples {
        let boot = sample.count.as_ref().map(|count| count.boot.clone());
        match groups.iter_mut().find(|(known, _)| *known == boot) {
            Some((_, samples)) => samples.push(sample),
            None => groups.push((boot, vec![sample])),
        }
    }
    groups
}

/// Writes a reading. Another value of the same series at that very
/// millisecond moves it on by one, so that neither is lost.
fn put(
    connection: &Connection,
    series: i64,
    mut reading: Reading,
) -> Result<Option<Reading>, StoreError> {
    loop {
        match insert(connection, series, reading)? {
            Inserted::New => return Ok(Some(reading)),
            Inserted::Same => return Ok(None),
            Inserted::Other(_) => reading.at = reading.at.plus_millis(1),
        }
    }
}

/// Whether a sample whose number is known is what was stored under it.
fn is_same(
    connection: &Connection,
    key: &(Name, Boot),
    dating: Option<Dating>,
    sample: &Sample,
) -> Result<bool, StoreError> {
    let (Some(number), Some(dating)) = (&sample.count, dating) else {
        return Ok(true);
    };
    if undated::waits(connection, key, number.seq)? {
        return undated::is_same(connection, key, number, sample);
    }
    if dating.standing == Standing::Untrusted {
        // Dated by receipt: the uptime tells nothing about the instant.
        return Ok(true);
    }
    let at = dating.instant(number.seq, number.up_ms);
    let from =
        at.plus_millis(dating.low_ms - dating.envelope_ms - REPEAT_SLACK_MS);
    let to =
        at.plus_millis(dating.high_ms - dating.envelope_ms + REPEAT_SLACK_MS);
    for (quantity, value, _) in &sample.values {
        let series = Series {
            board: key.0.clone(),
            probe: sample.probe.clone(),
            quantity: *quantity,
        };
        let stored = match find(connection, &series)? {
            Some(id) => has_value(connection, id, *value, from, to)?,
            None => false,
        };
        if !stored {
            return Ok(false);
        }
    }
    Ok(true)
}
