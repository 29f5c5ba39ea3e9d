//! The one thread that writes readings: takes what the sources hand over,
//! commits it in groups, and only then lets it be acknowledged.
//!
//! It owns its connection to the store. Each second it looks whether the
//! ledger changed, lets time pass for dates and watches, and says how it is.

use std::collections::BTreeSet;
use std::sync::Arc;
use std::time::{Duration, Instant as Monotonic};

use chrono_tz::Tz;
use tokio::runtime::Handle;
use tokio::sync::{Notify, mpsc};
use tokio::time::timeout;

use crate::alert::faults::UNDELIVERED;
use crate::daemon::clock::{Clock, StepWatch, is_set};
use crate::daemon::keeping::Shared;
use crate::daemon::outbox::ChannelsSaid;
use crate::daemon::watching::{Outside, SourceNow, Watching};
use crate::health::{DaemonHealth, SourceWord};
use crate::observation::Name;
use crate::source::{Delivery, SourceHealth};
use crate::store::{Arrival, Intake, Store, StoreError, WatchStep, in_a_row};
use crate::trial::book::Book;
use crate::units::Instant;

/// Deliveries that may wait for the writer: a few times what one connection
/// may have unconfirmed, so that one board in a flood does not fill it.
pub(crate) const QUEUE: usize = 4_096;
/// Samples in one transaction: less than 0.1 s of work, so that the command
/// line never waits long for the write lock. (A message is taken whole: it
/// may have a thousand.)
const MOST_AT_ONCE: usize = 2_048;
/// A message so soon after a commit comes from a peer that waits for each
/// acknowledgement: it is not made to wait for others.
const CONVERSATION: Duration = Duration::from_millis(100);
/// How often the watches are told what time it is.
const WATCH_CLOCK: Duration = Duration::from_secs(30);
/// Pause after a failed commit; meanwhile nothing is acknowledged.
const AFTER_FAILURE: Duration = Duration::from_secs(1);
/// How often a failure that lasts is logged.
const LOG_AGAIN: Duration = Duration::from_secs(60);
/// What nobody would send again is kept over a failure, up to this weight:
/// three hours of 21 boards on cables, one sample each minute, in a few MB.
const MOST_KEPT: usize = 4_096;

/// What the writer needs.
pub(crate) struct Writer {
    pub(crate) store: Store,
    pub(crate) deliveries: mpsc::Receiver<Delivery>,
    pub(crate) clock: Clock,
    pub(crate) zone: Tz,
    pub(crate) commit_every: Duration,
    pub(crate) channels: Vec<String>,
    pub(crate) known_boards: BTreeSet<Name>,
    pub(crate) sources: Vec<Arc<SourceHealth>>,
    /// So many alerts an hour are told.
    pub(crate) most_an_hour: usize,
    /// Told when the outbox may have something due.
    pub(crate) outbox: Arc<Notify>,
    /// What the ways out say of themselves.
    pub(crate) said: Arc<ChannelsSaid>,
    /// What could not be started.
    pub(crate) broken: Vec<String>,
    /// How the data are kept, and who sees that this thread lives.
    pub(crate) shared: Arc<Shared>,
}

impl Writer {
    /// Reads back where everything stood.
    ///
    /// # Errors
    /// [`StoreError`] when the store cannot be understood: better told at
    /// the start than by a daemon that runs and stores nothing.
    pub(crate) fn begin(self) -> Result<Writing, StoreError> {
        let now = self.clock.now();
        let (watching, step) = Watching::new(
            &self.store,
            self.zone,
            self.channels.clone(),
            self.most_an_hour,
            now,
        )?;
        let version = self.store.data_version()?;
        let steps = StepWatch::new(self.clock.clone());
        let mut intake = Intake::default();
        if !is_set(now) {
            intake.hold_dates(true);
            tracing::warn!("the clock of this machine is not set yet");
        }
        let mut writing = Writing {
            given: self,
            intake,
            started: now,
            watching,
            version,
            steps,
            last_commit: Monotonic::now(),
            last_look: None,
            last_clock: None,
            failing: None,
            logged: None,
            unkept: WatchStep::default(),
        };
        writing.keep(step)?;
        writing.declare()?;
        Ok(writing)
    }
}

