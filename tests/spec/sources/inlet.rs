//! The inlet, byte by byte over a real socket.
//!
//! The numbered statements are those of OASIS MQTT 3.1.1 (2014), quoted from
//! memory.

use std::net::SocketAddr;
use std::sync::Arc;

use tokio::task::JoinHandle;
use vernalog::observation::Name;
use vernalog::source::inlet::{self, InletError, Settings};
use vernalog::source::{MOST_UNCONFIRMED, SourceHealth, SourceState};

use crate::support::peer::{
    PING, PONG, Peer, connect, packet, puback, publish, publish_once,
};
use crate::support::writer::{Writer, number, reading, wait_for, writer};

const TOPIC: &str = "vernalog/fridge-drawer/readings";

/// An inlet that runs.
pub(crate) struct Home {
    pub(crate) address: SocketAddr,
    pub(crate) health: Arc<SourceHealth>,
    pub(crate) writer: Writer,
    pub(crate) run: JoinHandle<()>,
}

pub(crate) async fn home(capacity: usize, settings: Settings) -> Home {
    let listen = SocketAddr::from(([127, 0, 0, 1], 0));
    let settings = Settings { listen, ..settings };
    let inlet = inlet::bind(&settings).await.unwrap();
    let (address, health) = (inlet.local_addr(), inlet.health());
    let (feed, writer) = writer(capacity);
    let run = tokio::spawn(inlet.run(feed));
    wait_for(&health, SourceState::Listening).await;
    Home { address, health, writer, run }
}

async fn plain_home() -> Home {
    home(4096, Settings::default()).await
}

/// MQTT-3.3.4-1: QoS 1 is answered with PUBACK; that it waits for the disk
/// is our own promise.
#[tokio::test]
async fn an_acknowledgement_waits_for_the_confirmation() {
    let mut home = plain_home().await;
    let mut peer = Peer::welcome(home.address, "a").await;

    peer.send(&publish(7, TOPIC, &reading(1))).await;
    let delivery = home.writer.next().await;
    peer.expect_nothing_but_a_pong().await;

    assert_eq!(delivery.source.as_str(), "inlet");
    assert_eq!(delivery.topic.as_deref(), Some(TOPIC));
    assert_eq!(delivery.bytes, reading(1).as_bytes());
    assert!(delivery.steady && !delivery.dup);
    assert_eq!(number(&delivery), 1);
    delivery.receipt.confirm();
    peer.expect(&puback(7)).await;
}

/// MQTT-4.6.0-2: PUBACKs in the order of the PUBLISH packets.
#[tokio::test]
async fn windows_of_1_20_and_1000_are_acknowledged_in_order() {
    for window in [1_u16, 20, 1000] {
        let mut home = plain_home().await;
        let mut peer = Peer::welcome(home.address, "a").await;
        for round in 0..3 {
            for id in 1..=window {
                let seq = u64::from(round * window + id);
                peer.send(&publish(id, TOPIC, &reading(seq))).await;
            }
            let taken = home.writer.take(usize::from(window)).await;
            peer.expect_nothing_but_a_pong().await;
            // Confirmed from the last to the first: the order holds.
            for delivery in taken.into_iter().rev() {
                delivery.receipt.confirm();
            }
            for id in 1..=window {
                peer.expect(&puback(id)).await;
            }
        }
    }
}

#[tokio::test]
async fn qos_0_is_delivered_without_an_answer() {
    let mut home = plain_home().await;
    let mut peer = Peer::welcome(home.address, "a").await;
    peer.send(&publish_once(TOPIC, &reading(1))).await;
    home.writer.next().await.receipt.confirm();
    peer.expect_nothing_but_a_pong().await;
}

#[tokio::test]
async fn a_message_that_could_not_be_stored_closes_the_connection() {
    let mut home = plain_home().await;
    let mut peer = Peer::welcome(home.address, "a").await;
    peer.send(&publish(1, TOPIC, &reading(1))).await;
    drop(home.writer.next().await);
    peer.expect_end(&[]).await;
    assert_eq!(home.health.count_of("not stored"), 1);
}

#[tokio::test]
async fn a_full_queue_closes_the_connection_and_keeps_what_was_taken() {
    let mut home = home(2, Settings::default()).await;
    let mut peer = Peer::welcome(home.address, "a").await;
    for id in 1..=3 {
        peer.send(&publish(id, TOPIC, &reading(u64::from(id)))).await;
    }
    peer.expect_end(&[]).await;
    assert_eq!(home.health.count_of("queue full"), 1);
    let kept = home.writer.take(2).await;
    assert_eq!(kept.iter().map(number).collect::<Vec<_>>(), [1, 2]);
    assert!(home.writer.at_hand().is_none());
}

