//! Every sample is stored once, however often it is sent.

use crate::support::house::{Daemon, House, sample, topic};
use crate::support::peer::{self, Peer, puback};

const BOARD: &str = "fridge-drawer";
const BOOT: &str = "k3v9q0tz1x";

/// A home whose board was heard live with its samples 1 and 2, 3.5 °C at
/// noon and a minute later.
async fn heard_live() -> (House, Daemon, Peer) {
    let home = House::new();
    let daemon = home.start().await;
    let mut peer = Peer::welcome(daemon.inlet(), "a").await;
    for (seq, up) in [(1, 10), (2, 70)] {
        send(&mut peer, &sample(BOOT, seq, up, 3.5)).await;
        home.clock.pass(60);
    }
    assert_eq!(home.rows().len(), 2);
    (home, daemon, peer)
}

/// Sends with QoS 1 and waits for the acknowledgement.
async fn send(peer: &mut Peer, payload: &str) {
    peer.send(&peer::publish(7, &topic(BOARD), payload)).await;
    peer.expect(&puback(7)).await;
}

/// The same with the flag that says "sent before".
async fn send_again(peer: &mut Peer, payload: &str) {
    let mut packet = peer::publish(7, &topic(BOARD), payload);
    packet[0] |= 0x08;
    peer.send(&packet).await;
    peer.expect(&puback(7)).await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_repeat_is_acknowledged_and_stored_once() {
    let (home, daemon, mut peer) = heard_live().await;
    send(&mut peer, &sample(BOOT, 2, 70, 3.5)).await;
    send_again(&mut peer, &sample(BOOT, 1, 10, 3.5)).await;
    daemon.stop().await;
    // A daemon that starts anew knows them as well.
    let daemon = home.start().await;
    let mut peer = Peer::welcome(daemon.inlet(), "a").await;
    send_again(&mut peer, &sample(BOOT, 2, 70, 3.5)).await;
    assert_eq!(home.rows().len(), 2);
    assert_eq!(home.counter("repeated"), 3);
    assert_eq!(home.counter("refused"), 0);
    daemon.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_repeat_of_a_sample_without_a_date_is_stored_once() {
    let home = House::new();
    let daemon = home.start().await;
    let mut peer = Peer::welcome(daemon.inlet(), "a").await;
    send(&mut peer, &sample(BOOT, 1, 10, 3.5)).await;
    send_again(&mut peer, &sample(BOOT, 1, 10, 3.5)).await;
    send(&mut peer, &sample(BOOT, 1, 10, 3.6)).await;
    assert_eq!(home.undated(), 1);
    assert_eq!(home.counter("repeated"), 1);
    assert_eq!(home.counter("refused"), 1);
    daemon.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_number_used_twice_is_refused_and_counted() {
    let (home, daemon, mut peer) = heard_live().await;
    send(&mut peer, &sample(BOOT, 2, 70, 9.9)).await;
    send(&mut peer, &sample(BOOT, 2, 7_000, 3.5)).await;
    assert_eq!(home.rows().len(), 2);
    let reasons = home.reasons();
    assert_eq!(reasons.len(), 2);
    for reason in reasons {
        let expected = "number used twice: sample 2 of boot k3v9q0tz1x";
        assert!(reason.starts_with(expected), "{reason}");
    }
    assert_eq!(home.counter("refused"), 2);
    daemon.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn two_samples_of_one_millisecond_are_both_kept() {
    let (home, daemon, mut peer) = heard_live().await;
    let both = [sample(BOOT, 3, 130, 4.0), sample(BOOT, 4, 130, 4.1)];
    send(&mut peer, &format!("[{}]", both.join(","))).await;
    let rows = home.rows();
    let new: Vec<_> = rows[2..].iter().map(|row| row.value).collect();
    assert_eq!(new, [4.0, 4.1]);
    assert_eq!(rows[3].at - rows[2].at, 1, "moved on by a millisecond");
    // Sent again, they are known at their places.
    send_again(&mut peer, &format!("[{}]", both.join(","))).await;
    assert_eq!(home.rows(), rows);
    assert_eq!(home.counter("repeated"), 2);
    daemon.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_board_without_numbers_is_known_by_its_last_messages() {
    let payload = r#"{"temperature_celsius":3.6}"#;
    let home = House::new();
    let daemon = home.start().await;
    let mut peer = Peer::welcome(daemon.inlet(), "a").await;
    send(&mut peer, payload).await;
    home.clock.pass(1);
    send_again(&mut peer, payload).await;
    assert_eq!(home.rows().len(), 1);
    daemon.stop().await;

    let daemon = home.start().await;
    let mut peer = Peer::welcome(daemon.inlet(), "a").await;
    home.clock.pass(1);
    send_again(&mut peer, payload).await;
    assert_eq!(home.rows().len(), 1);
    assert_eq!(home.counter("repeated"), 2);
    // The same value without the flag is a new reading, and a message that
    // says "sent before" and never arrived is one too.
    send(&mut peer, payload).await;
    home.clock.pass(1);
    send_again(&mut peer, r#"{"temperature_celsius":3.7}"#).await;
    assert_eq!(home.rows().len(), 3);
    // Only the last 64 are remembered.
    for n in 0..64 {
        home.clock.pass(1);
        send(&mut peer, &format!(r#"{{"light_lux":{n}}}"#)).await;
    }
    home.clock.pass(1);
    send_again(&mut peer, payload).await;
    assert_eq!(home.rows().len(), 68);
    daemon.stop().await;
}
