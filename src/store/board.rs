//! One board as the intake knows it: its starts, its series, when it was
//! last heard, and what its messages mean.
//!
//! Not the rules of dating (`decode::dating`) and no transaction of its own:
//! it is written with the message that changed it.

use std::collections::{BTreeSet, HashMap};

use rusqlite::Connection;

use crate::decode::dating::{self, Dated, Standing};
use crate::observation::{
    Boot, Message, Name, Quality, Quantity, Reading, Sample,
};
use crate::store::boots::{self, KnownBoot};
use crate::store::intake::{Arrival, Work};
use crate::store::refused::count;
use crate::store::streams::Streams;
use crate::store::{StoreError, repeats, undated};
use crate::units::Instant;

/// Starts of a board held in memory; older ones are read again when they
/// speak. A board that starts anew each minute must not fill the memory.
const MOST_BOOTS_HELD: usize = 32;

/// What is known of a board.
#[derive(Debug)]
pub(crate) struct KnownBoard {
    name: Name,
    heard: Option<Instant>,
    boots: HashMap<Boot, KnownBoot>,
    /// Starts that have samples without a date.
    undated: BTreeSet<Boot>,
    streams: Streams,
}

impl KnownBoard {
    /// A board that was never heard.
    pub(crate) fn new(name: Name) -> Self {
        Self::with(name, Streams::default())
    }

    /// A board that has these series.
    pub(crate) fn with(name: Name, streams: Streams) -> Self {
        Self {
            name,
            heard: None,
            boots: HashMap::new(),
            undated: BTreeSet::new(),
            streams,
        }
    }

    /// Notes that the file holds samples of this start without a date.
    pub(crate) fn has_undated_of(&mut self, boot: Boot) {
        self.undated.insert(boot);
    }

    /// Whether samples wait for a date.
    pub(crate) fn has_undated(&self) -> bool {
        !self.undated.is_empty()
    }

    /// Takes a message that is no repeat.
    pub(crate) fn message(
        &mut self,
        work: &mut Work<'_>,
        arrival: &Arrival<'_>,
        message: &Message,
    ) -> Result<(), StoreError> {
        let previous = self.heard.replace(arrival.received);
        for samples in message.samples.chunk_by(|a, b| boot(a) == boot(b)) {
            self.samples(work, arrival, samples, previous)?;
        }
        Ok(())
    }

    /// Samples of one start, or samples without numbers.
    fn samples(
        &mut self,
        work: &mut Work<'_>,
        arrival: &Arrival<'_>,
        samples: &[Sample],
        previous: Option<Instant>,
    ) -> Result<(), StoreError> {
        let Some(newest) = samples
            .iter()
            .filter_map(|sample| sample.count.as_ref())
            .max_by_key(|count| count.seq)
        else {
            for sample in samples {
                let mut dated =
                    dating::date_uncounted(sample.claimed, arrival.received);
                if work.hold {
                    let mark = Quality::CLOCK_DOUBTFUL;
                    dated.quality = dated.quality.with(mark);
                }
                work.n_values += sample.values.len() as u64;
                self.store(work, sample, dated)?;
            }
            return Ok(());
        };
        let heard = dating::Arrival {
            received: arrival.received,
            steady: arrival.steady,
            previous,
            newest_seq: newest.seq,
            newest_up_ms: newest.up_ms,
        };
        let boot = &newest.boot;
        self.known(work.connection, boot, arrival.received)?.observe(&heard);
        // Oldest first, so that watches and marks see the series in order.
        if !work.hold {
            self.release(work, boot)?;
        }
        for sample in samples {
            self.counted(work, arrival, sample)?;
        }
        self.tell_other_boots(work, boot, arrival.received)
    }

    fn counted(
        &mut self,
        work: &mut Work<'_>,
        arrival: &Arrival<'_>,
        sample: &Sample,
    ) -> Result<(), StoreError> {
        let Some(number) = &sample.count else { return Ok(()) };
        let known =
            self.known(work.connection, &number.boot, arrival.received)?;
        let dating = known.dating;
        if !known.seen.add(number.seq) {
            if repeats::is_same(work.connection, &self.name, dating, sample)? {
                work.taken.repeated += 1;
                return Ok(());
            }
            let reason = format!(
                "number used twice: sample {} of boot {} was stored with \
                 other values or another uptime",
                number.seq, number.boot
            );
            return work.refuse(arrival, Some(&self.name), &reason);
        }
        work.n_values += sample.values.len() as u64;
        let waits = work.hold || self.undated.contains(&number.boot);
        let dated = dating
            .filter(|_| !waits)
            .and_then(|d| d.date(number, sample.claimed, arrival.received));
        match dated {
            Some(dated) => self.store(work, sample, dated),
            None => {
                self.undated.insert(number.boot.clone());
                work.taken.undated += 1;
                undated::keep(
                    work.connection,
                    &self.name,
                    number,
                    sample,
                    arrival,
                )
            }
        }
    }

    /// Lets time pass for samples that wait for a date.
    pub(crate) fn tick(
        &mut self,
        work: &mut Work<'_>,
        now: Instant,
    ) -> Result<(), StoreError> {
        for boot in self.undated.clone() {
            let known = self.known(work.connection, &boot, now)?;
            let verdict = known.dating.as_mut().and_then(|d| d.tick(now));
            known.changed |= verdict.is_some();
            self.release(work, &boot)?;
        }
        Ok(())
    }

