//! What brokers keep about each watch: how it stands now, for whoever comes
//! later.
//!
//! Not messages, which are the outbox's: a state that could not be published
//! is replaced by the next one, and none is published twice.

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::time::{Duration, Instant as Monotonic};

use serde_json::{Value, json};
use tokio::sync::watch;

use crate::alert::course::Standing;
use crate::alert::preset;
use crate::alert::wording::watch_key;
use crate::daemon::outbox::with_store;
use crate::daemon::watching::standing_of;
use crate::notify::in_a_row;
use crate::notify::mqtt::{Mqtt, MqttError};
use crate::store::{AlertRow, Store, StoreError};
use crate::trial::book::Book;
use crate::trial::entry::{EntryId, Watch, word_of};
use crate::units::Instant;

/// Everything is published anew after so long: a broker may have lost what
/// it kept.
const ANEW: Duration = Duration::from_hours(1);

/// States by the name of their watch, as JSON.
type States = BTreeMap<String, String>;

/// Keeps the states at one broker.
pub(crate) struct WatchStates {
    pub(crate) data: PathBuf,
    pub(crate) channel: String,
    pub(crate) broker: Mqtt,
    pub(crate) rung: watch::Receiver<()>,
    pub(crate) stop: watch::Receiver<bool>,
}

/// The watches that the ledger asks for, as they were last read.
#[derive(Debug, Clone, Default)]
struct Known {
    newest: Option<EntryId>,
    watches: Vec<Watch>,
}

impl WatchStates {
    /// Publishes what changed, whenever it is rung, until the stop signal.
    pub(crate) async fn run(mut self) {
        let mut known = Known::default();
        let mut published: Option<(Monotonic, States)> = None;
        let mut works = true;
        let mut stop = self.stop.clone();
        loop {
            let outcome = tokio::select! {
                outcome = self.publish(&mut known, &mut published) => outcome,
                _ = stop.wait_for(|stop| *stop) => return,
            };
            if let (Err(why), true) = (&outcome, works) {
                let channel = &self.channel;
                tracing::warn!(channel, why, "states of watches are not kept");
            }
            works = outcome.is_ok();
            tokio::select! {
                rung = self.rung.changed() => if rung.is_err() { return },
                _ = stop.wait_for(|stop| *stop) => return,
            }
        }
    }

    async fn publish(
        &self,
        known: &mut Known,
        published: &mut Option<(Monotonic, States)>,
    ) -> Result<(), String> {
        let before = std::mem::take(known);
        let (now_known, wanted) =
            with_store(self.data.clone(), move |store| states(store, before))
                .await
                .map_err(|error| in_a_row(&error))?;
        *known = now_known;
        published.take_if(|(since, _)| since.elapsed() >= ANEW);
        let kept = match published {
            Some((_, kept)) => kept.clone(),
            None => self.kept().await.map_err(|error| in_a_row(&error))?,
        };
        let changes = changes(&kept, &wanted);
        if !changes.is_empty() {
            self.broker
                .keep(&changes)
                .await
                .map_err(|error| in_a_row(&error))?;
        }
        let since = published.take().map_or_else(Monotonic::now, |(at, _)| at);
        *published = Some((since, wanted));
        Ok(())
    }

    /// What the broker may keep from an earlier life: no JSON equals it.
    async fn kept(&self) -> Result<States, MqttError> {
        let watches = self.broker.kept().await?;
        Ok(watches.into_iter().map(|watch| (watch, String::new())).collect())
    }
}

/// What is to be published, and what is to be kept no more.
fn changes<'a>(
    kept: &'a States,
    wanted: &'a States,
) -> Vec<(&'a str, Option<&'a str>)> {
    let gone = kept.keys().filter(|watch| !wanted.contains_key(*watch));
    let new = wanted.iter().filter(|(watch, json)| {
        kept.get(*watch).is_none_or(|known| known != *json)
    });
    gone.map(|watch| (watch.as_str(), None))
        .chain(new.map(|(watch, json)| (watch.as_str(), Some(json.as_str()))))
        .collect()
}

/// How every watch stands, and every alert of no watch that lasts.
fn states(
    store: &mut Store,
    mut known: Known,
) -> Result<(Known, States), StoreError> {
    let newest = store.newest_entry()?;
    if newest != known.newest {
        let (book, _) = Book::build(&store.ledger()?);
        let watches = book.house.watches.into_values();
        known = Known { newest, watches: watches.map(|(_, w)| w).collect() };
    }
    let kept = store.watch_states()?;
    // Raised in the far future is none: those that last are left.
    let mut alerts = store.alerts(Instant::from_millis(i64::MAX))?;
    let mut states = States::new();
    for watch in &known.watches {
        let key = watch_key(&watch.place, watch.quantity.0, watch.rule);
        let stands = kept.get(&key).and_then(|kept| standing_of(kept));
        let (standing, since) = match stands {
            Some((standing, since)) => (standing, Some(since)),
            None => (Standing::Unknown, None),
        };
        let own = alerts.iter().position(|alert| alert.watch == key);
        let own = own.map(|at| alerts.remove(at));
        alerts.retain(|alert| alert.watch != key);
        let state = json!({
            "format": "vernalog-watch-state/1",
            "watch": key,
            "words": preset::in_words(watch),
            "place": watch.place,
            "quantity": watch.quantity,
            "rule": watch.rule,
            "state": word_of(&Standing::WORDS, &standing),
            "since": since,
            "alert": own.as_ref().map(in_short),
        });
        states.insert(key, state.to_string());
    }
    for alert in &alerts {
        // Doors are named by their addresses.
        let key: String = alert
            .watch
            .chars()
            .filter(|c| !matches!(c, '+' | '#' | '/' | '\0'))
            .collect();
        let state = json!({
            "format": "vernalog-watch-state/1",
            "watch": alert.watch,
            "words": null,
            "place": alert.place,
            "quantity": null,
            "rule": null,
            "state": word_of(&Standing::WORDS, &Standing::Out),
            "since": alert.raised,
            "alert": in_short(alert),
        });
        states.insert(key, state.to_string());
    }
    Ok((known, states))
}

fn in_short(alert: &AlertRow) -> Value {
    json!({
        "id": alert.id,
        "since": alert.since,
        "value": alert.value,
        "limit": alert.limit,
        "severity": alert.severity,
        "text": alert.text,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_what_changed_is_published_and_what_is_gone_is_taken_away() {
        let of = |all: &[(&str, &str)]| -> States {
            all.iter().map(|(w, j)| ((*w).into(), (*j).into())).collect()
        };
        let kept = of(&[("drawer", "in"), ("sill", "in"), ("attic", "")]);
        let wanted = of(&[("drawer", "in"), ("sill", "out"), ("tray", "in")]);
        assert_eq!(
            changes(&kept, &wanted),
            [("attic", None), ("sill", Some("out")), ("tray", Some("in"))]
        );
        assert_eq!(changes(&wanted, &wanted), []);
    }
}
