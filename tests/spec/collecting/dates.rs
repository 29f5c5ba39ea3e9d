//! When was it taken? Instants are true, however long a message waited.

use vernalog::observation::Quality;
use vernalog::source::{SourceState, broker};

use crate::support::broker::{Broker, publish, publish_lines};
use crate::support::house::{House, Row, sample, topic, until_true};
use crate::support::peer::{self, Peer, puback};
use crate::support::writer::wait_for;

const BOARD: &str = "fridge-drawer";
const BOOT: &str = "k3v9q0tz1x";
const HOUR: i64 = 3_600;

/// The fridge drawer's board was switched on ten seconds before noon. A
/// clock that loses nothing, and messages without delay: the dates may be
/// late by the allowance for drift alone, 0.2 s after a quarter of an hour.
fn assert_true_dates(rows: &[Row], ups_s: &[i64]) {
    assert_eq!(rows.len(), ups_s.len(), "{rows:?}");
    for (row, up) in rows.iter().zip(ups_s) {
        let off = row.at - (up - 10) * 1_000;
        assert!((0..200).contains(&off), "{row:?} is off by {off} ms");
    }
}

fn at_the_broker(broker: &Broker) -> House {
    let mut home = House::new();
    home.inlet = None;
    home.brokers = vec![broker::Settings::at("127.0.0.1", broker.port)];
    home
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn messages_that_waited_three_hours_at_a_broker_get_their_true_instants()
{
    let broker = Broker::start();
    let home = at_the_broker(&broker);
    let daemon = home.start().await;
    wait_for(&daemon.source(), SourceState::Subscribed).await;
    publish(broker.port, &topic(BOARD), &sample(BOOT, 1, 10, 3.5), &[]);
    until_true("the first is on disk", || home.undated() == 1).await;
    home.clock.pass(60);
    publish(broker.port, &topic(BOARD), &sample(BOOT, 2, 70, 3.6), &[]);
    until_true("the board was heard live", || home.rows().len() == 2).await;
    daemon.stop().await;

    let waiting: Vec<String> = (3_i64..=10)
        .map(|n| sample(BOOT, n.unsigned_abs(), n * 60 - 50, 3.5))
        .collect();
    publish_lines(broker.port, &topic(BOARD), &waiting);
    home.clock.pass(3 * HOUR);

    let daemon = home.start().await;
    until_true("all are dated", || home.rows().len() == 10).await;
    let rows = home.rows();
    let ups: Vec<i64> = (1..=10).map(|n| n * 60 - 50).collect();
    assert_true_dates(&rows, &ups);
    for (n, row) in rows.iter().enumerate() {
        let waited = if n < 2 { vec![] } else { vec!["backfilled"] };
        assert_eq!(row.quality.words(), waited, "{row:?}");
    }
    daemon.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_backlog_of_a_boot_not_heard_before_waits_for_a_live_packet() {
    let broker = Broker::start();
    let home = at_the_broker(&broker);
    let daemon = home.start().await;
    wait_for(&daemon.source(), SourceState::Subscribed).await;
    daemon.stop().await;
    let backlog: Vec<String> = (1_i64..=8)
        .map(|n| sample(BOOT, n.unsigned_abs(), n * 60 - 50, 3.5))
        .collect();
    publish_lines(broker.port, &topic(BOARD), &backlog);
    home.clock.pass(3 * HOUR);

    let daemon = home.start().await;
    until_true("the backlog is on disk", || home.undated() == 8).await;
    assert_eq!(home.rows(), []);
    // The board went on all the time; it is heard live twice, a minute apart.
    let live = [3 * HOUR + 70, 3 * HOUR + 130];
    for (seq, up) in [(9, live[0]), (10, live[1])] {
        home.clock.pass(60);
        publish(broker.port, &topic(BOARD), &sample(BOOT, seq, up, 3.6), &[]);
        let on_disk = || home.undated() + home.rows().len() as i64;
        until_true("it is on disk", || on_disk() == seq as i64).await;
    }
    until_true("all are dated", || home.undated() == 0).await;
    let mut ups: Vec<i64> = (1..=8).map(|n| n * 60 - 50).collect();
    ups.extend(live);
    assert_true_dates(&home.rows(), &ups);
    daemon.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_board_that_starts_anew_every_minute_loses_nothing() {
    let home = House::new();
    home.place(BOARD);
    let daemon = home.start().await;
    let mut peer = Peer::welcome(daemon.inlet(), "a").await;
    for start in 0_u16..500 {
        // The same number and the same uptime, each time.
        let boot = format!("start{start:05}");
        let payload = sample(&boot, 0, 10, 3.5);
        peer.send(&peer::publish(start + 1, &topic(BOARD), &payload)).await;
        peer.expect(&puback(start + 1)).await;
        home.clock.pass(60);
    }
    until_true("all are dated", || home.undated() == 0).await;
    let rows = home.rows();
    let instants: Vec<i64> = rows.iter().map(|row| row.at).collect();
    let minutes: Vec<i64> = (0..500).map(|minute| minute * 60_000).collect();
    assert_eq!(instants, minutes);
    assert_eq!(home.counter("repeated"), 0);
    assert_eq!(home.counter("refused"), 0);
    daemon.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn readings_go_on_when_the_host_clock_is_set() {
    let home = House::new();
    let daemon = home.start().await;
    let mut peer = Peer::welcome(daemon.inlet(), "a").await;
    for (id, up) in [(1, 10), (2, 70)] {
        let payload = sample(BOOT, u64::from(id), up, 3.5);
        peer.send(&peer::publish(id, &topic(BOARD), &payload)).await;
        peer.expect(&puback(id)).await;
        home.clock.pass(60);
    }
    // The clock had been an hour behind.
    home.clock.set(HOUR);
    let payload = sample(BOOT, 3, 130, 3.5);
    peer.send(&peer::publish(3, &topic(BOARD), &payload)).await;
    peer.expect(&puback(3)).await;
    let rows = home.rows();
    let instants: Vec<i64> = rows.iter().map(|row| row.at / 1_000).collect();
    assert_eq!(instants, [0, 60, HOUR + 120]);
    assert!(rows.iter().all(|row| row.quality == Quality::GOOD), "{rows:?}");
    assert_eq!(home.number("SELECT step_ms FROM clock_step"), HOUR * 1_000);
    daemon.stop().await;
}
