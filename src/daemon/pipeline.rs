//! The whole flow on one page: sources ─► queue ─► writer ─► store, watches
//! ─► outbox ─► channels; and the order in which it stops.
//!
//! One broken source never stops the others: it is told, and shown by
//! `status`.

use std::collections::BTreeSet;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::thread::JoinHandle;
use std::time::Duration;

use chrono::NaiveTime;
use chrono_tz::Tz;
use tokio::runtime::Handle;
use tokio::sync::{Notify, mpsc, oneshot, watch};
use tokio::task::JoinSet;
use tokio::time::timeout;

use crate::daemon::backups;
use crate::daemon::clock::Clock;
use crate::daemon::keeping::{Keeper, Shared};
use crate::daemon::lock::{DaemonLock, LockError};
use crate::daemon::outbox::{ChannelsSaid, Outbox};
use crate::daemon::telling::Telling;
use crate::daemon::unstored::FromMemory;
use crate::daemon::writer::{QUEUE, Writer};
use crate::decode::Mapping;
use crate::exchange::times::ZoneRule;
use crate::health::KeepingWord;
use crate::notify::Channel;
use crate::observation::Name;
use crate::source::{Feed, Room, SourceHealth, broker, inlet, serial};
use crate::store::backup::BackupError;
use crate::store::forward::bring_forward;
use crate::store::journal::CaughtUp;
use crate::store::{Access, Store, StoreError, disk, in_a_row, library};
use crate::units::Instant;
use crate::web;

/// How long stopping may take before what still runs is left behind.
const DEADLINE: Duration = Duration::from_secs(20);

/// What the daemon is to do.
#[derive(Debug)]
pub struct Plan {
    /// The data file.
    pub data: PathBuf,
    /// The house's time zone, for the texts of alerts.
    pub zone: Tz,
    /// How long a lone reading may wait for others before the commit.
    pub commit_every: Duration,
    /// Nightly backups.
    pub backup: Option<backups::Settings>,
    /// The daemon's own door for boards.
    pub inlet: Option<inlet::Settings>,
    /// Brokers to subscribe at.
    pub brokers: Vec<broker::Settings>,
    /// Serial ports.
    pub serial: Vec<serial::Settings>,
    /// Payloads of the boards' own making.
    pub mappings: Vec<Mapping>,
    /// Ways out for alerts.
    pub channels: Vec<Channel>,
    /// How alerts are told.
    pub telling: Telling,
    /// Pages for the phone.
    pub web: Option<web::Opening>,
}

/// Why the daemon did not start.
#[derive(Debug, thiserror::Error)]
pub enum DaemonError {
    /// The data file cannot be had alone.
    #[error(transparent)]
    Lock(#[from] LockError),
    /// The data file cannot be opened.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// The data file is damaged.
    #[error("the data file is damaged: {}", problems.join("; "))]
    Damaged {
        /// What was found.
        problems: Vec<String>,
    },
    /// The SQLite library could damage the data file.
    #[error(
        "this program was built with SQLite {name}, which can lose what was \
         committed"
    )]
    Library {
        /// Its version.
        name: &'static str,
    },
    /// The data file could not be brought to this program's schema.
    #[error("the data file could not be brought forward; it is as it was")]
    Forward(#[from] BackupError),
    /// A thread could not be started.
    #[error("a thread could not be started")]
    Thread(#[from] std::io::Error),
}

/// A daemon that runs.
#[derive(Debug)]
pub struct Running {
    stop: watch::Sender<bool>,
    tasks: JoinSet<()>,
    ports: Vec<JoinHandle<()>>,
    writer: JoinHandle<Result<(), StoreError>>,
    keeper: JoinHandle<()>,
    shared: Arc<Shared>,
    /// Closed when the writer's thread ends, however it ends.
    writer_lives: oneshot::Receiver<()>,
    sources: Vec<Arc<SourceHealth>>,
    /// Where the inlet listens, if it does.
    pub inlet: Option<SocketAddr>,
    /// Where the pages are, if there are any.
    pub web: Option<SocketAddr>,
    /// Sources and pages that could not be started, each with its reason.
    pub broken: Vec<String>,
    _lock: DaemonLock,
}

/// How the daemon ended.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Drained {
    /// Messages the sources handed over while the daemon ran.
    pub delivered: u64,
    /// Parts that were still running at the deadline.
    pub left_behind: Vec<&'static str>,
    /// What the writer met at the end, if anything.
    pub error: Option<String>,
}

