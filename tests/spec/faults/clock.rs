//! Clocks that lie: the host's before it is set, when it is set, and on the
//! days when the house changes its time; a board's that turns over.

use chrono::{DateTime, TimeZone};
use chrono_tz::Europe::Dublin;
use vernalog::exchange::times::ZoneRule;
use vernalog::observation::Quality;

use crate::support::house::{Daemon, House, Row, sample, topic, until_true};
use crate::support::peer::{self, Peer, puback};
use crate::support::writer::NOON;

const BOARD: &str = "fridge-drawer";
const BOOT: &str = "k3v9q0tz1x";
const HOUR: i64 = 3_600;
/// 1 January 1970, 00:00:30, seconds after the noon of these tests.
const IN_1970: i64 = -NOON / 1_000 + 30;

struct Board {
    peer: Peer,
    id: u16,
}

impl Board {
    async fn at(daemon: &Daemon) -> Self {
        Self { peer: Peer::welcome(daemon.inlet(), "a").await, id: 0 }
    }

    async fn sends(&mut self, payload: &str) {
        self.id += 1;
        self.peer.send(&peer::publish(self.id, &topic(BOARD), payload)).await;
        self.peer.expect(&puback(self.id)).await;
    }
}

fn seconds(rows: &[Row]) -> Vec<i64> {
    rows.iter().map(|row| row.at.div_euclid(1_000)).collect()
}

fn all_good(rows: &[Row]) -> bool {
    rows.iter().all(|row| row.quality == Quality::GOOD)
}

/// A small computer without a clock of its own: nothing is dated 1970.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn readings_of_a_start_in_1970_are_dated_when_the_clock_is_set() {
    let home = House::new();
    home.place(BOARD);
    home.clock.set(IN_1970);
    let daemon = home.start().await;
    let mut board = Board::at(&daemon).await;
    for n in 1..=5_u64 {
        let up = i64::try_from(n).unwrap() * 60;
        board.sends(&sample(BOOT, n, up, 3.5)).await;
        home.clock.pass(60);
    }
    board.sends(r#"{"humidity_percent":91.5}"#).await;
    assert_eq!(home.undated(), 5, "on disk, without a date");
    let early = home.rows();
    assert_eq!(early.len(), 1, "a board that counts nothing is dated at once");
    assert!(early[0].quality.words().contains(&"clock-doubtful"));

    home.clock.set(-IN_1970);
    until_true("all are dated", || home.undated() == 0).await;
    home.clock.pass(60);
    board.sends(&sample(BOOT, 6, 420, 3.5)).await;
    let mut rows = home.rows();
    rows.retain(|row| row.series.ends_with("temperature"));
    assert_eq!(seconds(&rows), [0, 60, 120, 180, 240, 360]);
    assert!(all_good(&rows), "{rows:?}");
    daemon.stop().await;
}

/// A power cut: the host comes back in 1970, its board never stopped.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_board_known_before_a_start_in_1970_keeps_its_dates() {
    let home = House::new();
    home.place(BOARD);
    let daemon = home.start().await;
    let mut board = Board::at(&daemon).await;
    for n in 1..=2_u64 {
        let up = i64::try_from(n).unwrap() * 60;
        board.sends(&sample(BOOT, n, up, 3.5)).await;
        home.clock.pass(60);
    }
    assert_eq!(seconds(&home.rows()), [0, 60]);
    daemon.stop().await;
    // A power cut of two minutes; the board has cells.
    home.clock.pass(120);
    home.clock.set(IN_1970 - 240);
    let daemon = home.start().await;
    let mut board = Board::at(&daemon).await;
    board.sends(&sample(BOOT, 3, 300, 3.5)).await;
    home.clock.pass(60);
    board.sends(&sample(BOOT, 4, 360, 3.5)).await;
    assert_eq!(seconds(&home.rows()), [0, 60], "nothing is dated 1970");
    home.clock.set(240 - IN_1970);
    until_true("all are dated", || home.undated() == 0).await;
    assert_eq!(seconds(&home.rows()), [0, 60, 240, 300]);
    daemon.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_clock_set_back_an_hour_moves_no_reading_and_loses_none() {
    let home = House::new();
    home.place(BOARD);
    let daemon = home.start().await;
    let mut board = Board::at(&daemon).await;
    for n in 1..=3_u64 {
        let up = i64::try_from(n).unwrap() * 60;
        board.sends(&sample(BOOT, n, up, 3.5)).await;
        home.clock.pass(60);
    }
    // The clock had been an hour ahead.
    home.clock.set(-HOUR);
    for n in 4..=6_u64 {
        let up = i64::try_from(n).unwrap() * 60;
        board.sends(&sample(BOOT, n, up, 3.5)).await;
        home.clock.pass(60);
    }
    let rows = home.rows();
    let late = 180 - HOUR;
    assert_eq!(seconds(&rows), [late, late + 60, late + 120, 0, 60, 120]);
    assert!(all_good(&rows), "{rows:?}");
    assert_eq!(home.number("SELECT step_ms FROM clock_step"), -HOUR * 1_000);
    daemon.stop().await;
}

