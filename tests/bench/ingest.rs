//! How fast messages become rows: prepared messages through intake and
//! store, in the batches that the daemon uses for a backlog.
//!
//! Not the sockets and not the decoding: `cargo bench --bench ingest`.

#![allow(clippy::print_stdout, reason = "a benchmark prints its figures")]
#![allow(clippy::unwrap_used, reason = "a benchmark may end with a message")]

use std::time::Instant as Monotonic;

use vernalog::observation::{
    Boot, Count, Message, Name, Quality, Quantity, Sample,
};
use vernalog::store::{Access, Arrival, Intake, Store};
use vernalog::units::Instant;

const MESSAGES: u32 = 200_000;
/// Boards that take turns, a sample a minute each, as in a home.
const BOARDS: u32 = 21;
const READINGS: u32 = 3;
/// What the daemon's writer takes at once.
const BATCH: usize = 2_048;
/// 10 February 2026, 12:00 UTC.
const NOON: i64 = 1_770_724_800_000;

fn main() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path().join("vernalog.db");
    let mut store = Store::open(&data, Access::Create).unwrap();
    let messages: Vec<(Instant, Message)> =
        (0..MESSAGES).map(message).collect();
    let mut intake = Intake::default();
    intake.declare(messages.iter().map(|(_, m)| m.board.clone()).collect());

    let (begin, used) = (Monotonic::now(), cpu_seconds());
    let mut taken = 0;
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
        taken += intake.take(&mut store, &arrivals).unwrap().readings.len();
    }
    let (seconds, used) = (begin.elapsed().as_secs_f64(), cpu_seconds() - used);
    let readings = f64::from(MESSAGES * READINGS);
    println!(
        "{MESSAGES} messages of {READINGS} readings: {:.0} messages/s, \
         {:.2} µs of CPU a reading, {:.1} bytes a reading on disk, \
         {taken} readings dated at once",
        f64::from(MESSAGES) / seconds,
        used * 1e6 / readings,
        store.bytes_on_disk() as f64 / readings,
    );
}

/// Message `n`: boards in turn, 60 s / 21 apart.
fn message(n: u32) -> (Instant, Message) {
    let (board, seq) = (n % BOARDS, n / BOARDS);
    let up_ms = u64::from(seq) * 60_000 + 10_000;
    let received = i64::from(seq) * 60_000 + i64::from(board) * 2_857;
    let value = |low: f64, steps: u32| {
        low + f64::from(n.wrapping_mul(2_654_435_761) % steps) / 100.0
    };
    let sample = Sample {
        probe: Name::new("air").unwrap(),
        count: Some(Count {
            boot: Boot::new("k3v9q0tz1x").unwrap(),
            seq,
            up_ms,
        }),
        claimed: None,
        values: vec![
            (Quantity::Temperature, value(18.0, 200), Quality::GOOD),
            (Quantity::Humidity, value(50.0, 1_000), Quality::GOOD),
            (Quantity::Light, value(300.0, 9_000), Quality::GOOD),
        ],
        errors: Vec::new(),
    };
    let message = Message {
        board: Name::new(format!("board-{board}")).unwrap(),
        samples: vec![sample],
        refused: Vec::new(),
        unknown_members: 0,
    };
    (Instant::from_millis(NOON + received), message)
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