/// Starts everything. Sources that cannot start are listed in
/// [`Running::broken`]; the rest runs.
///
/// # Errors
/// [`DaemonError`] when the data file cannot be had.
pub async fn start(plan: Plan, clock: Clock) -> Result<Running, DaemonError> {
    let lock = DaemonLock::take(&plan.data)?;
    let store = sound_store(&plan.data, clock.now())?;
    let (deliveries, queue) = mpsc::channel(QUEUE);
    let (stop, stopped) = watch::channel(false);
    let feed = Feed {
        deliveries,
        room: Room::default(),
        now: clock.wall.clone(),
        stop: stopped.clone(),
        mappings: plan.mappings.into(),
    };
    let mut start = Starting {
        feed,
        tasks: JoinSet::new(),
        ports: Vec::new(),
        sources: Vec::new(),
        broken: plan.telling.broken_channels.clone(),
    };
    let mut known_boards = BTreeSet::new();
    let inlet = match &plan.inlet {
        Some(settings) => start.inlet(settings, &mut known_boards).await,
        None => None,
    };
    for settings in &plan.brokers {
        start.broker(settings);
    }
    for settings in &plan.serial {
        start.serial(settings);
    }
    let web = match &plan.web {
        Some(opening) => start.pages(opening, &plan.data).await,
        None => None,
    };
    let base_url =
        plan.web.and_then(|opening| opening.settings.base_url.clone());
    let Starting { feed, mut tasks, ports, sources, broken } = start;
    // Without any source the daemon runs as well: this keeps the queue open
    // until the stop signal. When the last sender ends, the writer drains.
    tasks.spawn(until_stopped(feed));
    let news = Arc::new(Notify::new());
    // A stand-in is told only what the other does not take.
    let channels: Vec<String> = plan
        .channels
        .iter()
        .filter(|channel| channel.stand_in.is_none())
        .map(|channel| channel.name.clone())
        .collect();
    let said = Arc::new(ChannelsSaid::default());
    let shared = Arc::new(Shared::default());
    let keeper = Keeper {
        data: plan.data.clone(),
        // Only its zone is asked: nothing here is a date alone.
        zone: ZoneRule { zone: plan.zone, evening: NaiveTime::MIN },
        backups: plan.backup,
        channels: channels.clone(),
        clock: clock.clone(),
        stop: stopped.clone(),
        outbox: Arc::clone(&news),
        shared: Arc::clone(&shared),
        space: disk::space,
    };
    let writer = Writer {
        store,
        deliveries: queue,
        clock: clock.clone(),
        zone: plan.zone,
        commit_every: plan.commit_every,
        channels: channels.clone(),
        most_an_hour: plan.telling.settings.most_an_hour,
        known_boards,
        sources: sources.clone(),
        outbox: Arc::clone(&news),
        said: Arc::clone(&said),
        broken: broken.clone(),
        shared: Arc::clone(&shared),
    }
    .begin()?;
    let runtime = Handle::current();
    let for_keeper = runtime.clone();
    let keeper = std::thread::Builder::new()
        .name("keeper".to_owned())
        .spawn(move || keeper.run(&for_keeper))?;
    let (lives, writer_lives) = oneshot::channel();
    let writer = std::thread::Builder::new().name("writer".to_owned()).spawn(
        move || {
            let _lives: oneshot::Sender<()> = lives;
            writer.run(&runtime)
        },
    )?;
    tasks.spawn(
        FromMemory {
            channels: plan.channels.clone(),
            zone: plan.zone,
            try_again: plan.telling.settings.try_again,
            clock: clock.clone(),
            shared: Arc::clone(&shared),
            stop: stopped.clone(),
        }
        .run(),
    );
    tasks.spawn(
        Outbox {
            data: plan.data,
            channels: plan.channels,
            first: channels,
            zone: plan.zone,
            telling: plan.telling,
            base_url,
            clock,
            news,
            shared: Arc::clone(&shared),
            said,
            stop: stopped,
        }
        .run(),
    );
    Ok(Running {
        stop,
        tasks,
        ports,
        writer,
        keeper,
        shared,
        writer_lives,
        sources,
        inlet,
        web,
        broken,
        _lock: lock,
    })
}

/// Opens the data file when the library and the file are sound, makes it if
/// there is none, brings an older one forward, and catches up its journal.
fn sound_store(data: &Path, now: Instant) -> Result<Store, DaemonError> {
    let (number, name) = library::in_use();
    if !library::is_sound(number) {
        return Err(DaemonError::Library { name });
    }
    if let Some(done) = bring_forward(data, now)? {
        tracing::info!(
            from = done.from,
            to = done.to,
            backup = %done.backup.display(),
            "the data file was brought forward"
        );
    }
    let store = Store::open(data, Access::Create)?;
    let problems = store.quick_check()?;
    if !problems.is_empty() {
        return Err(DaemonError::Damaged { problems });
    }
    match store.catch_up_journal(now) {
        Ok(CaughtUp { set_aside: Some(path), .. }) => tracing::warn!(
            kept = %path.display(),
            "the journal said something else than the ledger and was set \
             aside; `vernalog restore --from-journal` adds what it has more"
        ),
        Ok(_) => {}
        Err(error) => {
            tracing::error!(
                why = in_a_row(&error),
                "the journal is not written"
            );
        }
    }
    Ok(store)
}

