//! A house with the whole daemon in it: a folder, a data file, a clock that a
//! test steps, and ways in and out.

use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};
use std::time::Duration;

use vernalog::daemon::clock::Clock;
use vernalog::daemon::telling::Telling;
use vernalog::daemon::{Drained, Plan, Running, start};
use vernalog::notify::Channel;
use vernalog::observation::{Name, Quality};
use vernalog::source::{SourceHealth, broker, inlet, serial};
use vernalog::store::{Access, Keep, Records, Store};
use vernalog::trial::admission::OnConflict;
use vernalog::trial::entry::{Draft, PlaceKind, Statement};
use vernalog::trial::when::When;
use vernalog::units::Instant;
use vernalog::web;

use crate::support::writer::{NOON, PATIENCE};

/// A clock that moves only when told.
#[derive(Clone, Default)]
pub(crate) struct StillClock {
    passed_ms: Arc<AtomicI64>,
    set_ms: Arc<AtomicI64>,
}

impl StillClock {
    /// Time passes.
    pub(crate) fn pass(&self, seconds: i64) {
        self.passed_ms.fetch_add(seconds * 1_000, Ordering::SeqCst);
    }

    /// Somebody sets the wall clock.
    pub(crate) fn set(&self, by_seconds: i64) {
        self.set_ms.fetch_add(by_seconds * 1_000, Ordering::SeqCst);
    }

    pub(crate) fn now(&self) -> Instant {
        let passed = self.passed_ms.load(Ordering::SeqCst);
        Instant::from_millis(NOON + passed + self.set_ms.load(Ordering::SeqCst))
    }

    fn clock(&self) -> Clock {
        let (wall, passed) = (self.clone(), Arc::clone(&self.passed_ms));
        Clock {
            wall: Arc::new(move || wall.now()),
            steady: Arc::new(move || {
                let passed = passed.load(Ordering::SeqCst);
                Duration::from_millis(u64::try_from(passed).unwrap())
            }),
            look: Duration::from_millis(50),
        }
    }
}

/// A reading as the store has it.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Row {
    /// `board/probe/quantity`.
    pub(crate) series: String,
    /// Milliseconds after the noon at which the clock began.
    pub(crate) at: i64,
    pub(crate) value: f64,
    pub(crate) quality: Quality,
}

/// A house whose daemon may be started and stopped.
pub(crate) struct House {
    folder: tempfile::TempDir,
    pub(crate) clock: StillClock,
    pub(crate) commit_every: Duration,
    pub(crate) inlet: Option<inlet::Settings>,
    pub(crate) brokers: Vec<broker::Settings>,
    pub(crate) serial: Vec<serial::Settings>,
    pub(crate) channels: Vec<Channel>,
    pub(crate) telling: Telling,
    pub(crate) web: Option<web::Opening>,
}

/// A daemon that runs.
pub(crate) struct Daemon(Running);

pub(crate) fn name(text: &str) -> Name {
    Name::new(text).unwrap()
}

impl House {
    /// A house with an inlet on loopback.
    pub(crate) fn new() -> Self {
        let listen = SocketAddr::from(([127, 0, 0, 1], 0));
        let inlet = inlet::Settings { listen, ..inlet::Settings::default() };
        Self {
            folder: tempfile::tempdir().unwrap(),
            clock: StillClock::default(),
            commit_every: Duration::ZERO,
            inlet: Some(inlet),
            brokers: Vec::new(),
            serial: Vec::new(),
            channels: Vec::new(),
            telling: Telling::default(),
            web: None,
        }
    }