#[tokio::test]
async fn a_flood_of_one_board_leaves_room_for_the_others() {
    let mut home = home(2 * MOST_UNCONFIRMED, Settings::default()).await;
    let mut flood = Peer::welcome(home.address, "flood").await;
    let many = publish_once(TOPIC, &reading(1)).repeat(3 * MOST_UNCONFIRMED);
    let flooding = tokio::spawn(async move {
        flood.send(&many).await;
        flood
    });
    let mut taken = home.writer.take(MOST_UNCONFIRMED).await;

    let other = "vernalog/stair-landing/readings";
    let mut peer = Peer::welcome(home.address, "other").await;
    peer.send(&publish(5, other, &reading(2))).await;
    let delivery = home.writer.next().await;
    assert_eq!(delivery.topic.as_deref(), Some(other));
    delivery.receipt.confirm();
    peer.expect(&puback(5)).await;

    // The flood goes on as it is stored, and loses nothing.
    taken.drain(..).for_each(|delivery| delivery.receipt.confirm());
    for _ in 0..2 * MOST_UNCONFIRMED {
        home.writer.next().await.receipt.confirm();
    }
    flooding.await.unwrap().expect_nothing_but_a_pong().await;
}

/// MQTT-3.1.0-1 and MQTT-3.1.0-2: CONNECT comes first, and once.
#[tokio::test]
async fn connect_comes_first_and_once() {
    let home = plain_home().await;
    let mut early = Peer::silent(home.address).await;
    early.send(&PING).await;
    early.expect_end(&[]).await;
    assert_eq!(home.health.count_of("first packet not CONNECT"), 1);

    let mut twice = Peer::welcome(home.address, "a").await;
    twice.send(&connect(4, 2, "a", None)).await;
    twice.expect_end(&[]).await;
    assert_eq!(home.health.count_of("second CONNECT"), 1);
}

/// MQTT-3.1.2-2: another level is answered with 0x01, then closed.
#[tokio::test]
async fn another_protocol_level_is_refused_in_words() {
    let home = plain_home().await;
    for level in [3, 5] {
        let mut peer = Peer::silent(home.address).await;
        peer.send(&connect(level, 2, "a", None)).await;
        peer.expect_end(&[0x20, 2, 0, 1]).await;
    }
}

/// MQTT-3.1.3-8: no identifier and a kept session is answered with 0x02;
/// MQTT-3.1.3-6: no identifier and a clean session is let in.
#[tokio::test]
async fn a_board_without_identifier_needs_a_clean_session() {
    let home = plain_home().await;
    let mut peer = Peer::silent(home.address).await;
    peer.send(&connect(4, 0, "", None)).await;
    peer.expect_end(&[0x20, 2, 0, 2]).await;
    Peer::welcome(home.address, "").await;
}

/// MQTT-3.2.2-1 to -3: never "present" with a clean session. Without one it
/// is: our side of a session is empty and so always there.
#[tokio::test]
async fn a_kept_session_is_always_there() {
    let home = plain_home().await;
    let mut peer = Peer::silent(home.address).await;
    peer.send(&connect(4, 0, "a", None)).await;
    peer.expect(&[0x20, 2, 1, 0]).await;
}

/// MQTT-3.1.4-2: a second connection of the same client ends the first.
#[tokio::test]
async fn the_same_client_takes_over_from_itself() {
    let home = plain_home().await;
    let mut older = Peer::welcome(home.address, "a").await;
    let mut newer = Peer::welcome(home.address, "a").await;
    older.expect_end(&[]).await;
    newer.expect_nothing_but_a_pong().await;
}

/// MQTT-3.8.4-1 and MQTT-3.8.4-5: SUBSCRIBE is answered by SUBACK with one
/// code for each filter, 0x80 for a failure; MQTT-3.10.4-5: UNSUBSCRIBE is
/// answered by UNSUBACK; MQTT-3.12.4-1: PINGREQ by PINGRESP.
#[tokio::test]
async fn the_inlet_gives_nothing_to_subscribe_to() {
    let home = plain_home().await;
    let mut peer = Peer::welcome(home.address, "a").await;
    peer.send(&packet(0x82, b"\0\x09\0\x01#\x01\0\x01+\0")).await;
    peer.expect(&[0x90, 4, 0, 9, 0x80, 0x80]).await;
    peer.send(&packet(0xa2, b"\0\x0a\0\x01#")).await;
    peer.expect(&[0xb0, 2, 0, 10]).await;
    peer.send(&PING).await;
    peer.expect(&PONG).await;
}