    /// Dates what was held back while the host's clock was not set.
    pub(crate) fn settle(
        &mut self,
        work: &mut Work<'_>,
    ) -> Result<(), StoreError> {
        for boot in self.undated.clone() {
            self.release(work, &boot)?;
        }
        Ok(())
    }

    /// A boot tells on the others of its board: those in the same burst did
    /// not speak alone, those before it have ended.
    fn tell_other_boots(
        &mut self,
        work: &mut Work<'_>,
        boot: &Boot,
        received: Instant,
    ) -> Result<(), StoreError> {
        let others: Vec<Boot> = self
            .undated
            .iter()
            .filter(|other| *other != boot)
            .cloned()
            .collect();
        if others.is_empty() {
            return Ok(());
        }
        let this = self.known(work.connection, boot, received)?;
        let first_heard = this.first_heard;
        let live = this.dating.filter(|d| d.standing == Standing::Live);
        for other in others {
            let known = self.known(work.connection, &other, received)?;
            let earlier = known.first_heard <= first_heard;
            let Some(their) = known.dating.as_mut() else { continue };
            their.another_spoke(received);
            let ended = live
                .filter(|_| earlier)
                .and_then(|live| their.superseded(live.start()));
            known.changed = true;
            if ended.is_some() && !work.hold {
                self.release(work, &other)?;
            }
        }
        Ok(())
    }

    /// Dates and stores what a boot kept back, if its dating is settled: the
    /// oldest first, and what is too much for one transaction in the next.
    /// What comes meanwhile waits behind it.
    fn release(
        &mut self,
        work: &mut Work<'_>,
        boot: &Boot,
    ) -> Result<(), StoreError> {
        if !self.undated.contains(boot) {
            return Ok(());
        }
        let known = self.known(work.connection, boot, Instant::default())?;
        let Some(dating) =
            known.dating.filter(|d| d.standing != Standing::Provisional)
        else {
            return Ok(());
        };
        let room = work.room;
        let samples = undated::read(work.connection, &self.name, boot, room)?;
        work.room -= samples.len();
        for (sample, received) in &samples {
            let Some(number) = &sample.count else { continue };
            if let Some(dated) = dating.date(number, sample.claimed, *received)
            {
                self.store(work, sample, dated)?;
            }
        }
        if let Some(last) =
            samples.last().and_then(|(sample, _)| sample.count.as_ref())
        {
            undated::forget(work.connection, &self.name, last)?;
        }
        if samples.len() < room {
            self.undated.remove(boot);
        }
        Ok(())
    }

    fn store(
        &mut self,
        work: &mut Work<'_>,
        sample: &Sample,
        dated: Dated,
    ) -> Result<(), StoreError> {
        let temperature = sample
            .values
            .iter()
            .find(|(q, _, _)| *q == Quantity::Temperature)
            .map(|(_, value, _)| *value);
        for (quantity, value, marks) in &sample.values {
            let stream = self.streams.of(
                work.connection,
                &self.name,
                &sample.probe,
                *quantity,
            )?;
            let quality = stream.watchful.observe(
                dated.at,
                *value,
                marks.with(dated.quality),
                temperature,
            );
            let reading = Reading { at: dated.at, value: *value, quality };
            if let Some(reading) = work.put(stream.id, reading)? {
                stream.addition.note(reading);
                let series = std::sync::Arc::clone(&stream.series);
                work.taken.readings.push((series, reading));
            }
        }
        if !sample.errors.is_empty() {
            let n = i64::try_from(sample.errors.len()).unwrap_or(i64::MAX);
            count(work.connection, "sensor errors", n)?;
        }
        Ok(())
    }

    /// The host's clock was set.
    pub(crate) fn host_clock_moved(&mut self, by_ms: i64) {
        for known in self.boots.values_mut() {
            if let Some(dating) = known.dating.as_mut() {
                dating.host_clock_moved(by_ms);
                known.changed = true;
            }
        }
        self.heard = self.heard.map(|heard| heard.plus_millis(by_ms));
    }

    /// Writes what changed since the last call.
    pub(crate) fn write(
        &mut self,
        connection: &Connection,
    ) -> Result<(), StoreError> {
        self.streams.write(connection)?;
        for (boot, known) in &mut self.boots {
            boots::write(connection, &self.name, boot, known)?;
        }
        while self.boots.len() > MOST_BOOTS_HELD {
            let oldest = self
                .boots
                .iter()
                .min_by_key(|(_, known)| known.dating.map(|d| d.last_received))
                .map(|(boot, _)| boot.clone());
            let Some(oldest) = oldest else { break };
            self.boots.remove(&oldest);
        }
        Ok(())
    }

    fn known(
        &mut self,
        connection: &Connection,
        boot: &Boot,
        now: Instant,
    ) -> Result<&mut KnownBoot, StoreError> {
        if !self.boots.contains_key(boot) {
            let known = boots::read(connection, &self.name, boot, now)?;
            self.boots.insert(boot.clone(), known);
        }
        Ok(self.boots.get_mut(boot).expect("it was put there"))
    }
}

fn boot(sample: &Sample) -> Option<&Boot> {
    sample.count.as_ref().map(|count| &count.boot)
}
