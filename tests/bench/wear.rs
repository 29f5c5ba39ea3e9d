//! What a day at home costs a memory card: bytes written and syncs, for
//! three values of `commit_every`.
//!
//! `cargo bench --bench wear`, on a disk (not on a file system in memory);
//! needs Debian's strace, which counts the syncs. A day of 21 boards, each a
//! sample a minute at its own second, goes through intake and store as the
//! daemon's writer groups it; the day takes a minute or two.

#![allow(clippy::print_stdout, reason = "a benchmark prints its figures")]
#![allow(clippy::unwrap_used, reason = "a benchmark may end with a message")]

use std::path::Path;
use std::process::Command;

use vernalog::health::DaemonHealth;
use vernalog::observation::{Message, Name};
use vernalog::store::{Access, Arrival, Intake, Store};
use vernalog::units::Instant;

const BOARDS: i64 = 21;
const MINUTES: i64 = 24 * 60;
/// 10 February 2026, 00:00 UTC.
const MIDNIGHT: i64 = 1_770_681_600_000;
/// How often the daemon leaves word for `status`, ms.
const WORD: i64 = 30_000;
/// How often what is written ahead is moved in, ms.
const SETTLE: i64 = 3_600_000;

fn main() {
    let asked = std::env::args().nth(2);
    if std::env::args().nth(1).as_deref() == Some("--day") {
        let commit_every: i64 = asked.unwrap().parse().unwrap();
        return day(commit_every);
    }
    println!("commit_every  commits   syncs  MB given to the disk, a day");
    for seconds in [1, 10, 60] {
        let folder = tempfile::tempdir().unwrap();
        let calls = folder.path().join("calls");
        let ran = Command::new("strace")
            .args(["-f", "--quiet=all", "-e", "trace=fsync,fdatasync", "-o"])
            .arg(&calls)
            .arg(std::env::current_exe().unwrap())
            .args(["--day", &(seconds * 1_000).to_string()])
            .output()
            .expect("strace is missing; install it: apt-get install strace");
        assert!(ran.status.success(), "{ran:?}");
        let told = String::from_utf8(ran.stdout).unwrap();
        let mut figures = told.split_whitespace();
        let commits: u64 = figures.next().unwrap().parse().unwrap();
        let bytes: u32 = figures.next().unwrap().parse().unwrap();
        let syncs = std::fs::read_to_string(&calls).unwrap();
        let syncs = syncs.lines().filter(|l| l.contains("sync(")).count();
        println!(
            "{seconds:>10} s {commits:>9} {syncs:>7} {:>10.1}",
            f64::from(bytes) / 1.0e6
        );
    }
}

/// One day; prints commits and bytes.
fn day(commit_every: i64) {
    let folder = tempfile::tempdir_in(env!("CARGO_TARGET_TMPDIR")).unwrap();
    let mut home = Home::new(&folder.path().join("vernalog.db"));
    let before = bytes_to_disk();
    let mut waiting: Vec<(Instant, Message)> = Vec::new();
    let (mut word, mut settle) = (MIDNIGHT, MIDNIGHT + SETTLE);
    for n in 0..MINUTES * BOARDS {
        let (minute, board) = (n / BOARDS, n % BOARDS);
        let at = MIDNIGHT + minute * 60_000 + board * 60_000 / BOARDS;
        let opened = waiting.first().map(|(at, _)| at.millis());
        if opened.is_some_and(|opened| at >= opened + commit_every) {
            home.commit(&mut waiting);
        }
        if at >= word {
            home.say(at);
            word += WORD;
        }
        if at >= settle {
            home.store.settle().unwrap();
            settle += SETTLE;
        }
        waiting.push(message(board, minute, at));
    }
    home.commit(&mut waiting);
    println!("{} {}", home.commits, bytes_to_disk() - before);
}

struct Home {
    store: Store,
    intake: Intake,
    commits: u64,
}

impl Home {
    fn new(data: &Path) -> Self {
        let store = Store::open(data, Access::Create).unwrap();
        let mut intake = Intake::default();
        intake.declare((0..BOARDS).map(name).collect());
        Self { store, intake, commits: 0 }
    }

    fn commit(&mut self, waiting: &mut Vec<(Instant, Message)>) {
        let arrivals: Vec<Arrival<'_>> = waiting
            .iter()
            .map(|(received, message)| Arrival {
                source: "inlet",
                received: *received,
                steady: true,
                topic: None,
                dup: false,
                bytes: b"",
                content: Ok(message),
            })
            .collect();
        self.intake.take(&mut self.store, &arrivals).unwrap();
        self.commits += 1;
        waiting.clear();
    }

    fn say(&mut self, at: i64) {
        let health = DaemonHealth::default();
        self.store.daemon_says(&health, Instant::from_millis(at)).unwrap();
        self.commits += 1;
    }
}

fn name(board: i64) -> Name {
    Name::new(format!("board-{board}")).unwrap()
}

fn message(board: i64, minute: i64, at: i64) -> (Instant, Message) {
    let received = Instant::from_millis(at);
    let light = (minute * 37 + board * 101) % 9_000;
    let payload = format!(
        r#"{{"boot":"k3v9q0tz1x","seq":{minute},"up_ms":{},"temperature_celsius":{}.{},"humidity_percent":{}.5,"light_lux":{light}}}"#,
        minute * 60_000 + 5_000,
        17 + board % 4,
        minute % 10,
        60 + (minute / 7) % 30,
    );
    let message =
        vernalog::decode::payload(&name(board), payload.as_bytes(), received);
    (received, message.unwrap())
}

fn bytes_to_disk() -> u64 {
    let text = std::fs::read_to_string("/proc/self/io").unwrap();
    let line = text.lines().find_map(|l| l.strip_prefix("write_bytes:"));
    line.unwrap().trim().parse().unwrap()
}
