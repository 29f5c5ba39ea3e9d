//! A writer without a disk: takes deliveries and confirms them when told.

use std::collections::BTreeSet;
use std::sync::Arc;
use std::time::Duration;

use tokio::sync::{mpsc, watch};
use tokio::time::timeout;
use vernalog::source::{Delivery, Feed, Room, SourceHealth, SourceState};
use vernalog::units::Instant;

/// Long enough for a busy machine; reached only by a failing test.
pub(crate) const PATIENCE: Duration = Duration::from_secs(30);

/// 10 February 2026, 12:00 UTC: the clock of these tests stands still.
pub(crate) const NOON: i64 = 1_770_724_800_000;

/// The receiving end of a feed.
pub(crate) struct Writer {
    deliveries: mpsc::Receiver<Delivery>,
    stop: watch::Sender<bool>,
}

/// A feed whose queue holds `capacity` messages, and its writer.
pub(crate) fn writer(capacity: usize) -> (Feed, Writer) {
    let (queue, deliveries) = mpsc::channel(capacity);
    let (stop, stopping) = watch::channel(false);
    let feed = Feed {
        deliveries: queue,
        room: Room::default(),
        now: Arc::new(|| Instant::from_millis(NOON)),
        stop: stopping,
        mappings: Arc::from([]),
    };
    (feed, Writer { deliveries, stop })
}

impl Writer {
    /// The next delivery.
    pub(crate) async fn next(&mut self) -> Delivery {
        timeout(PATIENCE, self.deliveries.recv())
            .await
            .expect("no delivery came")
            .expect("every source has ended")
    }

    /// The next so many deliveries.
    pub(crate) async fn take(&mut self, count: usize) -> Vec<Delivery> {
        let mut taken = Vec::new();
        while taken.len() < count {
            taken.push(self.next().await);
        }
        taken
    }

    /// Confirms in groups, as they come, until each of `numbers` was seen;
    /// returns how many deliveries that took.
    pub(crate) async fn store_all(&mut self, numbers: BTreeSet<u64>) -> usize {
        let (mut left, mut count) = (numbers, 0);
        while !left.is_empty() {
            let mut group = vec![self.next().await];
            while let Ok(delivery) = self.deliveries.try_recv() {
                group.push(delivery);
            }
            for delivery in group {
                count += 1;
                left.remove(&number(&delivery));
                delivery.receipt.confirm();
            }
        }
        count
    }

    /// A delivery that is there already.
    pub(crate) fn at_hand(&mut self) -> Option<Delivery> {
        self.deliveries.try_recv().ok()
    }

    /// Tells the sources to end.
    pub(crate) fn stop(&self) {
        self.stop.send_replace(true);
    }

    /// Whether every source has let go of the queue; what is left in it is
    /// confirmed.
    pub(crate) async fn drain(mut self) {
        while let Some(delivery) = timeout(PATIENCE, self.deliveries.recv())
            .await
            .expect("a source keeps its sender")
        {
            delivery.receipt.confirm();
        }
    }
}

/// The sequence number in a delivery.
pub(crate) fn number(delivery: &Delivery) -> u64 {
    let message = delivery.content.as_ref().expect("a sound message");
    let count = message.samples[0].count.as_ref().expect("a counting board");
    u64::from(count.seq)
}

/// A payload of the wire contract with this sequence number.
pub(crate) fn reading(seq: u64) -> String {
    format!(
        r#"{{"boot":"k3v9q0tz1x","seq":{seq},"up_ms":{},"temperature_celsius":3.6}}"#,
        seq * 60_000
    )
}

/// Waits until the source is in this state; returns what it says about it.
pub(crate) async fn wait_for(
    health: &SourceHealth,
    state: SourceState,
) -> String {
    let mut watch = health.watch();
    let wanted = watch.wait_for(|condition| condition.state == state);
    let found = timeout(PATIENCE, wanted).await.unwrap_or_else(|_| {
        panic!("never {state:?}: {:?}", health.condition())
    });
    found.expect("the health lives").detail.clone()
}
