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

use crate::daemon::clock::{Clock, StepWatch};
use crate::daemon::keeping::Shared;
use crate::daemon::watching::Watching;
use crate::health::{DaemonHealth, SourceWord};
use crate::observation::Name;
use crate::source::{Delivery, SourceHealth};
use crate::store::{Arrival, Intake, Store, StoreError, WatchStep};
use crate::trial::book::Book;

/// Deliveries that may wait for the writer: a few times what one connection
/// may have unconfirmed, so that one board in a flood does not fill it.
pub(crate) const QUEUE: usize = 4_096;
/// Deliveries in one transaction: about 0.1 s of work, so that the command
/// line never waits long for the write lock.
const MOST_AT_ONCE: usize = 2_048;
/// A message so soon after a commit comes from a peer that waits for each
/// acknowledgement: it is not made to wait for others.
const CONVERSATION: Duration = Duration::from_millis(100);
/// How often the ledger, the clock and the dates are looked at.
const LOOK: Duration = Duration::from_secs(1);
/// How often the watches are told what time it is.
const WATCH_CLOCK: Duration = Duration::from_secs(30);
/// Pause after a failed commit; meanwhile nothing is acknowledged.
const AFTER_FAILURE: Duration = Duration::from_secs(1);

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
    /// Told when the outbox may have something new.
    pub(crate) outbox: Arc<Notify>,
    /// What could not be started.
    pub(crate) broken: Vec<String>,
    /// The last commit failed.
    pub(crate) failing: bool,
    /// How the data are kept, and who sees that this thread lives.
    pub(crate) shared: Arc<Shared>,
}

impl Writer {
    /// Writes until every source has let go of the queue and it is empty.
    /// Returns how many messages were drained after the queue was closed.
    pub(crate) fn run(mut self, runtime: &Handle) -> Result<(), StoreError> {
        let now = self.clock.now();
        let (mut watching, step) =
            Watching::new(&self.store, self.zone, self.channels.clone(), now)?;
        self.keep(&step)?;
        let mut intake = Intake::default();
        self.declare(&mut intake)?;
        let mut version = self.store.data_version()?;
        let mut steps = StepWatch::new(self.clock.clone());
        let mut last_commit = Monotonic::now();
        let mut last_clock = None::<Monotonic>;
        let mut batch: Vec<Delivery> = Vec::new();
        loop {
            let open = runtime.block_on(gather(
                &mut self.deliveries,
                &mut batch,
                self.commit_every,
                last_commit,
            ));
            self.shared.writer_passed();
            if !batch.is_empty() {
                self.commit(&mut intake, &mut watching, &mut batch);
                last_commit = Monotonic::now();
            }
            if !open && batch.is_empty() {
                break;
            }
            if let Err(error) = self.look(
                &mut intake,
                &mut watching,
                &mut version,
                &mut steps,
                &mut last_clock,
            ) {
                tracing::warn!(%error, "the store could not be looked at");
            }
        }
        self.say(false)
    }

    /// Writes a batch, confirms it, and steps the watches. On failure the
    /// receipts are dropped, so the peers send again.
    fn commit(
        &mut self,
        intake: &mut Intake,
        watching: &mut Watching,
        batch: &mut Vec<Delivery>,
    ) {
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
        match intake.take(&mut self.store, &arrivals) {
            Ok(taken) => {
                self.failing = false;
                for delivery in batch.drain(..) {
                    delivery.receipt.confirm();
                }
                let step = watching.readings(&taken.readings);
                if let Err(error) = self.keep(&step) {
                    tracing::error!(%error, "an alert could not be kept");
                }
            }
            Err(error) => {
                self.failing = true;
                tracing::error!(
                    error = &error as &dyn std::error::Error,
                    n_messages = batch.len(),
                    "nothing was stored or acknowledged; the boards will \
                     send again"
                );
                batch.clear();
                std::thread::sleep(AFTER_FAILURE);
            }
        }
    }

    fn look(
        &mut self,
        intake: &mut Intake,
        watching: &mut Watching,
        version: &mut i64,
        steps: &mut StepWatch,
        last_clock: &mut Option<Monotonic>,
    ) -> Result<(), StoreError> {
        let now = self.clock.now();
        if let Some(by_ms) = steps.step() {
            tracing::warn!(by_ms, "the clock of this machine was set");
            intake.host_clock_moved(&mut self.store, by_ms, now)?;
            watching.listen_anew(now);
        }
        let seen = self.store.data_version()?;
        if seen != *version {
            *version = seen;
            let step = watching.reload(&self.store, now)?;
            self.keep(&step)?;
            self.declare(intake)?;
        }
        let taken = intake.tick(&mut self.store, now)?;
        let step = watching.readings(&taken.readings);
        self.keep(&step)?;
        if last_clock.is_none_or(|last| last.elapsed() >= WATCH_CLOCK) {
            *last_clock = Some(Monotonic::now());
            let step = watching.clock(now);
            self.keep(&step)?;
            self.say(true)?;
        }
        Ok(())
    }

    /// Boards that have a place, or a password.
    fn declare(&self, intake: &mut Intake) -> Result<(), StoreError> {
        let (book, _) = Book::build(&self.store.ledger()?);
        let placed = book.house.board_stays.into_iter().map(|stay| stay.board);
        intake
            .declare(self.known_boards.iter().cloned().chain(placed).collect());
        Ok(())
    }

    fn keep(&mut self, step: &WatchStep) -> Result<(), StoreError> {
        if step.states.is_empty() && step.alerts.is_empty() {
            return Ok(());
        }
        self.store.keep_watch_step(step, self.clock.now())?;
        if !step.messages.is_empty() {
            self.outbox.notify_one();
        }
        Ok(())
    }

    /// Leaves word for `status`.
    fn say(&mut self, running: bool) -> Result<(), StoreError> {
        let sources = self.sources.iter().map(|s| source_word(s)).collect();
        let health = DaemonHealth {
            running,
            waiting: self.deliveries.len(),
            failing: self.failing,
            sources,
            broken: self.broken.clone(),
            keeping: self.shared.word(),
        };
        self.store.daemon_says(&health, self.clock.now())
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
/// [`LOOK`], and false when the queue is closed.
async fn gather(
    deliveries: &mut mpsc::Receiver<Delivery>,
    batch: &mut Vec<Delivery>,
    commit_every: Duration,
    last_commit: Monotonic,
) -> bool {
    let Ok(first) = timeout(LOOK, deliveries.recv()).await else {
        return true;
    };
    let Some(first) = first else { return false };
    batch.push(first);
    let conversation = last_commit.elapsed() < CONVERSATION;
    let until = Monotonic::now() + commit_every;
    loop {
        while batch.len() < MOST_AT_ONCE {
            match deliveries.try_recv() {
                Ok(delivery) => batch.push(delivery),
                Err(_) => break,
            }
        }
        let left = until.saturating_duration_since(Monotonic::now());
        if conversation || batch.len() >= MANY || left.is_zero() {
            return true;
        }
        match timeout(left, deliveries.recv()).await {
            Ok(Some(delivery)) => batch.push(delivery),
            Ok(None) => return false,
            Err(_) => return true,
        }
    }
}

/// So many messages together are a backlog, not the trickle of a home.
const MANY: usize = 16;
