//! The daemon as a subscriber of Debian's mosquitto.

use std::collections::BTreeSet;
use std::sync::Arc;

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpListener;
use tokio::task::JoinHandle;
use vernalog::source::broker::{self, Settings};
use vernalog::source::{SourceHealth, SourceState};

use crate::support::broker::{Broker, mosquitto_pub, publish, publish_lines};
use crate::support::house::until_true;
use crate::support::long;
use crate::support::writer::{
    PATIENCE, Writer, number, reading, wait_for, writer,
};

const TOPIC: &str = "vernalog/fridge-drawer/readings";

/// A subscriber that runs.
struct Home {
    health: Arc<SourceHealth>,
    writer: Writer,
    run: JoinHandle<()>,
}

fn home_with(settings: &Settings, capacity: usize) -> Home {
    let subscriber = broker::prepare(settings).unwrap();
    let health = subscriber.health();
    let (feed, writer) = writer(capacity);
    let run = tokio::spawn(subscriber.run(feed));
    Home { health, writer, run }
}

fn settings(broker: &Broker) -> Settings {
    Settings::at("127.0.0.1", broker.port)
}

async fn home(broker: &Broker) -> Home {
    let home = home_with(&settings(broker), 4096);
    wait_for(&home.health, SourceState::Subscribed).await;
    home
}

