//! Sends what waits in the outbox; a message leaves it only when its channel
//! took it.
//!
//! It looks when the writer rings: at news, and every half minute for what
//! is to be tried again. The store is opened anew for each look, so that the async runtime never
//! waits for a lock: the looks run on blocking threads.

use std::path::PathBuf;
use std::sync::Arc;

use tokio::sync::{Notify, watch};
use tokio::task::spawn_blocking;

use crate::notify::body::AlertJson;
use crate::notify::{Channel, retry};
use crate::source::Now;
use crate::store::{Access, OutboxRow, Store, StoreError};

/// Messages taken up at one look.
const MOST_AT_ONCE: u32 = 50;

/// What the sender needs.
pub(crate) struct Outbox {
    pub(crate) data: PathBuf,
    pub(crate) channels: Vec<Channel>,
    pub(crate) now: Now,
    pub(crate) news: Arc<Notify>,
    pub(crate) stop: watch::Receiver<bool>,
}

impl Outbox {
    /// Sends until the stop signal; what was not taken stays for later.
    pub(crate) async fn run(mut self) {
        loop {
            if let Err(error) = self.send_due().await {
                tracing::warn!(%error, "the outbox could not be read");
            }
            tokio::select! {
                () = self.news.notified() => {}
                _ = self.stop.wait_for(|stop| *stop) => return,
            }
        }
    }

    async fn send_due(&self) -> Result<(), StoreError> {
        let now = (self.now)();
        let due = self
            .with_store(move |store| {
                store.due_messages(now, retry::LONGEST_WAIT, MOST_AT_ONCE)
            })
            .await?;
        for message in due {
            if *self.stop.borrow() {
                break;
            }
            let outcome = self.send(&message).await;
            let now = (self.now)();
            self.with_store(move |store| match outcome {
                Ok(()) => store.message_taken(message.id, now),
                Err(reason) => {
                    let failed = message.attempts + 1;
                    let next = retry::next_try(message.written, failed, now);
                    tracing::warn!(
                        alert = message.alert,
                        channel = message.channel,
                        reason,
                        given_up = next.is_none(),
                        "a message was not taken"
                    );
                    store.message_failed(message.id, &reason, now, next)
                }
            })
            .await?;
        }
        Ok(())
    }

    async fn send(&self, message: &OutboxRow) -> Result<(), String> {
        let channel = self
            .channels
            .iter()
            .find(|channel| channel.name == message.channel)
            .ok_or_else(|| {
                format!(
                    "there is no channel \"{}\" in the settings any more",
                    message.channel
                )
            })?;
        let mut alert: AlertJson = serde_json::from_str(&message.body)
            .map_err(|error| format!("the message is damaged: {error}"))?;
        alert.attempt = message.attempts + 1;
        channel.send(&alert).await.map_err(|error| error.to_string())
    }

    async fn with_store<T: Send + 'static>(
        &self,
        work: impl FnOnce(&mut Store) -> Result<T, StoreError> + Send + 'static,
    ) -> Result<T, StoreError> {
        let data = self.data.clone();
        let done = spawn_blocking(move || {
            let mut store = Store::open(&data, Access::ReadWrite)?;
            work(&mut store)
        });
        done.await.expect("looking into the store does not panic")
    }
}
