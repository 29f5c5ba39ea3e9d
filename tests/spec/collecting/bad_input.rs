//! Bad input: each with a clear stored reason, nothing lost, the daemon
//! still running.

use std::io::Write;
use std::os::unix::fs::symlink;

use serialport::{SerialPort, TTYPort};
use vernalog::decode::sealed;
use vernalog::observation::Quality;
use vernalog::source::{SourceState, serial};

use crate::support::house::{House, topic, until, until_true};
use crate::support::peer::{self, Peer, puback};
use crate::support::writer::wait_for;

const GOOD: &str = r#"{"temperature_celsius":3.6}"#;

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_cannot_be_taken_is_kept_with_a_reason_that_helps() {
    let home = House::new();
    let daemon = home.start().await;
    let mut peer = Peer::welcome(daemon.inlet(), "a").await;
    let box_1 = topic("box-1");
    let cases = [
        (box_1.as_str(), r#"{"temperature_celsius":3.6"#, "JSON"),
        (box_1.as_str(), r#"{"humidity_percent":150}"#, "150"),
        (box_1.as_str(), r#"{"temperature_celsius":"warm"}"#, "warm"),
        (box_1.as_str(), r#"{"pressure_hpa":1013}"#, "nothing"),
        ("greenhouse/box-1", GOOD, "greenhouse/box-1"),
        ("vernalog/Box_1/readings", GOOD, "Box_1"),
    ];
    for (n, (topic, payload, word)) in cases.iter().enumerate() {
        peer.send(&peer::publish(7, topic, payload)).await;
        peer.expect(&puback(7)).await;
        let rows = home.store().refused(10).unwrap();
        assert_eq!(rows.len(), n + 1);
        let newest = &rows[0];
        assert!(newest.reason.contains(word), "{:?}", newest.reason);
        assert_eq!(newest.bytes, payload.as_bytes());
        assert_eq!(
            (newest.source.as_str(), newest.at),
            ("inlet", home.clock.now())
        );
    }
    assert_eq!(home.rows(), []);
    peer.send(&peer::publish(7, &box_1, GOOD)).await;
    peer.expect(&puback(7)).await;
    assert_eq!(home.rows().len(), 1);
    assert_eq!(home.counter("refused"), 6);
    daemon.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_good_values_beside_a_bad_one_are_stored() {
    let home = House::new();
    let daemon = home.start().await;
    let mut peer = Peer::welcome(daemon.inlet(), "a").await;
    let payload = r#"{"temperature_celsius":3.6,"humidity_percent":150}"#;
    peer.send(&peer::publish(7, &topic("box-1"), payload)).await;
    peer.expect(&puback(7)).await;
    let array = r#"[{"time":"2026-02-10T11:59:00Z","temperature_celsius":3.5},
        {"time":"2026-02-10T11:59:30Z","temperature_celsius":999},
        {"time":"2026-02-10T11:59:40Z","temperature_celsius":3.7}]"#;
    peer.send(&peer::publish(8, &topic("box-1"), array)).await;
    peer.expect(&puback(8)).await;
    let values: Vec<f64> = home.rows().iter().map(|row| row.value).collect();
    assert_eq!(values, [3.5, 3.7, 3.6]);
    let reasons = home.reasons();
    assert!(reasons[0].starts_with("sample 0: "), "{reasons:?}");
    assert!(reasons[1].starts_with("sample 1: "), "{reasons:?}");
    assert!(reasons[1].contains("999"), "{reasons:?}");
    daemon.stop().await;
}

/// 85.0 °C is what a one-wire thermometer says when it was not asked
/// (maker's data sheet, power-on value; from memory).
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_value_known_to_be_false_is_stored_and_marked() {
    let home = House::new();
    let daemon = home.start().await;
    let mut peer = Peer::welcome(daemon.inlet(), "a").await;
    let payload = r#"{"temperature_celsius":85.0}"#;
    peer.send(&peer::publish(7, &topic("box-1"), payload)).await;
    peer.expect(&puback(7)).await;
    let rows = home.rows();
    assert_eq!((rows.len(), rows[0].value), (1, 85.0));
    assert_eq!(rows[0].quality, Quality::KNOWN_FALSE);
    assert_eq!(home.reasons(), [""; 0]);
    daemon.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_packet_of_70_kib_is_refused_and_others_go_on() {
    let home = House::new();
    let daemon = home.start().await;
    let mut large = Peer::welcome(daemon.inlet(), "large").await;
    let mut other = Peer::welcome(daemon.inlet(), "other").await;
    let payload = " ".repeat(70 * 1024);
    large.try_send(&peer::publish(7, &topic("box-1"), &payload)).await;
    large.expect_end(&[]).await;
    other.send(&peer::publish(8, &topic("box-2"), GOOD)).await;
    other.expect(&puback(8)).await;
    assert_eq!(home.rows().len(), 1);
    let reason = until("the reason is kept", || home.reasons().pop()).await;
    assert!(reason.contains("65536 bytes"), "{reason}");
    daemon.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_line_with_a_wrong_checksum_is_refused_and_the_next_is_stored() {
    let (mut board, line) = TTYPort::pair().unwrap();
    let mut home = House::new();
    let port = home.file("board");
    symlink(line.name().unwrap(), &port).unwrap();
    home.inlet = None;
    home.serial = vec![serial::Settings::at(port)];
    let daemon = home.start().await;
    wait_for(&daemon.source(), SourceState::Open).await;
    let line = |value: f64| {
        sealed(&format!(r#"{{"board":"box-1","temperature_celsius":{value}}}"#))
    };
    // The first good line ends the chatter of a start.
    board.write_all(line(3.5).as_bytes()).unwrap();
    until_true("the first is stored", || home.rows().len() == 1).await;
    let spoiled = line(3.6).replace("3.6", "8.6");
    home.clock.pass(60);
    board.write_all(spoiled.as_bytes()).unwrap();
    board.write_all(line(3.7).as_bytes()).unwrap();
    until_true("the third is stored", || home.rows().len() == 2).await;
    let values: Vec<f64> = home.rows().iter().map(|row| row.value).collect();
    assert_eq!(values, [3.5, 3.7]);
    let reasons = home.reasons();
    let [reason] = reasons.as_slice() else { panic!("{reasons:?}") };
    assert!(reason.contains("checksum"), "{reason}");
    daemon.stop().await;
}
