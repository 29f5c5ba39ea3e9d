//! Tells that nothing can be stored while that lasts: from memory and
//! straight to the channels, since the outbox lies in the store that takes
//! nothing.
//!
//! No other alert goes this way. When the store takes again, the writer
//! keeps this one with its end, and queues it for those channels only that
//! did not take it here. The tries are counted in memory: the one repeat
//! that may carry the number 1 again.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;
use std::time::Duration;

use chrono_tz::Tz;
use tokio::sync::watch;
use tokio::task::JoinSet;
use tokio::time::sleep;

use crate::alert::faults::{Fault, STORE_AWAY};
use crate::alert::{Change, millis};
use crate::daemon::clock::Clock;
use crate::daemon::keeping::Shared;
use crate::notify::body::AlertJson;
use crate::notify::{Channel, in_a_row, retry};
use crate::units::Instant;

/// How often it is asked whether the store takes.
const LOOK: Duration = Duration::from_secs(1);

/// That nothing can be stored, and who knows it.
#[derive(Debug, Clone)]
pub(crate) struct Unstored {
    pub(crate) since: Instant,
    pub(crate) why: String,
    /// Channels that took the message.
    pub(crate) told: BTreeSet<String>,
    /// How often the others refused it.
    pub(crate) refused: BTreeMap<String, u32>,
}

impl Unstored {
    fn refusals(&self, channel: &str) -> u32 {
        self.refused.get(channel).copied().unwrap_or(0)
    }

    /// Whether a channel is to be told: it does not know yet, and the one
    /// that it stands in for has failed.
    fn concerns(&self, channel: &Channel, now: Instant) -> bool {
        let is_its_turn = channel.stand_in.as_ref().is_none_or(|other| {
            self.refusals(&other.of) >= other.after_failures
        });
        now.millis_since(self.since) >= millis(STORE_AWAY)
            && is_its_turn
            && !self.told.contains(&channel.name)
    }
}

/// Tells it on every channel.
#[derive(Clone)]
pub(crate) struct FromMemory {
    pub(crate) channels: Vec<Channel>,
    pub(crate) zone: Tz,
    /// The wait after the first failure, ms.
    pub(crate) try_again: i64,
    pub(crate) clock: Clock,
    pub(crate) shared: Arc<Shared>,
    pub(crate) stop: watch::Receiver<bool>,
}

impl FromMemory {
    /// Runs until the stop signal. A channel that hangs holds no other back.
    pub(crate) async fn run(mut self) {
        let mut tellers = JoinSet::new();
        for channel in std::mem::take(&mut self.channels) {
            tellers.spawn(self.clone().tell_on(channel));
        }
        while tellers.join_next().await.is_some() {}
    }

    async fn tell_on(self, channel: Channel) {
        let mut stop = self.stop.clone();
        tokio::select! {
            () = self.tell_always(&channel) => {}
            // A dropped sender is a stop as well.
            _ = stop.wait_for(|stop| *stop) => {}
        }
    }

    async fn tell_always(&self, channel: &Channel) {
        let mut next: Option<Instant> = None;
        loop {
            sleep(LOOK).await;
            let now = self.clock.now();
            let Some(unstored) = self.shared.unstored() else {
                next = None;
                continue;
            };
            if !unstored.concerns(channel, now)
                || next.is_some_and(|next| now < next)
            {
                continue;
            }
            let tries = unstored.refusals(&channel.name) + 1;
            let message = self.message(&unstored, now, tries);
            let outcome = channel.send(&message, None).await;
            let outcome = outcome.map_err(|error| in_a_row(&error));
            if let Err(why) = &outcome {
                tracing::warn!(
                    channel = channel.name,
                    why,
                    "that nothing can be stored could not be told"
                );
            }
            self.shared.told_unstored(&channel.name, outcome.is_ok());
            let (since, now) = (unstored.since, self.clock.now());
            let wait = retry::next_try(since, tries, now, self.try_again);
            let late = now.plus_millis(retry::LONGEST_WAIT);
            next = Some(wait.unwrap_or(late));
        }
    }

    fn message(&self, unstored: &Unstored, now: Instant, n: u32) -> AlertJson {
        let told = (Change::Raised, unstored.since, unstored.since);
        AlertJson::new(&Fault::Database.alert(told, now, self.zone), n)
    }
}
