//! Where readings come in: the inlet, brokers, serial ports.
//!
//! A source turns bytes into [`Delivery`] values, hands them to the writer
//! and acknowledges what the writer has confirmed. It does not store, and it
//! never waits for the writer:
//!
//! | source | when the queue is full | who keeps the message |
//! |---|---|---|
//! | inlet, broker | the connection is dropped | the peer, which sends again |
//! | serial | the newest line is dropped and counted | nobody, or the board that waits for the answer |

pub mod broker;
pub mod inlet;
pub mod mapping;
pub mod serial;

mod delivery;
mod health;
mod patience;
mod room;
mod topic;

use std::fmt;
use std::sync::Arc;

use tokio::sync::{mpsc, watch};

use crate::decode::Mapping;
use crate::units::Instant;

pub use delivery::{Delivery, Receipt, SourceName};
pub use health::{SourceCondition, SourceHealth, SourceState};
pub use room::{ROOM, Room, WEIGHT_BYTES};

/// The host's clock.
pub type Now = Arc<dyn Fn() -> Instant + Send + Sync>;

/// How much of one connection may wait for the writer, in samples or pieces
/// of 512 bytes: a window of 1,000 messages must fit. The writer's queue
/// should hold a few times as many, so that one board in a flood does not
/// fill it.
pub const MOST_UNCONFIRMED: usize = 1024;

/// What every source is given. Cheap to clone.
#[derive(Clone)]
pub struct Feed {
    /// The writer's queue.
    pub deliveries: mpsc::Sender<Delivery>,
    /// The memory for what waits there.
    pub room: Room,
    /// The host's clock.
    pub now: Now,
    /// Becomes true, or is dropped, when the sources shall end.
    pub stop: watch::Receiver<bool>,
    /// Payloads of the boards' own making.
    pub mappings: Arc<[Mapping]>,
}

impl fmt::Debug for Feed {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Feed")
            .field("deliveries", &self.deliveries)
            .field("mappings", &self.mappings.len())
            .finish_non_exhaustive()
    }
}

/// Returns when the sources shall end.
async fn stopped(stop: &mut watch::Receiver<bool>) {
    // A dropped sender is a stop as well.
    drop(stop.wait_for(|stop| *stop).await);
}
