//! Faults: the daemon killed, started twice, or unable to write. What was
//! acknowledged is in the store exactly once.

use std::collections::BTreeMap;
use std::fs;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use vernalog::daemon::{DaemonError, start};

use crate::support::broker::free_port;
use crate::support::flood::{Flood, Told};
use crate::support::house::{House, say};
use crate::support::writer::PATIENCE;

/// A daemon in a process of its own; killed when dropped.
struct Process(Child);

impl Process {
    /// Runs the program behind `sh -c before`, which may set limits first.
    fn start(home: &House, port: u16, before: &str) -> Self {
        let settings = home.file("vernalog.toml");
        let text = format!(
            "time_zone = \"Europe/Dublin\"\ndata = \"{}\"\n\
             commit_every = \"1ms\"\n[inlet]\n\
             listen = \"127.0.0.1:{port}\"\n",
            home.data().display()
        );
        fs::write(&settings, text).unwrap();
        let child = Command::new("/bin/sh")
            .arg("-c")
            .arg(format!("{before} exec \"$0\" \"$@\""))
            .arg(env!("CARGO_BIN_EXE_vernalog"))
            .args(["run", "--strict", "--settings"])
            .arg(settings)
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        Self(child)
    }

    /// SIGKILL: no last word.
    fn kill(&mut self) {
        self.0.kill().unwrap();
        self.0.wait().unwrap();
    }
}

impl Drop for Process {
    fn drop(&mut self) {
        drop(self.0.kill());
        drop(self.0.wait());
    }
}

/// How often each number of a board is on disk.
fn on_disk(home: &House, board: &str) -> BTreeMap<u64, u64> {
    let file = rusqlite::Connection::open(home.data()).unwrap();
    let mut query = file
        .prepare(
            "SELECT value FROM reading_in_words WHERE board = ?1 \
             UNION ALL SELECT value FROM undated WHERE board = ?1",
        )
        .unwrap();
    let mut rows = query.query([board]).unwrap();
    let mut times = BTreeMap::new();
    while let Some(row) = rows.next().unwrap() {
        let value: f64 = row.get(0).unwrap();
        assert!(value.fract() == 0.0 && (1.0..1e6).contains(&value));
        #[allow(clippy::cast_possible_truncation, reason = "judged above")]
        let number = value as u64;
        *times.entry(number).or_insert(0) += 1;
    }
    times
}

fn assert_exactly_once(home: &House, board: &str, told: Told) {
    let times = on_disk(home, board);
    let lost = (1..=told.acknowledged).filter(|n| !times.contains_key(n));
    let lost = lost.count();
    let twice = times.values().filter(|n| **n > 1).count();
    say(&format!(
        "{board}: sent {}, acknowledged {}, stored {}, stored twice {twice}, \
         lost {lost}, connections {}; repeats of all boards {}",
        told.sent,
        told.acknowledged,
        times.len(),
        told.connections,
        home.counter("repeated"),
    ));
    assert!(told.acknowledged > 0, "{board}");
    assert_eq!((lost, twice), (0, 0), "{board}");
    assert_eq!(u64::try_from(times.len()).unwrap(), told.acknowledged);
}

