//! How fast messages become rows: prepared messages through intake and
//! store, then a backlog drained from Debian's mosquitto by the whole daemon.
//!
//! `cargo bench --bench ingest`. The clock of the daemon is a still one, so
//! that three months of samples may come in seconds.

#![allow(clippy::print_stdout, reason = "a benchmark prints its figures")]
#![allow(clippy::unwrap_used, reason = "a benchmark may end with a message")]

#[allow(dead_code, reason = "the specification uses all of it")]
#[path = "../spec/support/broker.rs"]
mod broker;

use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};
use std::time::{Duration, Instant as Monotonic};

use vernalog::daemon::clock::{Clock, LOOK};
use vernalog::daemon::telling::Telling;
use vernalog::daemon::{Plan, Running, start};
use vernalog::observation::{Message, Name};
use vernalog::source::{SourceState, broker as subscriber};
use vernalog::store::{Access, Arrival, Intake, Keep, Records, Store};
use vernalog::trial::admission::OnConflict;
use vernalog::trial::entry::{Draft, PlaceKind, Statement};
use vernalog::trial::when::When;
use vernalog::units::Instant;

use crate::broker::{Broker, publish_lines};

const MESSAGES: u32 = 200_000;
/// Boards that take turns, a sample a minute each, as in a home.
const BOARDS: u32 = 21;
const READINGS: u32 = 3;
/// What the daemon's writer takes at once.
const BATCH: usize = 2_048;
/// 10 February 2026, 12:00 UTC.
const NOON: i64 = 1_770_724_800_000;

fn main() {
    through_intake_and_store();
    tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .enable_all()
        .build()
        .unwrap()
        .block_on(drained_from_a_broker());
}

fn through_intake_and_store() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path().join("vernalog.db");
    let mut store = Store::open(&data, Access::Create).unwrap();
    let messages: Vec<(Instant, Message)> = (0..MESSAGES)
        .map(|n| {
            let board = Name::new(board(n)).unwrap();
            let received = Instant::from_millis(received(n));
            let payload = payload(n);
            let message =
                vernalog::decode::payload(&board, payload.as_bytes(), received);
            (received, message.unwrap())
        })
        .collect();
    let mut intake = Intake::default();
    intake.declare(messages.iter().map(|(_, m)| m.board.clone()).collect());

    let (begin, used) = (Monotonic::now(), cpu_seconds());
    for batch in messages.chunks(BATCH) {
        let arrivals: Vec<Arrival<'_>> = batch
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
        intake.take(&mut store, &arrivals).unwrap();
    }
    tell("intake and store", begin, used, &store);
}

async fn drained_from_a_broker() {
    let broker = Broker::with(
        "allow_anonymous true\nmax_inflight_messages 1000\n\
         max_queued_messages 1000000\n",
    );
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path().join("vernalog.db");
    place_the_boards(&data);
    let now = Arc::new(AtomicI64::new(NOON));
    // Every board is heard live, so that the backlog can be dated.
    let running = daemon(&data, broker.port, &now).await;
    let mut first = 0;
    for minute in 0_u32..3 {
        now.store(NOON + i64::from(minute) * 60_000, Ordering::SeqCst);
        let last = (minute + 1) * BOARDS;
        publish(&broker, first, last);
        first = last;
        until(|| stored(&data) >= u64::from(last)).await;
    }
    running.stop().await;
    publish(&broker, first, MESSAGES);
    now.store(received(MESSAGES), Ordering::SeqCst);

    let (begin, used) = (Monotonic::now(), cpu_seconds());
    let running = daemon(&data, broker.port, &now).await;
    // Asked of the source, since looking into the store costs time of its
    // own; the stop waits until all is on disk.
    let backlog = u64::from(MESSAGES - first);
    let source = Arc::clone(&running.sources()[0]);
    until(|| source.delivered() >= backlog).await;
    running.stop().await;
    let store = Store::open(&data, Access::ReadOnly).unwrap();
    tell("drained from mosquitto by the daemon", begin, used, &store);
    assert_eq!(stored(&data), u64::from(MESSAGES));
}

async fn daemon(data: &Path, port: u16, now: &Arc<AtomicI64>) -> Running {
    let (wall, steady) = (Arc::clone(now), Arc::clone(now));
    let clock = Clock {
        wall: Arc::new(move || {
            Instant::from_millis(wall.load(Ordering::SeqCst))
        }),
        steady: Arc::new(move || {
            let passed = steady.load(Ordering::SeqCst) - NOON;
            Duration::from_millis(u64::try_from(passed).unwrap())
        }),
        look: LOOK,
    };
    let plan = Plan {
        data: data.to_owned(),
        zone: chrono_tz::Europe::Dublin,
        commit_every: Duration::from_secs(1),
        backup: None,
        inlet: None,
        brokers: vec![subscriber::Settings::at("127.0.0.1", port)],
        serial: Vec::new(),
        mappings: Vec::new(),
        channels: Vec::new(),
        telling: Telling::default(),
        web: None,
    };
    let running = start(plan, clock).await.unwrap();
    let mut health = running.sources()[0].watch();
    let subscribed = health.wait_for(|c| c.state == SourceState::Subscribed);
    drop(subscribed.await.unwrap());
    running
}

