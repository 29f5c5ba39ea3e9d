//! When a message counts as live, with stepped time.

use tokio::sync::{mpsc, watch};
use tokio::time::advance;

use super::*;
use crate::source::Room;

struct Home {
    subscriber: Subscriber,
    feed: Feed,
    deliveries: mpsc::Receiver<Delivery>,
    _stop: watch::Sender<bool>,
}

fn home() -> Home {
    let (queue, deliveries) = mpsc::channel(16);
    let (stop, stopping) = watch::channel(false);
    let feed = Feed {
        deliveries: queue,
        room: Room::default(),
        now: Arc::new(|| crate::units::Instant::from_millis(0)),
        stop: stopping,
        mappings: Arc::from([]),
    };
    let subscriber = prepare(&Settings::at("seedbox", 1883)).unwrap();
    Home { subscriber, feed, deliveries, _stop: stop }
}

fn message() -> Publish {
    let topic = "vernalog/fridge-drawer/readings";
    let mut publish = Publish::new(topic, QoS::AtLeastOnce, "{}");
    publish.pkid = 1;
    publish
}

#[tokio::test(start_paused = true)]
async fn a_message_is_live_after_two_quiet_seconds() {
    let Home { subscriber, feed, mut deliveries, _stop } = home();
    let mut visit = Visit::new(&subscriber, &feed, &[]);
    let mut arrive = async |after_ms: u64| {
        advance(Duration::from_millis(after_ms)).await;
        visit.publish(message()).unwrap();
        let delivery = deliveries.recv().await.unwrap();
        delivery.receipt.confirm();
        visit.unconfirmed.take_confirmed(&mut Vec::new());
        delivery.steady
    };
    assert!(!arrive(0).await);
    assert!(!arrive(1999).await);
    assert!(!arrive(10).await);
    assert!(arrive(2000).await);
    assert!(arrive(1).await, "live once is live until the connection ends");
}

/// A broker with a small window waits for our acknowledgements: a pause that
/// we make ourselves does not end a backlog.
#[tokio::test(start_paused = true)]
async fn a_backlog_is_not_over_while_the_writer_pauses() {
    let Home { subscriber, feed, mut deliveries, _stop } = home();
    let mut visit = Visit::new(&subscriber, &feed, &[]);
    visit.publish(message()).unwrap();
    let first = deliveries.recv().await.unwrap();
    advance(Duration::from_secs(10)).await;
    visit.publish(message()).unwrap();
    let second = deliveries.recv().await.unwrap();
    assert!(!second.steady);
    first.receipt.confirm();
    second.receipt.confirm();
    visit.unconfirmed.take_confirmed(&mut Vec::new());
    visit.last_acknowledgement = Instant::now();
    advance(Duration::from_millis(400)).await;
    visit.last_message -= Duration::from_secs(5);
    visit.publish(message()).unwrap();
    assert!(!deliveries.recv().await.unwrap().steady);
}

#[tokio::test(start_paused = true)]
async fn a_retained_message_is_acknowledged_and_not_delivered() {
    let Home { subscriber, feed, mut deliveries, _stop } = home();
    let mut visit = Visit::new(&subscriber, &feed, &[]);
    let retained = Publish { retain: true, ..message() };
    visit.publish(retained).unwrap();
    assert!(deliveries.try_recv().is_err());
    let mut ids = Vec::new();
    visit.unconfirmed.take_confirmed(&mut ids);
    assert_eq!(ids, [1]);
}