impl Home {
    /// Ends the subscriber; what it delivered and nobody took stays
    /// unacknowledged.
    async fn leave(self) {
        self.writer.stop();
        drop(self.writer);
        tokio::time::timeout(PATIENCE, self.run).await.unwrap().unwrap();
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_message_of_the_broker_is_delivered() {
    let broker = Broker::start();
    let mut home = home(&broker).await;
    publish(broker.port, TOPIC, &reading(1), &[]);
    let delivery = home.writer.next().await;
    assert_eq!(
        delivery.source.as_str(),
        format!("broker 127.0.0.1:{}", broker.port)
    );
    assert_eq!(delivery.topic.as_deref(), Some(TOPIC));
    assert_eq!(delivery.bytes, reading(1).as_bytes());
    assert_eq!(number(&delivery), 1);
    delivery.receipt.confirm();
    home.leave().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_was_sent_while_the_daemon_was_away_arrives() {
    let broker = Broker::start();
    home(&broker).await.leave().await;
    let lines: Vec<String> = (1..=500).map(reading).collect();
    publish_lines(broker.port, TOPIC, &lines);

    let mut home = home_with(&settings(&broker), 4096);
    let first = home.writer.next().await;
    assert_eq!(number(&first), 1);
    assert!(!first.steady, "a backlog is being drained");
    first.receipt.confirm();
    assert_eq!(home.writer.store_all((2..=500).collect()).await, 499);
    home.leave().await;
}

/// QoS 1: what has no PUBACK is sent again at the next connection of the
/// same session (MQTT-4.4.0-1, from memory).
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn only_what_was_confirmed_is_acknowledged() {
    let broker = Broker::start();
    let mut first = home(&broker).await;
    for seq in 1..=5 {
        publish(broker.port, TOPIC, &reading(seq), &[]);
    }
    for delivery in first.writer.take(5).await {
        // The last two are taken but never stored.
        if number(&delivery) <= 3 {
            delivery.receipt.confirm();
        } else {
            std::mem::forget(delivery.receipt);
        }
    }
    first.leave().await;

    let mut second = home_with(&settings(&broker), 4096);
    let again = second.writer.take(2).await;
    assert_eq!(again.iter().map(number).collect::<Vec<_>>(), [4, 5]);
    assert!(again.iter().all(|delivery| delivery.dup && !delivery.steady));
    again.into_iter().for_each(|delivery| delivery.receipt.confirm());
    second.leave().await;

    let mut third = home(&broker).await;
    publish(broker.port, TOPIC, &reading(6), &[]);
    assert_eq!(number(&third.writer.next().await), 6);
    third.leave().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_message_that_could_not_be_stored_comes_again() {
    let broker = Broker::start();
    let mut home = home(&broker).await;
    publish(broker.port, TOPIC, &reading(1), &[]);
    drop(home.writer.next().await);
    let again = home.writer.next().await;
    assert_eq!((number(&again), again.dup), (1, true));
    again.receipt.confirm();
    assert_eq!(home.health.count_of("not stored"), 1);
    home.leave().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn broker_windows_of_1_20_and_1000_are_drained() {
    for window in [1, 20, 1000] {
        let broker = Broker::with(&format!(
            "allow_anonymous true\nmax_inflight_messages {window}\n"
        ));
        home(&broker).await.leave().await;
        let lines: Vec<String> = (1..=3_000).map(reading).collect();
        publish_lines(broker.port, TOPIC, &lines);
        let mut home = home_with(&settings(&broker), 4096);
        let stored = home.writer.store_all((1..=3_000).collect()).await;
        assert_eq!(stored, 3_000, "window {window}");
        home.leave().await;
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_full_queue_drops_the_connection_and_loses_nothing() {
    let broker = Broker::start();
    home(&broker).await.leave().await;
    let lines: Vec<String> = (1..=100).map(reading).collect();
    publish_lines(broker.port, TOPIC, &lines);
    let mut home = home_with(&settings(&broker), 4);
    wait_for(&home.health, SourceState::Waiting).await;
    assert_eq!(home.health.count_of("queue full"), 1);
    let numbers: BTreeSet<u64> = (1..=100).collect();
    home.writer.store_all(numbers).await;
    home.leave().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_retained_message_is_never_a_reading() {
    let broker = Broker::start();
    publish(broker.port, TOPIC, &reading(1), &["-r"]);
    let mut home = home(&broker).await;
    publish(broker.port, TOPIC, &reading(2), &[]);
    assert_eq!(number(&home.writer.next().await), 2);
    assert_eq!(home.health.count_of("retained messages"), 1);
    home.leave().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_packet_of_70_kib_is_refused_and_does_not_block_the_rest() {
    let broker = Broker::start();
    let mut first = home(&broker).await;
    let file = broker.file("large", &" ".repeat(70 * 1024));
    let arguments = ["-q", "1", "-t", TOPIC, "-f", file.to_str().unwrap()];
    let sent = mosquitto_pub(broker.port, &arguments).status().unwrap();
    assert!(sent.success());
    publish(broker.port, TOPIC, &reading(2), &[]);
    let large = first.writer.next().await;
    let reason = large.content.unwrap_err();
    assert!(reason.contains("71680"), "{reason}");
    assert_eq!(large.bytes.len(), 512);
    large.receipt.confirm();
    let next = first.writer.next().await;
    assert_eq!(number(&next), 2);
    next.receipt.confirm();
    first.leave().await;

    // Acknowledged: it does not come again.
    let mut second = home(&broker).await;
    publish(broker.port, TOPIC, &reading(3), &[]);
    assert_eq!(number(&second.writer.next().await), 3);
    second.leave().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_broker_that_lost_its_sessions_is_subscribed_again() {
    let mut broker = Broker::start();
    let mut home = home(&broker).await;
    // Killed before its first save: the session is gone.
    broker.kill();
    wait_for(&home.health, SourceState::Waiting).await;
    broker.go();
    wait_for(&home.health, SourceState::Subscribed).await;
    publish(broker.port, TOPIC, &reading(1), &[]);
    let delivery = home.writer.next().await;
    assert_eq!(number(&delivery), 1);
    delivery.receipt.confirm();
    home.leave().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_broker_that_comes_late_is_waited_for() {
    let mut broker = Broker::not_started("allow_anonymous true\n");
    let home = home_with(&settings(&broker), 16);
    let detail = wait_for(&home.health, SourceState::Waiting).await;
    assert!(detail.contains(&broker.port.to_string()), "{detail}");
    broker.go();
    wait_for(&home.health, SourceState::Subscribed).await;
    home.leave().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_login_that_the_broker_refuses_is_said() {
    let broker = Broker::start_without_guests();
    let home = home_with(&settings(&broker), 16);
    let detail = wait_for(&home.health, SourceState::Refused).await;
    assert!(detail.contains("password_file"), "{detail}");
    home.leave().await;
}

/// MQTT-3.8.4-1 (from memory): connected is not subscribed before SUBACK,
/// and SUBACK may carry a failure, 0x80.
#[tokio::test]
async fn a_subscription_counts_from_its_answer_on() {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let port = listener.local_addr().unwrap().port();
    let home = home_with(&Settings::at("127.0.0.1", port), 16);
    let (mut socket, _) = listener.accept().await.unwrap();
    let mut packet = [0; 512];
    assert!(socket.read(&mut packet).await.unwrap() > 0);
    assert_eq!(packet[0], 0x10, "CONNECT");
    assert_eq!(packet[9] & 0b10, 0, "the session is kept");
    // The broker knows the session; the filters are sent all the same.
    socket.write_all(&[0x20, 2, 1, 0]).await.unwrap();
    assert!(socket.read(&mut packet).await.unwrap() > 0);
    assert_eq!(packet[0], 0x82, "SUBSCRIBE");
    let state = home.health.condition().state;
    assert_eq!(state.words(), "connected but not subscribed");

    let refusal = [0x90, 3, packet[2], packet[3], 0x80];
    socket.write_all(&refusal).await.unwrap();
    let detail = wait_for(&home.health, SourceState::Refused).await;
    assert!(detail.contains("vernalog/+/readings"), "{detail}");
    home.leave().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_message_that_is_too_large_to_be_refused_is_said() {
    let broker = Broker::start();
    home(&broker).await.leave().await;
    let file = broker.file("huge", &" ".repeat(2 * 1024 * 1024));
    let arguments = ["-q", "1", "-t", TOPIC, "-f", file.to_str().unwrap()];
    let sent = mosquitto_pub(broker.port, &arguments).status().unwrap();
    assert!(sent.success());
    let home = home_with(&settings(&broker), 16);
    let detail = wait_for(&home.health, SourceState::Refused).await;
    assert!(detail.contains("message_size_limit"), "{detail}");
    home.leave().await;
}

/// Two unanswered keep-alives take ten seconds: with `VERNALOG_LONG=1` only.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_broker_that_stands_still_is_left_and_taken_up_again() {
    if !long() {
        return;
    }
    let broker = Broker::start();
    let mut settings = settings(&broker);
    settings.keep_alive_secs = 5;
    let mut home = home_with(&settings, 16);
    wait_for(&home.health, SourceState::Subscribed).await;
    broker.freezes(true);
    until_true("it is left", || {
        home.health.condition().state != SourceState::Subscribed
    })
    .await;
    assert_eq!(home.health.count_of("stalled"), 1);
    broker.freezes(false);
    wait_for(&home.health, SourceState::Subscribed).await;
    publish(broker.port, TOPIC, &reading(1), &[]);
    assert!(home.writer.next().await.content.is_ok());
    home.leave().await;
}