    pub(crate) fn file(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    pub(crate) fn data(&self) -> PathBuf {
        self.file("vernalog.db")
    }

    /// Settings for the program itself, with these further lines.
    pub(crate) fn settings(&self, more: &str) -> PathBuf {
        let path = self.file("vernalog.toml");
        let text = format!(
            "time_zone = \"Europe/Dublin\"\ndata = \"{}\"\n\
             commit_every = \"1ms\"\n{more}",
            self.data().display()
        );
        std::fs::write(&path, text).unwrap();
        path
    }

    /// Starts the daemon; every source must be sound.
    pub(crate) async fn start(&self) -> Daemon {
        let running = start(self.plan(), self.clock.clock()).await.unwrap();
        assert_eq!(running.broken, [""; 0]);
        Daemon(running)
    }

    pub(crate) fn plan(&self) -> Plan {
        Plan {
            data: self.data(),
            zone: chrono_tz::Europe::Dublin,
            commit_every: self.commit_every,
            backup: None,
            inlet: self.inlet.clone(),
            brokers: self.brokers.clone(),
            serial: self.serial.clone(),
            mappings: Vec::new(),
            channels: self.channels.clone(),
            telling: self.telling.clone(),
            web: self.web.clone(),
        }
    }

    /// What the daemon is given, for a start that is to fail.
    pub(crate) fn clock_for_the_daemon(&self) -> Clock {
        self.clock.clock()
    }

    /// Looks at the store as another program does.
    pub(crate) fn store(&self) -> Store {
        Store::open(&self.data(), Access::ReadOnly).unwrap()
    }

    /// Writes into the ledger as the command line does, now.
    pub(crate) fn record(&self, statements: Vec<Statement>) {
        self.record_in(None, statements);
    }

    /// The same into a trial.
    pub(crate) fn record_in(
        &self,
        trial: Option<&Name>,
        statements: Vec<Statement>,
    ) {
        let now = self.clock.now();
        let drafts: Vec<Draft> = statements
            .into_iter()
            .map(|said| Draft::new(trial, When::exactly(now), said))
            .collect();
        let mut store = Store::open(&self.data(), Access::Create).unwrap();
        let recorded = store
            .record(&Records {
                drafts: &drafts,
                on_conflict: OnConflict::Refuse,
                keep: Keep::AllOrNothing,
                by: "rowan",
                origin: "command",
                now,
                dry_run: false,
            })
            .unwrap();
        assert_eq!(recorded.refused, []);
    }

    /// Gives a board's air probe a place of the same name.
    pub(crate) fn place(&self, board: &str) {
        self.record(vec![
            Statement::Place {
                place: name(board),
                place_kind: PlaceKind::Fridge,
                light_source: String::new(),
                title: String::new(),
            },
            board_stay(board, "air", Some(board)),
        ]);
    }

    /// All readings, oldest first.
    pub(crate) fn rows(&self) -> Vec<Row> {
        let (from, to) = (i64::MIN, i64::MAX);
        let mut rows = Vec::new();
        self.store()
            .each_reading(
                Instant::from_millis(from),
                Instant::from_millis(to),
                |series, reading| {
                    rows.push(Row {
                        series: series.to_string(),
                        at: reading.at.millis() - NOON,
                        value: reading.value,
                        quality: reading.quality,
                    });
                    Ok::<(), vernalog::store::StoreError>(())
                },
            )
            .unwrap();
        rows
    }

    /// A number out of the data file.
    pub(crate) fn number(&self, query: &str) -> i64 {
        let flags = rusqlite::OpenFlags::SQLITE_OPEN_READ_ONLY;
        rusqlite::Connection::open_with_flags(self.data(), flags)
            .unwrap()
            .query_row(query, [], |row| row.get(0))
            .unwrap()
    }

    /// Samples that wait for a date.
    pub(crate) fn undated(&self) -> i64 {
        self.number("SELECT count(*) FROM undated")
    }

    /// One of the store's counters.
    pub(crate) fn counter(&self, what: &str) -> i64 {
        self.store().counters().unwrap().get(what).copied().unwrap_or(0)
    }

    /// Reasons of what was refused, oldest first.
    pub(crate) fn reasons(&self) -> Vec<String> {
        let mut refused = self.store().refused(1_000).unwrap();
        refused.reverse();
        refused.into_iter().map(|row| row.reason).collect()
    }

    /// Waits until the daemon has looked at the clock as it stands now.
    pub(crate) async fn until_the_daemon_looked(&self) {
        until("the daemon looks at the clock", || {
            let said = self.store().daemon_said().unwrap();
            said.filter(|(at, _)| *at >= self.clock.now())
        })
        .await;
    }
}

/// A board's probe goes to a place, or is taken away.
pub(crate) fn board_stay(
    board: &str,
    probe: &str,
    place: Option<&str>,
) -> Statement {
    Statement::BoardStay {
        board: name(board),
        probe: name(probe),
        place: place.map(name),
        until: None,
        position: String::new(),
    }
}

/// Waits until `look` finds something.
pub(crate) async fn until<T>(
    what: &str,
    mut look: impl FnMut() -> Option<T>,
) -> T {
    let begin = std::time::Instant::now();
    loop {
        if let Some(found) = look() {
            return found;
        }
        assert!(begin.elapsed() < PATIENCE, "never: {what}");
        tokio::time::sleep(Duration::from_millis(10)).await;
    }
}

/// Waits until a condition holds.
pub(crate) async fn until_true(what: &str, mut holds: impl FnMut() -> bool) {
    until(what, || holds().then_some(())).await;
}

impl Daemon {
    /// Where boards connect to.
    pub(crate) fn inlet(&self) -> SocketAddr {
        self.0.inlet.expect("this house has an inlet")
    }

    /// Where the pages are.
    pub(crate) fn web(&self) -> SocketAddr {
        self.0.web.expect("this house has pages")
    }

    /// The only source, or the first.
    pub(crate) fn source(&self) -> Arc<SourceHealth> {
        Arc::clone(&self.0.sources()[0])
    }

    /// Stops in order; everything must have ended.
    pub(crate) async fn stop(self) -> Drained {
        let drained = self.0.stop().await;
        assert_eq!(drained.left_behind, [""; 0]);
        assert_eq!(drained.error, None);
        drained
    }
}

/// Shows the figures of a test to whoever runs it with `--nocapture`.
#[allow(clippy::print_stderr, reason = "figures of a test are shown")]
pub(crate) fn say(figures: &str) {
    eprintln!("{figures}");
}

/// The topic of a board.
pub(crate) fn topic(board: &str) -> String {
    format!("vernalog/{board}/readings")
}

/// A sample of wire contract 1 with a temperature.
pub(crate) fn sample(boot: &str, seq: u64, up_s: i64, value: f64) -> String {
    format!(
        r#"{{"boot":"{boot}","seq":{seq},"up_ms":{},"temperature_celsius":{value}}}"#,
        up_s * 1_000
    )
}