fn place_the_boards(data: &Path) {
    let when = When::exactly(Instant::from_millis(NOON));
    let drafts: Vec<Draft> = (0..BOARDS)
        .flat_map(|n| {
            let name = Name::new(board(n)).unwrap();
            let place = Statement::Place {
                place: name.clone(),
                place_kind: PlaceKind::Shelf,
                light_source: String::new(),
                title: String::new(),
            };
            let stay = Statement::BoardStay {
                board: name.clone(),
                probe: Name::new("air").unwrap(),
                place: Some(name),
                until: None,
                position: String::new(),
            };
            [place, stay].map(|said| Draft::new(None, when, said))
        })
        .collect();
    let mut store = Store::open(data, Access::Create).unwrap();
    let recorded = store.record(&Records {
        drafts: &drafts,
        on_conflict: OnConflict::Refuse,
        keep: Keep::AllOrNothing,
        by: "bench",
        origin: "command",
        now: Instant::from_millis(NOON),
        dry_run: false,
    });
    assert_eq!(recorded.unwrap().refused, []);
}

/// Messages of each board over a connection of its own.
fn publish(broker: &Broker, from: u32, to: u32) {
    for n in 0..BOARDS {
        let lines: Vec<String> = (from..to)
            .filter(|message| message % BOARDS == n)
            .map(payload)
            .collect();
        let topic = format!("vernalog/{}/readings", board(n));
        publish_lines(broker.port, &topic, &lines);
    }
}

/// Messages on disk, dated or not.
fn stored(data: &Path) -> u64 {
    let store = Store::open(data, Access::ReadOnly).unwrap();
    let dated: u64 = store.series().unwrap().iter().map(|s| s.readings).sum();
    let undated = rusqlite::Connection::open(data).unwrap().query_row(
        "SELECT count(*) FROM undated",
        [],
        |row| row.get(0),
    );
    let undated: i64 = undated.unwrap();
    (dated + u64::try_from(undated).unwrap()) / u64::from(READINGS)
}

async fn until(mut holds: impl FnMut() -> bool) {
    let begin = Monotonic::now();
    while !holds() {
        assert!(begin.elapsed() < Duration::from_secs(120), "never");
        tokio::time::sleep(Duration::from_millis(20)).await;
    }
}

fn tell(what: &str, begin: Monotonic, used: f64, store: &Store) {
    let (seconds, used) = (begin.elapsed().as_secs_f64(), cpu_seconds() - used);
    let readings = f64::from(MESSAGES * READINGS);
    println!(
        "{what}: {MESSAGES} messages of {READINGS} readings, {:.0} \
         messages/s, {:.2} µs of CPU a reading, {:.1} bytes a reading on disk",
        f64::from(MESSAGES) / seconds,
        used * 1e6 / readings,
        store.bytes_on_disk() as f64 / readings,
    );
}

fn board(n: u32) -> String {
    format!("board-{}", n % BOARDS)
}

/// Message `n` comes 60 s / 21 after the one before, in ms since 1970.
fn received(n: u32) -> i64 {
    NOON + i64::from(n / BOARDS) * 60_000 + i64::from(n % BOARDS) * 2_857
}

/// Message `n`: boards in turn, values that move.
fn payload(n: u32) -> String {
    let seq = n / BOARDS;
    let part = |steps: u32| n.wrapping_mul(2_654_435_761) % steps;
    format!(
        r#"{{"boot":"k3v9q0tz1x","seq":{seq},"up_ms":{},"temperature_celsius":18.{:02},"humidity_percent":5{}.5,"light_lux":{}}}"#,
        u64::from(seq) * 60_000 + 10_000,
        part(100),
        part(9),
        part(9_000)
    )
}

/// User and system time of this process (proc(5): fields 14 and 15 of
/// /proc/self/stat, in hundredths of a second).
fn cpu_seconds() -> f64 {
    let stat = std::fs::read_to_string("/proc/self/stat").unwrap();
    let (_, after_name) = stat.rsplit_once(") ").unwrap();
    let fields: Vec<&str> = after_name.split(' ').collect();
    let ticks: f64 =
        fields[11].parse::<f64>().unwrap() + fields[12].parse::<f64>().unwrap();
    ticks / 100.0
}