/// MQTT-3.14.4-1 and -2: DISCONNECT is an end without an answer.
#[tokio::test]
async fn a_goodbye_is_an_ordinary_end() {
    let home = plain_home().await;
    let mut peer = Peer::welcome(home.address, "a").await;
    peer.send(&[0xe0, 0]).await;
    peer.expect_end(&[]).await;
    assert_eq!(home.health.count_of("left"), 1);
}

/// QoS 2 is not offered; closing is what MQTT-4.8.0-1 asks for where a
/// packet cannot be dealt with.
#[tokio::test]
async fn qos_2_closes_the_connection() {
    let home = plain_home().await;
    let mut peer = Peer::welcome(home.address, "a").await;
    let mut exactly_once = publish(1, TOPIC, &reading(1));
    exactly_once[0] = 0x34;
    peer.send(&exactly_once).await;
    peer.expect_end(&[]).await;
    assert_eq!(home.health.count_of("QoS 2 not offered"), 1);
}

#[tokio::test]
async fn will_and_retain_are_ignored() {
    let mut home = plain_home().await;
    let mut peer = Peer::silent(home.address).await;
    // Clean session, will with QoS 1 and retain.
    let mut content = b"\0\x04MQTT\x04\x2e\0\x3c\0\x01a".to_vec();
    content.extend(b"\0\x0evernalog/x/y/z\0\x04gone");
    peer.send(&packet(0x10, &content)).await;
    peer.expect(&[0x20, 2, 0, 0]).await;
    let mut retained = publish(3, TOPIC, &reading(1));
    retained[0] |= 1;
    peer.send(&retained).await;
    let delivery = home.writer.next().await;
    assert_eq!(number(&delivery), 1);
    delivery.receipt.confirm();
    peer.expect(&puback(3)).await;
    drop(peer);
    home.writer.stop();
    home.run.await.unwrap();
    assert!(home.writer.at_hand().is_none());
}

#[tokio::test]
async fn a_packet_of_70_kib_closes_only_its_own_connection() {
    let mut home = plain_home().await;
    let mut steady = Peer::welcome(home.address, "steady").await;
    let mut large = Peer::welcome(home.address, "large").await;
    let payload = " ".repeat(70 * 1024);
    large.try_send(&publish(1, TOPIC, &payload)).await;
    large.expect_end(&[]).await;
    let refused = home.writer.next().await;
    let reason = refused.content.unwrap_err();
    assert!(reason.contains("65536 bytes"), "{reason}");
    assert!(refused.bytes.len() <= 512);
    refused.receipt.confirm();
    assert_eq!(home.health.count_of("packet too large"), 1);

    steady.send(&publish(1, TOPIC, &reading(1))).await;
    home.writer.next().await.receipt.confirm();
    steady.expect(&puback(1)).await;
}

/// What is refused is acknowledged all the same, once the refusal is kept:
/// else the board would send it for ever.
#[tokio::test]
async fn a_refused_message_is_acknowledged_after_its_confirmation() {
    let mut home = plain_home().await;
    let mut peer = Peer::welcome(home.address, "a").await;
    let cases = [
        ("garden/a/state", reading(1), "garden/a/state"),
        ("vernalog/host/readings", reading(1), "host"),
        (TOPIC, "{\"temperature_celsius\":".to_owned(), "JSON"),
    ];
    for (topic, payload, word) in &cases {
        peer.send(&publish(4, topic, payload)).await;
        let delivery = home.writer.next().await;
        let reason = delivery.content.unwrap_err();
        assert!(reason.contains(word), "{topic}: {reason}");
        peer.expect_nothing_but_a_pong().await;
        delivery.receipt.confirm();
        peer.expect(&puback(4)).await;
    }
    assert_eq!(home.health.count_of("refused messages"), 3);
}

#[tokio::test]
async fn a_status_message_is_acknowledged_and_is_no_reading() {
    let mut home = plain_home().await;
    let mut peer = Peer::welcome(home.address, "a").await;
    peer.send(&publish(1, TOPIC, &reading(1))).await;
    peer.send(&publish(2, "vernalog/fridge-drawer/status", "online")).await;
    let delivery = home.writer.next().await;
    // In the order of arrival: not before the reading.
    peer.expect_nothing_but_a_pong().await;
    delivery.receipt.confirm();
    peer.expect(&puback(1)).await;
    peer.expect(&puback(2)).await;
    assert!(home.writer.at_hand().is_none());
}

