//! The long run: readings by the million through socket, writer and disk,
//! in a process whose memory is watched.

use std::time::{Duration, Instant};

use super::{inlet_at, wait_until};
use crate::support::broker::free_port;
use crate::support::flood::Flood;
use crate::support::house::{House, say};
use crate::support::long;
use crate::support::process::Process;
use crate::support::shelf::{assert_sound, stored};

const BOARDS: [&str; 4] =
    ["fridge-drawer", "stair-landing", "cold-frame", "north-sill"];
/// A sample of these boards has a temperature and a humidity as well.
const READINGS: u64 = 3;

#[test]
fn memory_does_not_grow_while_readings_come_in_by_the_million() {
    let readings: u64 = if long() { 10_000_000 } else { 200_000 };
    let messages = readings.div_ceil(READINGS);
    let home = House::new();
    for board in BOARDS {
        home.place(board);
    }
    let port = free_port();
    let daemon = Process::start(&home.settings(&inlet_at(port)), "");
    let begin = Instant::now();
    let floods =
        BOARDS.map(|b| Flood::with_company(b, port, 500, Duration::ZERO));
    let acknowledged = || floods.iter().map(Flood::acknowledged).sum::<u64>();
    let mut resident = Vec::new();
    for twentieth in 1..=20 {
        let mut progress = (0, Instant::now());
        loop {
            let now = acknowledged();
            if now * 20 >= messages * twentieth {
                break;
            }
            if now > progress.0 {
                progress = (now, Instant::now());
            }
            assert!(progress.1.elapsed() < Duration::from_secs(60), "stuck");
            std::thread::sleep(Duration::from_millis(10));
        }
        resident.push(daemon.resident_mib());
    }
    let told = floods.map(Flood::end);
    let seconds = begin.elapsed().as_secs_f64();
    let sent: u64 = told.iter().map(|told| told.acknowledged).sum();
    wait_until("all is stored", || {
        BOARDS.iter().map(|b| stored(&home.data(), b)).sum::<u64>() == sent
    });
    let (half, end) = (resident[9], daemon.resident_mib());
    let cpu = daemon.cpu_seconds();
    daemon.stop();
    let rows = home.number("SELECT count(*) FROM reading")
        + home.number("SELECT count(*) FROM undated");
    #[allow(clippy::cast_precision_loss, reason = "a rate for people")]
    let rate = sent as f64 / seconds;
    say(&format!(
        "{rows} readings in {sent} messages, {rate:.0} messages/s, {cpu:.0} s \
         of CPU; resident {:.1} MiB at a twentieth, {half:.1} at half, \
         {end:.1} at the end",
        resident[0]
    ));
    assert_eq!(rows.unsigned_abs(), sent * READINGS);
    assert!(rows.unsigned_abs() >= readings);
    assert!(end <= half + 2.0, "{half} MiB at half, {end} MiB at the end");
    // A build without optimisation is larger by itself.
    let most = if cfg!(debug_assertions) { 60.0 } else { 30.0 };
    assert!(end <= most, "{end} MiB");
    assert_sound(&home.data());
}