/// Nothing can be stored.
#[derive(Debug)]
struct Failing {
    since: Instant,
    /// Readings that came; else only what the daemon itself writes.
    readings: bool,
}

/// The writer at work.
pub(crate) struct Writing {
    given: Writer,
    intake: Intake,
    watching: Watching,
    /// The store's own number for the last change by somebody else.
    version: i64,
    steps: StepWatch,
    last_commit: Monotonic,
    last_look: Option<Monotonic>,
    /// When the watches were last told the time, by the steady clock.
    last_clock: Option<Duration>,
    /// When this life began, by the wall clock as it is now.
    started: Instant,
    /// Since when nothing can be stored, if so.
    failing: Option<Failing>,
    /// When that was last logged.
    logged: Option<Monotonic>,
    /// What the watches changed and could not be written yet.
    unkept: WatchStep,
}

impl Writing {
    /// Writes until every source has let go of the queue and it is empty.
    pub(crate) fn run(mut self, runtime: &Handle) -> Result<(), StoreError> {
        let mut batch: Vec<Delivery> = Vec::new();
        loop {
            let open = runtime.block_on(gather(
                &mut self.given.deliveries,
                &mut batch,
                (self.given.commit_every, self.given.clock.look),
                self.last_commit,
            ));
            self.given.shared.writer_passed();
            self.look_at_the_clock(&mut batch);
            if !batch.is_empty() {
                self.commit(&mut batch);
                self.last_commit = Monotonic::now();
            }
            if !open {
                if !batch.is_empty() {
                    tracing::error!(
                        n_messages = batch.len(),
                        "could not be stored to the end and are lost"
                    );
                }
                break;
            }
            let look = self.given.clock.look;
            if self.last_look.is_none_or(|last| last.elapsed() >= look) {
                self.last_look = Some(Monotonic::now());
                self.look_at_the_clock(&mut batch);
                if let Err(error) = self.look() {
                    if self.failing.is_none() {
                        tracing::warn!(%error, "the store cannot be kept up");
                    }
                    self.cannot_store(false, in_a_row(&error));
                }
            }
        }
        self.keep(WatchStep::default())?;
        self.say(false, self.given.clock.now())
    }

    /// A step of the wall clock moves all that is known of boards, and what
    /// was received before it and is not stored yet.
    fn look_at_the_clock(&mut self, batch: &mut [Delivery]) {
        let Some(step) = self.steps.step() else { return };
        let (now, by_ms) = (self.given.clock.now(), step.by_ms);
        tracing::warn!(by_ms, "the clock of this machine was set");
        for delivery in batch {
            delivery.received = step.by_the_new_clock(delivery.received);
        }
        self.intake.hold_dates(!is_set(now));
        let (store, since) = (&mut self.given.store, self.started);
        self.started = since.plus_millis(by_ms);
        let taken = self.intake.host_clock_moved(store, by_ms, since, now);
        let mut step = self.watching.clock_was_set(by_ms, now);
        match taken {
            Ok(taken) => step.then(self.watching.readings(&taken.readings)),
            Err(error) => {
                tracing::error!(%error, "the step of the clock is not kept");
            }
        }
        if let Err(error) = self.keep(step) {
            tracing::error!(%error, "an alert could not be kept yet");
        }
    }

