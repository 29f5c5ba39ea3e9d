//! Readings come in by every door, and are on disk when they are
//! acknowledged.

use std::io::{Read, Write};
use std::os::unix::fs::symlink;
use std::time::Duration;

use rumqttc::{AsyncClient, Event, MqttOptions, Packet, QoS};
use serialport::{SerialPort, TTYPort};
use vernalog::decode::sealed;
use vernalog::source::{SourceState, broker, serial};

use crate::support::broker::{Broker, publish};
use crate::support::house::{House, sample, topic, until_true};
use crate::support::peer::{self, Peer, puback};
use crate::support::writer::wait_for;

const BOARD: &str = "fridge-drawer";
const BOOT: &str = "k3v9q0tz1x";

/// The two rows of the tests below: 3.5 °C at noon, 3.6 °C a minute later.
fn assert_two_rows(home: &House) {
    let rows = home.rows();
    let told: Vec<_> =
        rows.iter().map(|r| (r.series.as_str(), r.at, r.value)).collect();
    let series = "fridge-drawer/air/temperature";
    assert_eq!(told, [(series, 0, 3.5), (series, 60_000, 3.6)]);
    assert!(rows.iter().all(|row| row.quality.words().is_empty()));
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_reading_sent_by_mosquitto_pub_is_on_disk_when_it_ends() {
    let home = House::new();
    let daemon = home.start().await;
    let port = daemon.inlet().port();
    publish(port, &topic(BOARD), &sample(BOOT, 1, 10, 3.5), &[]);
    assert_eq!(home.undated(), 1, "on disk, and not dated yet");
    home.clock.pass(60);
    publish(port, &topic(BOARD), &sample(BOOT, 2, 70, 3.6), &[]);
    assert_two_rows(&home);
    assert_eq!(daemon.stop().await.delivered, 2);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_reading_sent_by_a_board_with_rumqttc_is_on_disk_when_acknowledged() {
    let home = House::new();
    let daemon = home.start().await;
    let port = daemon.inlet().port();
    let options = MqttOptions::new(BOARD, "127.0.0.1", port);
    let (client, mut event_loop) = AsyncClient::new(options, 10);
    for (seq, up, value) in [(1, 10, 3.5), (2, 70, 3.6)] {
        let payload = sample(BOOT, seq, up, value);
        client
            .publish(topic(BOARD), QoS::AtLeastOnce, false, payload)
            .await
            .unwrap();
        while !matches!(
            event_loop.poll().await.unwrap(),
            Event::Incoming(Packet::PubAck(_))
        ) {}
        if seq == 1 {
            home.clock.pass(60);
        }
    }
    assert_two_rows(&home);
    daemon.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_reading_that_a_broker_handed_over_is_stored() {
    let broker = Broker::start();
    let mut home = House::new();
    home.inlet = None;
    home.brokers = vec![broker::Settings::at("127.0.0.1", broker.port)];
    let daemon = home.start().await;
    wait_for(&daemon.source(), SourceState::Subscribed).await;
    publish(broker.port, &topic(BOARD), &sample(BOOT, 1, 10, 3.5), &[]);
    until_true("the first is on disk", || home.undated() == 1).await;
    home.clock.pass(60);
    publish(broker.port, &topic(BOARD), &sample(BOOT, 2, 70, 3.6), &[]);
    until_true("both are dated", || home.rows().len() == 2).await;
    assert_two_rows(&home);
    daemon.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_line_from_a_serial_port_is_answered_when_it_is_on_disk() {
    let (mut board, line) = TTYPort::pair().unwrap();
    board.set_timeout(Duration::from_secs(30)).unwrap();
    let mut home = House::new();
    let port = home.file("board");
    symlink(line.name().unwrap(), &port).unwrap();
    home.inlet = None;
    home.serial = vec![serial::Settings::at(port)];
    let daemon = home.start().await;
    wait_for(&daemon.source(), SourceState::Open).await;
    for (seq, up, value) in [(1, 10, 3.5), (2, 70, 3.6)] {
        let object = sample(BOOT, seq, up, value).replacen(
            '{',
            r#"{"board":"fridge-drawer","#,
            1,
        );
        board.write_all(sealed(&object).as_bytes()).unwrap();
        let answer = sealed(&format!("+{BOOT}:{seq}"));
        let mut heard = vec![0; answer.len()];
        board.read_exact(&mut heard).unwrap();
        assert_eq!(String::from_utf8(heard).unwrap(), answer);
        if seq == 1 {
            assert_eq!(home.undated(), 1);
            home.clock.pass(60);
        }
    }
    assert_two_rows(&home);
    daemon.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_daemon_without_any_board_starts_runs_and_stops() {
    let mut home = House::new();
    home.inlet = None;
    let daemon = home.start().await;
    home.until_the_daemon_looked().await;
    let (_, health) = home.store().daemon_said().unwrap().unwrap();
    assert!(health.running && !health.failing && health.sources.is_empty());
    home.clock.pass(60);
    home.until_the_daemon_looked().await;
    assert_eq!(daemon.stop().await.delivered, 0);
    let (_, health) = home.store().daemon_said().unwrap().unwrap();
    assert!(!health.running, "it said goodbye");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_stop_stores_and_acknowledges_what_was_handed_over() {
    let mut home = House::new();
    // Without the stop, the commit would come a minute later.
    home.commit_every = Duration::from_secs(60);
    let daemon = home.start().await;
    let mut peer = Peer::welcome(daemon.inlet(), "a").await;
    // So long after a commit (or the start) nobody waits for each answer.
    tokio::time::sleep(Duration::from_millis(150)).await;
    for id in 1..=10 {
        let payload = sample(BOOT, u64::from(id), 10 + i64::from(id), 3.5);
        peer.send(&peer::publish(id, &topic(BOARD), &payload)).await;
    }
    let source = daemon.source();
    until_true("ten are handed over", || source.delivered() == 10).await;
    assert_eq!(home.undated(), 0, "none is on disk");
    assert_eq!(daemon.stop().await.delivered, 10);
    assert_eq!(home.undated() + home.rows().len() as i64, 10);
    for id in 1..=10 {
        peer.expect(&puback(id)).await;
    }
    peer.expect_end(&[]).await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_source_that_cannot_start_stops_no_other() {
    let mut home = House::new();
    home.brokers = vec![broker::Settings {
        password_file: Some(home.file("missing.secret")),
        user: Some("vernalog".to_owned()),
        ..broker::Settings::at("127.0.0.1", 1)
    }];
    let running =
        vernalog::daemon::start(home.plan(), home.clock_for_the_daemon())
            .await
            .unwrap();
    let [broken] = running.broken.as_slice() else {
        panic!("{:?}", running.broken)
    };
    assert!(broken.contains("missing.secret"), "{broken}");
    let port = running.inlet.unwrap().port();
    publish(port, &topic(BOARD), r#"{"temperature_celsius":3.6}"#, &[]);
    assert_eq!(home.rows().len(), 1);
    running.stop().await;
}