#[tokio::test]
async fn more_boards_than_may_be_are_turned_away() {
    let settings = Settings { connections: 2, ..Settings::default() };
    let home = home(16, settings).await;
    let mut one = Peer::welcome(home.address, "one").await;
    let _two = Peer::welcome(home.address, "two").await;
    Peer::silent(home.address).await.expect_end(&[]).await;
    assert_eq!(home.health.count_of("too many connections"), 1);

    one.send(&[0xe0, 0]).await;
    one.expect_end(&[]).await;
    // The place is free once the conversation is over, a moment later.
    while home.health.count_of("left") < 1 {
        tokio::task::yield_now().await;
    }
}

#[tokio::test]
async fn a_stop_still_acknowledges_what_is_being_stored() {
    let mut home = plain_home().await;
    let mut peer = Peer::welcome(home.address, "a").await;
    peer.send(&publish(1, TOPIC, &reading(1))).await;
    let delivery = home.writer.next().await;
    home.writer.stop();
    // The queue ends although the connection still waits.
    home.writer.drain().await;
    delivery.receipt.confirm();
    peer.expect_end(&puback(1)).await;
    home.run.await.unwrap();
    assert_eq!(home.health.condition().state, SourceState::Stopped);
}

fn passwords(folder: &tempfile::TempDir) -> Settings {
    let path = folder.path().join("boards.passwd");
    let board = |name: &str| Name::new(name).unwrap();
    let text = inlet::with_password("", &board("fridge-drawer"), "moist-chill");
    let text = inlet::with_password(
        &text.unwrap(),
        &board("stair-landing"),
        "bright-noon",
    );
    std::fs::write(&path, text.unwrap()).unwrap();
    Settings { users_file: Some(path), ..Settings::default() }
}

/// Return codes 4 and 5 of CONNACK (section 3.2.2.3).
#[tokio::test]
async fn a_wrong_password_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    let home = home(16, passwords(&folder)).await;
    let attempts: [(Option<(&str, &str)>, u8); 4] = [
        (None, 5),
        (Some(("fridge-drawer", "bright-noon")), 4),
        (Some(("cold-frame", "moist-chill")), 4),
        (Some(("../etc", "moist-chill")), 4),
    ];
    for (login, code) in attempts {
        let mut peer = Peer::silent(home.address).await;
        peer.send(&connect(4, 2, "a", login)).await;
        peer.expect_end(&[0x20, 2, 0, code]).await;
    }
    assert_eq!(home.health.count_of("login refused"), 4);
}

#[tokio::test]
async fn a_board_writes_only_under_its_own_name() {
    let folder = tempfile::tempdir().unwrap();
    let mut home = home(16, passwords(&folder)).await;
    let mut peer =
        Peer::login(home.address, "fridge-drawer", "moist-chill").await;
    peer.send(&publish(1, TOPIC, &reading(1))).await;
    home.writer.next().await.receipt.confirm();
    peer.expect(&puback(1)).await;

    for topic in
        ["vernalog/stair-landing/readings", "vernalog/stair-landing/status"]
    {
        let mut peer =
            Peer::login(home.address, "fridge-drawer", "moist-chill").await;
        peer.send(&publish(2, topic, &reading(2))).await;
        peer.expect_end(&[]).await;
    }
    assert_eq!(home.health.count_of("topic of another board"), 2);
    assert!(home.writer.at_hand().is_none());
}

#[tokio::test]
async fn a_board_cannot_throw_another_one_out() {
    let folder = tempfile::tempdir().unwrap();
    let home = home(16, passwords(&folder)).await;
    let mut one =
        Peer::login(home.address, "fridge-drawer", "moist-chill").await;
    // The same client identifier, another login.
    let _two = Peer::login(home.address, "stair-landing", "bright-noon").await;
    one.expect_nothing_but_a_pong().await;
}

#[tokio::test]
async fn an_open_address_without_passwords_is_refused_at_the_start() {
    let listen = SocketAddr::from(([0, 0, 0, 0], 0));
    let settings = Settings { listen, ..Settings::default() };
    let error = inlet::bind(&settings).await.unwrap_err();
    assert!(matches!(error, InletError::OpenToAll { .. }));
    assert!(error.to_string().contains("vernalog password"), "{error}");

    let folder = tempfile::tempdir().unwrap();
    let settings = Settings { listen, ..passwords(&folder) };
    inlet::bind(&settings).await.unwrap();
}

#[tokio::test]
async fn an_address_in_use_is_named() {
    let home = plain_home().await;
    let settings = Settings { listen: home.address, ..Settings::default() };
    let error = inlet::bind(&settings).await.unwrap_err();
    assert!(error.to_string().contains(&home.address.to_string()));
}