    /// Writes a batch, confirms it, and steps the watches. On failure the
    /// receipts are dropped, so the peers send again; what no peer would
    /// send again stays in the batch.
    fn commit(&mut self, batch: &mut Vec<Delivery>) {
        let arrivals: Vec<Arrival<'_>> = batch
            .iter()
            .map(|delivery| Arrival {
                source: delivery.source.as_str(),
                received: delivery.received,
                steady: delivery.steady,
                topic: delivery.topic.as_deref(),
                dup: delivery.dup,
                bytes: &delivery.bytes,
                content: delivery.content.as_ref().map_err(String::as_str),
            })
            .collect();
        match self.intake.take(&mut self.given.store, &arrivals) {
            Ok(taken) => {
                self.given.shared.wrote();
                let now = self.given.clock.now();
                let mut step = self.stores_again(now);
                let came = batch.iter().filter_map(|delivery| {
                    let message = delivery.content.as_ref().ok()?;
                    Some((&message.board, delivery.source.as_str()))
                });
                step.then(self.watching.came_by(came));
                for delivery in batch.drain(..) {
                    delivery.receipt.confirm();
                }
                step.then(self.watching.readings(&taken.readings));
                if let Err(error) = self.keep(step) {
                    tracing::error!(%error, "an alert could not be kept yet");
                }
            }
            Err(error) => {
                let why = in_a_row(&error);
                if self.logged.is_none_or(|at| at.elapsed() >= LOG_AGAIN) {
                    self.logged = Some(Monotonic::now());
                    tracing::error!(
                        why,
                        n_messages = batch.len(),
                        "nothing was stored or acknowledged; boards and \
                         brokers will send again"
                    );
                }
                self.cannot_store(true, why);
                batch.retain(|delivery| !delivery.receipt.comes_again());
                self.forget_the_oldest(batch);
                std::thread::sleep(AFTER_FAILURE);
            }
        }
    }

    fn cannot_store(&mut self, readings: bool, why: String) {
        let since = self.given.clock.now();
        let failing = Failing { since, readings };
        let failing = self.failing.get_or_insert(failing);
        failing.readings |= readings;
        self.given.shared.cannot_store(failing.since, why);
    }

    /// Something was stored: what the watches say of the time in which
    /// nothing was.
    fn stores_again(&mut self, now: Instant) -> WatchStep {
        let Some(failing) = self.failing.take() else {
            return WatchStep::default();
        };
        self.logged = None;
        let told = self.given.shared.stores_again();
        tracing::info!("readings are stored again");
        self.watching.stored_again(failing.since, &told, now)
    }

    /// Memory is bounded: of what is kept over a failure, the newest stays.
    fn forget_the_oldest(&self, batch: &mut Vec<Delivery>) {
        let mut weight: usize = batch.iter().map(Delivery::weight).sum();
        let mut n = 0;
        while weight > MOST_KEPT && n < batch.len() {
            weight -= batch[n].weight();
            n += 1;
        }
        for delivery in batch.drain(..n) {
            let sources = &self.given.sources;
            if let Some(health) =
                sources.iter().find(|s| *s.name() == delivery.source)
            {
                health.count("lost: nothing could be stored");
            }
        }
    }

    fn look(&mut self) -> Result<(), StoreError> {
        // A clock that is set from here on must not date what waits.
        let (now, steady) = self.steps.looked();
        let seen = self.given.store.data_version()?;
        if seen != self.version {
            let step = self.watching.reload(&self.given.store, now)?;
            self.keep(step)?;
            self.declare()?;
            self.version = seen;
        }
        self.given.store.add_up(now)?;
        let taken = self.intake.tick(&mut self.given.store, now)?;
        let step = self.watching.readings(&taken.readings);
        self.keep(step)?;
        if self.last_clock.is_none_or(|last| steady >= last + WATCH_CLOCK) {
            self.last_clock = Some(steady);
            let outside = self.outside(now)?;
            let step = self.watching.clock(&outside, now);
            self.keep(step)?;
            self.say(true, now)?;
            // The few bytes of this may find room where readings do not.
            if self.failing.as_ref().is_none_or(|failing| !failing.readings) {
                self.given.shared.wrote();
                let step = self.stores_again(now);
                self.keep(step)?;
            }
            // Messages that were not taken become due by time alone.
            self.given.outbox.notify_one();
        }
        Ok(())
    }

    /// Boards that have a place, or a password.
    fn declare(&mut self) -> Result<(), StoreError> {
        let (book, _) = Book::build(&self.given.store.ledger()?);
        let placed = book.house.board_stays.into_iter().map(|stay| stay.board);
        let known = self.given.known_boards.iter().cloned();
        self.intake.declare(known.chain(placed).collect());
        Ok(())
    }