/// A backlog that waits for its date while the clock is set keeps the time
/// that passed since.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn samples_without_a_date_move_along_when_the_clock_is_set() {
    for step in [HOUR, -HOUR] {
        let home = House::new();
        home.place(BOARD);
        let daemon = home.start().await;
        let mut board = Board::at(&daemon).await;
        board.sends(&sample(BOOT, 1, 60, 3.5)).await;
        assert_eq!(home.undated(), 1);
        home.clock.set(step);
        home.clock.pass(60);
        board.sends(&sample(BOOT, 2, 120, 3.5)).await;
        until_true("both are dated", || home.undated() == 0).await;
        let rows = home.rows();
        assert_eq!(seconds(&rows), [step, step + 60], "step {step}");
        assert!(all_good(&rows), "{rows:?}");
        daemon.stop().await;
    }
}

/// In the house's zone the days of the change have 23 and 25 hours; the
/// store and the daemon see evenly running time. (The days of 2026 in
/// Ireland: 29 March and 25 October, EU directive 2000/84/EC, from memory.)
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_days_of_23_and_25_hours_have_every_reading_once() {
    let evening = chrono::NaiveTime::MIN;
    let zone = ZoneRule { zone: Dublin, evening };
    for (date, hours) in [((2026, 3, 29), 23), ((2026, 10, 25), 25)] {
        let (year, month, day) = date;
        let midnight = Dublin.with_ymd_and_hms(year, month, day, 0, 0, 0);
        let midnight: DateTime<_> = midnight.unwrap();
        let begin = midnight.timestamp() - NOON / 1_000;
        let home = House::new();
        home.place(BOARD);
        home.clock.pass(begin - 1_800);
        let daemon = home.start().await;
        let mut board = Board::at(&daemon).await;
        // Each half hour from half an hour before the day.
        for n in 0..=hours * 2 + 2_u64 {
            let up = 60 + i64::try_from(n).unwrap() * 1_800;
            board.sends(&sample(BOOT, n, up, 3.5)).await;
            home.clock.pass(1_800);
        }
        until_true("all are dated", || home.undated() == 0).await;
        let mut rows = home.rows();
        assert!(all_good(&rows), "{rows:?}");
        let even = rows
            .windows(2)
            .all(|w| (w[1].at - w[0].at - 1_800_000).abs() < 2_000);
        assert!(even, "{rows:?}");
        let the_day = midnight.date_naive();
        rows.retain(|row| {
            let at = vernalog::units::Instant::from_millis(NOON + row.at);
            zone.date(at) == the_day
        });
        assert_eq!(rows.len() as u64, hours * 2, "{date:?}");
        daemon.stop().await;
    }
}

/// An uptime of 32 bits turns over after 49.7 days, in the midst of one
/// boot.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_uptime_of_32_bits_that_turns_over_goes_on() {
    const TURN: i64 = 1 << 32;
    let home = House::new();
    home.place(BOARD);
    let daemon = home.start().await;
    let mut board = Board::at(&daemon).await;
    for n in 0..6_i64 {
        let up_ms = (TURN - 150_000 + n * 60_000) % TURN;
        let payload = format!(
            r#"{{"boot":"{BOOT}","seq":{n},"up_ms":{up_ms},"temperature_celsius":3.5}}"#
        );
        board.sends(&payload).await;
        home.clock.pass(60);
    }
    let rows = home.rows();
    assert_eq!(seconds(&rows), [0, 60, 120, 180, 240, 300]);
    assert!(all_good(&rows), "{rows:?}");
    daemon.stop().await;
}
