//! The inlet with boards that others wrote: rumqttc and `mosquitto_pub`.

use std::collections::BTreeSet;
use std::time::Duration;

use rumqttc::{AsyncClient, Event, MqttOptions, Packet, QoS};
use tokio::task::JoinHandle;
use vernalog::source::inlet::Settings;

use crate::sources::inlet::{Home, home};
use crate::support::broker::mosquitto_pub;
use crate::support::writer::{number, reading};

const TOPIC: &str = "vernalog/stair-landing/readings";

/// A board that publishes the numbers from 1 to `count` with QoS 1 and comes
/// back after every trouble; ends when all are acknowledged.
fn board(home: &Home, window: u16, count: u64) -> JoinHandle<()> {
    let port = home.address.port();
    let mut options = MqttOptions::new("stair-landing", "127.0.0.1", port);
    options
        .set_clean_session(false)
        .set_inflight(window)
        .set_keep_alive(Duration::from_secs(30));
    let (client, mut event_loop) = AsyncClient::new(options, 10);
    tokio::spawn(async move {
        for seq in 1..=count {
            let sent =
                client.publish(TOPIC, QoS::AtLeastOnce, false, reading(seq));
            sent.await.expect("the event loop lives");
        }
        // Keeps the event loop alive until it is dropped.
        std::future::pending::<()>().await;
    });
    tokio::spawn(async move {
        let mut acknowledged = 0;
        while acknowledged < count {
            match event_loop.poll().await {
                Ok(Event::Incoming(Packet::PubAck(_))) => acknowledged += 1,
                Ok(_) => {}
                Err(_) => tokio::time::sleep(Duration::from_millis(5)).await,
            }
        }
    })
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn boards_with_windows_of_1_20_and_1000_get_everything_stored() {
    for (window, count) in [(1, 300), (20, 3_000), (1000, 10_000)] {
        let mut home = home(4096, Settings::default()).await;
        let board = board(&home, window, count);
        let stored = home.writer.store_all((1..=count).collect()).await;
        board.await.unwrap();
        assert_eq!(u64::try_from(stored).unwrap(), count, "window {window}");
        assert_eq!(home.health.count_of("queue full"), 0);
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_a_full_queue_turned_away_comes_again() {
    let mut home = home(4, Settings::default()).await;
    let board = board(&home, 20, 200);
    // Nothing is taken until a connection was dropped.
    while home.health.count_of("queue full") == 0 {
        tokio::task::yield_now().await;
    }
    home.writer.store_all((1..=200).collect()).await;
    // Repeats of what was stored but not acknowledged may still come.
    let mut writer = home.writer;
    let repeats = tokio::spawn(async move {
        loop {
            let delivery = writer.next().await;
            assert!((1..=200).contains(&number(&delivery)));
            delivery.receipt.confirm();
        }
    });
    board.await.unwrap();
    repeats.abort();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn mosquitto_pub_gets_its_acknowledgement() {
    let mut home = home(16, Settings::default()).await;
    let port = home.address.port();
    let publishing = tokio::task::spawn_blocking(move || {
        let payload = reading(1);
        let arguments = ["-q", "1", "-i", "b", "-t", TOPIC, "-m", &payload];
        mosquitto_pub(port, &arguments).output().unwrap()
    });
    let delivery = home.writer.next().await;
    assert_eq!(number(&delivery), 1);
    assert!(!publishing.is_finished(), "it waits for the acknowledgement");
    delivery.receipt.confirm();
    let output = publishing.await.unwrap();
    assert!(output.status.success(), "{output:?}");
    assert!(output.stderr.is_empty(), "{output:?}");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn mosquitto_pub_sends_a_thousand_lines() {
    let mut home = home(4096, Settings::default()).await;
    let port = home.address.port();
    let publishing = tokio::task::spawn_blocking(move || {
        let lines: Vec<String> = (1..=1_000).map(reading).collect();
        crate::support::broker::publish_lines(port, TOPIC, &lines);
    });
    let numbers: BTreeSet<u64> = (1..=1_000).collect();
    assert_eq!(home.writer.store_all(numbers).await, 1_000);
    publishing.await.unwrap();
}