    /// Writes what the watches changed. What cannot be written now is kept
    /// and written with the next: an alert is never forgotten.
    fn keep(&mut self, step: WatchStep) -> Result<(), StoreError> {
        self.unkept.then(step);
        if self.unkept.is_empty() {
            return Ok(());
        }
        let now = self.given.clock.now();
        self.given.store.keep_watch_step(&self.unkept, now)?;
        let written = std::mem::take(&mut self.unkept);
        if !written.messages.is_empty() {
            self.given.outbox.notify_one();
        }
        Ok(())
    }

    /// How the ways in and out stand.
    fn outside(&self, now: Instant) -> Result<Outside, StoreError> {
        let (waiting, given_up) =
            self.given.store.hopeless_messages(UNDELIVERED, now)?;
        let sources = self
            .given
            .sources
            .iter()
            .map(|source| {
                let condition = source.condition();
                SourceNow {
                    name: source.name().to_string(),
                    well: condition.state.is_well(),
                    detail: condition.detail,
                }
            })
            .collect();
        Ok(Outside { sources, waiting, given_up })
    }

    /// Leaves word for `status`: how things stood at an instant.
    fn say(&mut self, running: bool, at: Instant) -> Result<(), StoreError> {
        let given = &mut self.given;
        let health = DaemonHealth {
            running,
            waiting: given.deliveries.len(),
            failing: self.failing.is_some(),
            sources: given.sources.iter().map(|s| source_word(s)).collect(),
            broken: given.broken.clone(),
            channels: given.said.words(),
            keeping: given.shared.word(),
        };
        given.store.daemon_says(&health, at)
    }
}

fn source_word(source: &SourceHealth) -> SourceWord {
    let condition = source.condition();
    SourceWord {
        name: source.name().to_string(),
        state: condition.state.words().to_owned(),
        well: condition.state.is_well(),
        detail: condition.detail,
        delivered: source.delivered(),
        counts: source
            .counts()
            .into_iter()
            .map(|(what, n)| (what.to_owned(), n))
            .collect(),
    }
}

/// Waits for deliveries and gathers those that belong into one commit.
///
/// A lone message waits up to `commit_every` for others, to spare the card;
/// in a backlog, and where a peer waits for each acknowledgement, the commit
/// comes as soon as the queue runs dry. Returns at the latest after
/// `look`, and false when the queue is closed.
async fn gather(
    deliveries: &mut mpsc::Receiver<Delivery>,
    batch: &mut Vec<Delivery>,
    (commit_every, look): (Duration, Duration),
    last_commit: Monotonic,
) -> bool {
    let Ok(first) = timeout(look, deliveries.recv()).await else {
        return true;
    };
    let Some(first) = first else { return false };
    // What a failed commit left is there already.
    batch.push(first);
    let mut n_samples: usize = batch.iter().map(samples_in).sum();
    let conversation = last_commit.elapsed() < CONVERSATION;
    let until = Monotonic::now() + commit_every;
    loop {
        while n_samples < MOST_AT_ONCE {
            let Ok(delivery) = deliveries.try_recv() else { break };
            n_samples += samples_in(&delivery);
            batch.push(delivery);
        }
        let left = until.saturating_duration_since(Monotonic::now());
        let many = batch.len() >= MANY || n_samples >= MOST_AT_ONCE;
        if conversation || many || left.is_zero() {
            return true;
        }
        match timeout(left, deliveries.recv()).await {
            Ok(Some(delivery)) => {
                n_samples += samples_in(&delivery);
                batch.push(delivery);
            }
            Ok(None) => return false,
            Err(_) => return true,
        }
    }
}

/// A message that was refused is work as well.
fn samples_in(delivery: &Delivery) -> usize {
    delivery.content.as_ref().map_or(1, |message| message.samples.len().max(1))
}

/// So many messages together are a backlog, not the trickle of a home.
const MANY: usize = 16;