async fn until_stopped(feed: Feed) {
    let mut stop = feed.stop.clone();
    // A dropped sender is a stop as well.
    drop(stop.wait_for(|stop| *stop).await);
}

struct Starting {
    feed: Feed,
    tasks: JoinSet<()>,
    ports: Vec<JoinHandle<()>>,
    sources: Vec<Arc<SourceHealth>>,
    broken: Vec<String>,
}

impl Starting {
    async fn inlet(
        &mut self,
        settings: &inlet::Settings,
        known_boards: &mut BTreeSet<Name>,
    ) -> Option<SocketAddr> {
        match inlet::bind(settings).await {
            Ok(inlet) => {
                let address = inlet.local_addr();
                known_boards.extend(inlet.boards());
                self.sources.push(inlet.health());
                self.tasks.spawn(inlet.run(self.feed.clone()));
                Some(address)
            }
            Err(error) => {
                self.broken.push(in_a_row(&error));
                None
            }
        }
    }

    async fn pages(
        &mut self,
        opening: &web::Opening,
        data: &Path,
    ) -> Option<SocketAddr> {
        match web::bind(opening, data, self.feed.now.clone()).await {
            Ok(pages) => {
                let address = pages.local_addr();
                self.tasks.spawn(pages.run(self.feed.stop.clone()));
                Some(address)
            }
            Err(error) => {
                self.broken.push(in_a_row(&error));
                None
            }
        }
    }

    fn broker(&mut self, settings: &broker::Settings) {
        match broker::prepare(settings) {
            Ok(subscriber) => {
                self.sources.push(subscriber.health());
                self.tasks.spawn(subscriber.run(self.feed.clone()));
            }
            Err(error) => self.broken.push(in_a_row(&error)),
        }
    }

    fn serial(&mut self, settings: &serial::Settings) {
        let port = serial::Port::new(settings);
        self.sources.push(port.health());
        match port.start(self.feed.clone()) {
            Ok(thread) => self.ports.push(thread),
            Err(error) => self.broken.push(in_a_row(&error)),
        }
    }
}

impl Running {
    /// What each source says of itself.
    #[must_use]
    pub fn sources(&self) -> &[Arc<SourceHealth>] {
        &self.sources
    }

    /// How the data are kept.
    #[must_use]
    pub fn keeping(&self) -> KeepingWord {
        self.shared.word()
    }

    /// Counts the passes of the writer: while it rises, readings are stored
    /// as they come.
    pub fn writer_passes(&self) -> impl Fn() -> u64 + Send + use<> {
        let shared = Arc::clone(&self.shared);
        move || shared.passes()
    }

    /// Returns when the writer has ended by itself: then nothing is stored
    /// any more, and the daemon has to end too.
    pub async fn writer_ended(&mut self) {
        drop((&mut self.writer_lives).await);
    }

    /// Stops in order: sources, queue, writer, outbox; waits until what was
    /// handed over is on disk, or the deadline passes.
    pub async fn stop(mut self) -> Drained {
        let mut left_behind = Vec::new();
        self.stop.send_replace(true);
        let tasks = async { while self.tasks.join_next().await.is_some() {} };
        if timeout(DEADLINE, tasks).await.is_err() {
            left_behind.push("sources, pages or outbox");
            self.tasks.abort_all();
        }
        for port in self.ports {
            if joined(port).await.is_none() {
                left_behind.push("serial port");
            }
        }
        let error = match joined(self.writer).await {
            Some(Ok(())) => None,
            Some(Err(error)) => Some(in_a_row(&error)),
            None => {
                left_behind.push("writer");
                None
            }
        };
        if joined(self.keeper).await.is_none() {
            left_behind.push("backup");
        }
        let delivered =
            self.sources.iter().map(|source| source.delivered()).sum();
        Drained { delivered, left_behind, error }
    }
}

/// Waits for a thread, up to the deadline. A thread that panicked counts as
/// left behind.
async fn joined<T: Send + 'static>(thread: JoinHandle<T>) -> Option<T> {
    let waiting = tokio::task::spawn_blocking(move || thread.join().ok());
    timeout(DEADLINE, waiting).await.ok()?.ok()?
}