#[test]
fn what_was_acknowledged_survives_twenty_kills_exactly_once() {
    const KILLS: u64 = 20;
    let home = House::new();
    home.place("fridge-drawer");
    home.place("stair-landing");
    let port = free_port();
    let mut daemon = Process::start(&home, port, "");
    let floods = [
        Flood::begin("fridge-drawer", port, 1, Duration::ZERO),
        Flood::begin("stair-landing", port, 100, Duration::from_millis(5)),
    ];
    let mut chance = ChaCha8Rng::seed_from_u64(20_260_210);
    for kill in 0..KILLS {
        // Each life gets to work, or the kills would all hit the start.
        let before: Vec<u64> = floods.iter().map(Flood::acknowledged).collect();
        wait_until(|| {
            floods.iter().zip(&before).all(|(f, n)| f.acknowledged() > *n)
        });
        let millis = chance.random_range(0..600);
        std::thread::sleep(Duration::from_millis(millis));
        daemon.kill();
        assert!(kill < KILLS);
        daemon = Process::start(&home, port, "");
    }
    let boards = [floods[0].board(), floods[1].board()];
    let told = floods.map(Flood::end);
    daemon.kill();
    for (board, told) in boards.into_iter().zip(told) {
        assert!(told.connections > KILLS, "{board} was not cut off each time");
        assert_exactly_once(&home, board, told);
    }
    assert_eq!(home.counter("refused"), 0, "{:?}", home.reasons());
    let sound = rusqlite::Connection::open(home.data()).unwrap();
    let check: String = sound
        .query_row("PRAGMA integrity_check", [], |row| row.get(0))
        .unwrap();
    assert_eq!(check, "ok");
}

/// The system's limit on the size of files stands in for a full disk: a
/// write fails in its middle (EFBIG where a full disk says ENOSPC).
#[test]
fn a_disk_that_takes_no_more_loses_nothing() {
    let home = House::new();
    home.place("fridge-drawer");
    let port = free_port();
    // 1,200 blocks of 512 bytes; the signal that comes with it is ignored.
    let limit = "trap '' XFSZ; ulimit -S -f 1200;";
    let daemon = Process::start(&home, port, limit);
    let flood =
        Flood::begin("fridge-drawer", port, 100, Duration::from_millis(1));
    // No acknowledgement for a while, in which the board is cut off again
    // and again: the writer tries once a second.
    let mut stopped_at = (0, Instant::now());
    wait_until(|| {
        let now = flood.acknowledged();
        if now != stopped_at.0 {
            stopped_at = (now, Instant::now());
        }
        now > 0 && stopped_at.1.elapsed() > Duration::from_secs(3)
    });
    // What was acknowledged is there; of the rest no more than the window,
    // whose acknowledgements were cut off with the connection.
    let when_full = flood.acknowledged();
    let stored = on_disk(&home, "fridge-drawer");
    assert!((1..=when_full).all(|number| stored.contains_key(&number)));
    assert!(stored.keys().all(|number| *number <= when_full + 100));

    // There is room again.
    let pid = daemon.0.id().to_string();
    let lifted = Command::new("prlimit")
        .args(["--pid", &pid, "--fsize=unlimited"])
        .status()
        .expect("prlimit is missing; install it: apt-get install util-linux");
    assert!(lifted.success());
    wait_until(|| flood.acknowledged() > when_full + 1_000);
    let told = flood.end();
    assert!(told.connections > 1, "the connection was dropped");
    drop(daemon);
    assert_exactly_once(&home, "fridge-drawer", told);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_second_daemon_on_one_data_file_is_refused() {
    let home = House::new();
    let first = home.start().await;
    let clock = home.clock_for_the_daemon();
    let error = start(home.plan(), clock).await.unwrap_err();
    assert!(matches!(error, DaemonError::Lock(_)));
    let text = error.to_string();
    assert_eq!(text, "a daemon already runs on this data file");
    first.stop().await;
    home.start().await.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_ledger_that_cannot_be_understood_is_told_at_the_start() {
    let home = House::new();
    home.place("fridge-drawer");
    let spoiled = rusqlite::Connection::open(home.data()).unwrap();
    spoiled
        .execute_batch(
            "DROP TRIGGER entry_is_never_changed; \
             UPDATE entry SET body = '{\"kind\":\"spell\"}' WHERE id = 1;",
        )
        .unwrap();
    let clock = home.clock_for_the_daemon();
    let error = start(home.plan(), clock).await.unwrap_err();
    assert!(error.to_string().contains("ledger entry 1"), "{error}");
}

fn wait_until(mut holds: impl FnMut() -> bool) {
    let begin = Instant::now();
    while !holds() {
        assert!(begin.elapsed() < PATIENCE, "waited too long");
        std::thread::sleep(Duration::from_millis(5));
    }
}
