//! Sends what waits in the outbox; a message leaves it only when its channel
//! took it.
//!
//! Each channel has a sender of its own, so that one that hangs holds no
//! other back. It looks when the writer rings (at news, and every half
//! minute) and when a message is to be tried again. The store is opened anew
//! for each look, so that the async runtime never waits for a lock: the
//! looks run on blocking threads.

use std::path::PathBuf;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use chrono_tz::Tz;
use tokio::sync::{Notify, watch};
use tokio::task::{JoinSet, spawn_blocking};
use tokio::time::sleep;

use crate::alert::notice;
use crate::daemon::clock::Clock;
use crate::daemon::keeping::Shared;
use crate::daemon::telling::{self, Telling};
use crate::daemon::watch_states::WatchStates;
use crate::health::{ChannelState, ChannelWord};
use crate::notify::body::{AlertJson, Notice};
use crate::notify::{Channel, in_a_row, retry};
use crate::source::Now;
use crate::store::{Access, AfterFailure, Hour, OutboxRow, Store, StoreError};
use crate::units::Instant;

/// What the heartbeat is called among the channels.
pub(crate) const HEARTBEAT: &str = "heartbeat";
/// Messages taken up at one look.
const MOST_AT_ONCE: u32 = 50;
/// After so many failures in a row the rest of a look is left for the next:
/// the channel does not work.
const ENOUGH_FAILURES: u32 = 3;
/// The senders look at least this often, and at most that often.
const LONGEST_PAUSE: Duration = Duration::from_secs(30);
const SHORTEST_PAUSE: Duration = Duration::from_millis(20);
/// A message that is on its way when the daemon stops may take this long.
const FAREWELL: Duration = Duration::from_secs(3);

/// What the senders need.
pub(crate) struct Outbox {
    pub(crate) data: PathBuf,
    pub(crate) channels: Vec<Channel>,
    /// Those of the channels that are told first.
    pub(crate) first: Vec<String>,
    pub(crate) zone: Tz,
    pub(crate) telling: Telling,
    /// Where the pages are, for those that read a message.
    pub(crate) base_url: Option<String>,
    pub(crate) clock: Clock,
    pub(crate) news: Arc<Notify>,
    /// Who knows what was written.
    pub(crate) shared: Arc<Shared>,
    pub(crate) said: Arc<ChannelsSaid>,
    pub(crate) stop: watch::Receiver<bool>,
}

/// What the channels last said of themselves.
#[derive(Debug, Default)]
pub(crate) struct ChannelsSaid(Mutex<Vec<ChannelWord>>);

impl ChannelsSaid {
    pub(crate) fn words(&self) -> Vec<ChannelWord> {
        self.locked().clone()
    }

    fn locked(&self) -> MutexGuard<'_, Vec<ChannelWord>> {
        // A word is replaced as a whole: it is never half-written.
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn says(&self, word: ChannelWord) {
        let mut words = self.locked();
        match words.iter_mut().find(|known| known.name == word.name) {
            Some(known) => *known = word,
            None => words.push(word),
        }
    }
}

impl Outbox {
    /// Sends until the stop signal; what was not taken stays for later.
    pub(crate) async fn run(mut self) {
        let (ring, rung) = watch::channel(());
        let mut senders = JoinSet::new();
        for sender in self.senders(&rung).await {
            senders.spawn(sender.run());
        }
        for channel in &self.channels {
            let Some(broker) = channel.broker() else { continue };
            let states = WatchStates {
                data: self.data.clone(),
                channel: channel.name.clone(),
                broker: broker.clone(),
                rung: rung.clone(),
                stop: self.stop.clone(),
            };
            senders.spawn(states.run());
        }
        let mut pulse = Pulse::default();
        loop {
            if let Err(error) = self.step().await {
                tracing::warn!(%error, "nothing is told again for now");
            }
            ring.send_replace(());
            self.beat_if_due(&mut pulse);
            tokio::select! {
                () = self.news.notified() => {}
                _ = self.stop.wait_for(|stop| *stop) => break,
            }
        }
        drop(pulse);
        while senders.join_next().await.is_some() {}
    }

    /// Writes what is told again, and the daily message.
    async fn step(&self) -> Result<(), StoreError> {
        let settings = self.telling.settings.clone();
        let (first, zone) = (self.first.clone(), self.zone);
        let now = self.clock.now();
        with_store(self.data.clone(), move |store| {
            telling::step(store, &settings, &first, zone, now)
        })
        .await
    }

    /// Sends a heartbeat on its way when it is time and something was
    /// written since the last.
    fn beat_if_due(&self, pulse: &mut Pulse) {
        let Some(heartbeat) = self.telling.heartbeat.clone() else { return };
        let steady = (self.clock.steady)();
        let writes = self.shared.writes();
        let early =
            pulse.last.is_some_and(|last| steady < last + heartbeat.every);
        while pulse.beating.try_join_next().is_some() {}
        if early || writes == pulse.writes || !pulse.beating.is_empty() {
            return;
        }
        (pulse.last, pulse.writes) = (Some(steady), writes);
        let (data, now) = (self.data.clone(), self.clock.now());
        let said = Arc::clone(&self.said);
        pulse.beating.spawn(async move {
            let known = with_store(data, move |store| {
                let lasting = store.alerts(now)?;
                let open = lasting.iter().filter(|a| a.cleared.is_none());
                let (waiting, given_up) = store.undelivered()?;
                Ok((open.count(), waiting + given_up))
            })
            .await;
            let Ok((alerts, undelivered)) = known else { return };
            let beat = heartbeat.beat(now, alerts, undelivered).await;
            if let Err(why) = &beat {
                tracing::warn!(why, "the heartbeat did not arrive");
            }
            said.says(ChannelWord {
                name: HEARTBEAT.to_owned(),
                state: match beat {
                    Ok(()) => ChannelState::Works,
                    Err(_) => ChannelState::Fails,
                },
                last_taken: beat.is_ok().then_some(now),
                detail: beat.err().unwrap_or_default(),
                failures: 0,
            });
        });
    }

    /// One for each channel, and one for each that messages still wait for
    /// and that is in the settings no more.
    async fn senders(&self, rung: &watch::Receiver<()>) -> Vec<Sender> {
        let sender = |name: &str, channel: Option<Channel>| Sender {
            name: name.to_owned(),
            channel,
            stand_ins: self.stand_ins(name),
            data: self.data.clone(),
            zone: self.zone,
            telling: self.telling.settings.clone(),
            base_url: self.base_url.clone(),
            now: self.clock.wall.clone(),
            rung: rung.clone(),
            said: Arc::clone(&self.said),
            stop: self.stop.clone(),
            failures: 0,
            last_taken: None,
        };
        let mut senders: Vec<Sender> = self
            .channels
            .iter()
            .map(|channel| sender(&channel.name, Some(channel.clone())))
            .collect();
        let undelivered =
            with_store(self.data.clone(), |s| s.undelivered_by_channel()).await;
        for one in undelivered.unwrap_or_default() {
            if !senders.iter().any(|known| known.name == one.channel) {
                senders.push(sender(&one.channel, None));
            }
        }
        senders
    }

    fn stand_ins(&self, name: &str) -> Vec<(String, u32)> {
        self.channels
            .iter()
            .filter_map(|channel| {
                let stand_in = channel.stand_in.as_ref()?;
                (stand_in.of == name)
                    .then(|| (channel.name.clone(), stand_in.after_failures))
            })
            .collect()
    }
}

/// When the heart last beat.
#[derive(Default)]
struct Pulse {
    last: Option<Duration>,
    writes: u64,
    /// The beat that is on its way.
    beating: JoinSet<()>,
}

/// Sends the messages of one channel.
struct Sender {
    name: String,
    /// None when the settings do not name it any more.
    channel: Option<Channel>,
    /// Who stands in for it, after how many failures of a message.
    stand_ins: Vec<(String, u32)>,
    data: PathBuf,
    zone: Tz,
    telling: telling::Settings,
    base_url: Option<String>,
    now: Now,
    rung: watch::Receiver<()>,
    said: Arc<ChannelsSaid>,
    stop: watch::Receiver<bool>,
    /// In a row.
    failures: u32,
    last_taken: Option<Instant>,
}

impl Sender {
    async fn run(mut self) {
        self.try_out().await;
        loop {
            let pause = match self.send_due().await {
                Ok(pause) => pause,
                Err(error) => {
                    tracing::warn!(%error, "the outbox could not be read");
                    LONGEST_PAUSE
                }
            };
            tokio::select! {
                // A dropped ring is a stop as well.
                _ = self.rung.changed() => {}
                () = sleep(pause) => {}
                _ = self.stop.wait_for(|stop| *stop) => return,
            }
            if *self.stop.borrow() {
                return;
            }
        }
    }

    /// Whether it would work now, for `status` and the log.
    async fn try_out(&mut self) {
        let Some(channel) = self.channel.clone() else { return };
        let outcome = tokio::select! {
            outcome = channel.try_out() => outcome,
            _ = self.stop.wait_for(|stop| *stop) => return,
        };
        match outcome {
            Ok(()) => self.say(ChannelState::Works, ""),
            Err(error) => {
                let why = in_a_row(&error);
                tracing::warn!(
                    channel = self.name,
                    why,
                    "this channel does not work; it is tried again with the \
                     next message"
                );
                self.say(ChannelState::Fails, &why);
            }
        }
    }

    fn say(&self, state: ChannelState, detail: &str) {
        self.said.says(ChannelWord {
            name: self.name.clone(),
            state,
            detail: detail.to_owned(),
            failures: self.failures,
            last_taken: self.last_taken,
        });
    }

    /// Sends what is due; gives the pause until the next is.
    async fn send_due(&mut self) -> Result<Duration, StoreError> {
        let (name, now) = (self.name.clone(), (self.now)());
        let (hour, zone) = (self.telling.hour(self.zone, now), self.zone);
        let due = self
            .with_store(move |store| {
                match hour {
                    Hour::Quiet => store.hold_messages(&name, now)?,
                    Hour::Open => end_quiet_hours(store, &name, zone, now)?,
                }
                let longest = retry::LONGEST_WAIT;
                store.due_messages(&name, now, longest, hour, MOST_AT_ONCE)
            })
            .await?;
        let full = due.len() >= usize::try_from(MOST_AT_ONCE).unwrap_or(1);
        let mut failed = 0;
        for message in due {
            if *self.stop.borrow() {
                break;
            }
            let taken = self.send(message).await?;
            failed = if taken { 0 } else { failed + 1 };
            if failed >= ENOUGH_FAILURES {
                let wait = self.telling.try_again.max(0).unsigned_abs();
                let wait = Duration::from_millis(wait);
                return Ok(wait.clamp(SHORTEST_PAUSE, LONGEST_PAUSE));
            }
        }
        if full {
            return Ok(SHORTEST_PAUSE);
        }
        let name = self.name.clone();
        let next = self.with_store(move |store| store.next_due(&name)).await?;
        let wait = match (hour, next) {
            (Hour::Open, Some(at)) => at.millis_since((self.now)()),
            // What is kept back looks due all the time.
            _ => i64::MAX,
        };
        let wait = Duration::from_millis(wait.max(0).unsigned_abs());
        Ok(wait.clamp(SHORTEST_PAUSE, LONGEST_PAUSE))
    }

    /// Sends one message and keeps what came of it; true when it was taken.
    async fn send(&mut self, message: OutboxRow) -> Result<bool, StoreError> {
        let (id, now) = (message.id, (self.now)());
        let attempt =
            self.with_store(move |store| store.try_begins(id, now)).await?;
        let outcome = self.hand_over(&message, attempt).await;
        let now = (self.now)();
        match outcome {
            Outcome::Taken => {
                let woken = self.failures >= ENOUGH_FAILURES;
                self.failures = 0;
                self.last_taken = Some(now);
                self.say(ChannelState::Works, "");
                let name = self.name.clone();
                self.with_store(move |store| {
                    store.message_taken(id, now)?;
                    if woken { store.wake_messages(&name, now) } else { Ok(()) }
                })
                .await?;
                Ok(true)
            }
            Outcome::CutOff => {
                // Whether it was taken is not known: the next start tells it
                // once more, with a higher number.
                self.with_store(move |store| {
                    let why = "the daemon stopped meanwhile";
                    let again = AfterFailure::Again(now);
                    store.message_failed(id, why, now, again, &[])
                })
                .await?;
                Ok(false)
            }
            Outcome::Refused(why) => {
                self.failures = self.failures.saturating_add(1);
                self.say(ChannelState::Fails, &why);
                self.failed(message, attempt, why, now).await?;
                Ok(false)
            }
        }
    }

    async fn failed(
        &self,
        message: OutboxRow,
        attempt: u32,
        why: String,
        now: Instant,
    ) -> Result<(), StoreError> {
        let is_summary_of_dropped = parsed(&message)
            .is_ok_and(|alert| alert.kind() == Some(Notice::Dropped));
        let first_wait = self.telling.try_again;
        let next = retry::next_try(message.written, attempt, now, first_wait);
        let after = match next {
            Some(next) => AfterFailure::Again(next),
            // It is worth telling as long as nobody has been told.
            None if is_summary_of_dropped => {
                AfterFailure::Again(now.plus_millis(retry::LONGEST_WAIT))
            }
            None => AfterFailure::GivenUp,
        };
        tracing::warn!(
            alert = message.alert,
            channel = self.name,
            attempt,
            why,
            given_up = after == AfterFailure::GivenUp,
            "a message was not taken"
        );
        let stand_ins: Vec<String> = self
            .stand_ins
            .iter()
            .filter(|(_, after_failures)| attempt >= *after_failures)
            .map(|(name, _)| name.clone())
            .collect();
        let (name, zone) = (self.name.clone(), self.zone);
        let known = self.channel.is_some();
        self.with_store(move |store| {
            store.message_failed(message.id, &why, now, after, &stand_ins)?;
            if known && after == AfterFailure::GivenUp {
                summarise_dropped(store, &name, zone, now)?;
            }
            Ok(())
        })
        .await
    }

    async fn hand_over(&self, message: &OutboxRow, attempt: u32) -> Outcome {
        let Some(channel) = &self.channel else {
            return Outcome::Refused(format!(
                "there is no channel \"{}\" in the settings any more",
                self.name
            ));
        };
        let mut alert = match parsed(message) {
            Ok(alert) => alert,
            Err(why) => return Outcome::Refused(why),
        };
        alert.attempt = attempt;
        let page = self.page(message);
        let mut stop = self.stop.clone();
        let farewell = async {
            // A dropped sender is a stop as well.
            drop(stop.wait_for(|stop| *stop).await);
            sleep(FAREWELL).await;
        };
        tokio::select! {
            sent = channel.send(&alert, page.as_deref()) => match sent {
                Ok(()) => Outcome::Taken,
                Err(error) => Outcome::Refused(in_a_row(&error)),
            },
            () = farewell => Outcome::CutOff,
        }
    }

    /// The page about the alert of a message.
    fn page(&self, message: &OutboxRow) -> Option<String> {
        let base = self.base_url.as_deref()?.trim_end_matches('/');
        Some(match &message.alert {
            Some(alert) => format!("{base}/alert/{alert}"),
            None => format!("{base}/alerts"),
        })
    }

    async fn with_store<T: Send + 'static>(
        &self,
        work: impl FnOnce(&mut Store) -> Result<T, StoreError> + Send + 'static,
    ) -> Result<T, StoreError> {
        with_store(self.data.clone(), work).await
    }
}

/// Lets go of what was kept back: one message as it is, several in one.
fn end_quiet_hours(
    store: &mut Store,
    channel: &str,
    zone: Tz,
    now: Instant,
) -> Result<(), StoreError> {
    let held = store.held_messages(channel)?;
    let Some(since) = held.first().and_then(|first| first.held) else {
        return Ok(());
    };
    let told: Vec<notice::Held> = held
        .iter()
        .filter_map(|message| {
            let alert = parsed(message).ok()?;
            Some(notice::Held { alert: alert.id, text: alert.text })
        })
        .collect();
    if told.len() < 2 {
        return store.release_messages(channel, None, now);
    }
    let text = notice::summary(&told, since, now, zone);
    let stamp = now.utc().format("%Y%m%dT%H%M%S%.3fZ");
    let about = format!("{channel}-{stamp}");
    let body = AlertJson::notice(Notice::Summary, &about, now, &text).to_line();
    store.release_messages(channel, Some((&body, &held)), now)
}

/// What came of a try.
enum Outcome {
    Taken,
    Refused(String),
    CutOff,
}

fn parsed(message: &OutboxRow) -> Result<AlertJson, String> {
    serde_json::from_str(&message.body)
        .map_err(|error| format!("the message is damaged: {error}"))
}

/// Writes the one message that tells what a channel gave up, or brings the
/// one that waits up to date.
fn summarise_dropped(
    store: &mut Store,
    channel: &str,
    zone: Tz,
    now: Instant,
) -> Result<(), StoreError> {
    let lines: Vec<String> = store
        .given_up(channel)?
        .iter()
        .filter_map(|body| serde_json::from_str::<AlertJson>(body).ok())
        .filter(|alert| alert.kind() != Some(Notice::Dropped))
        .map(|alert| alert.text)
        .collect();
    let text = notice::dropped(channel, &lines, now, zone);
    let stamp = now.utc().format("%Y%m%dT%H%M%S%.3fZ");
    let about = format!("{channel}-{stamp}");
    let notice = AlertJson::notice(Notice::Dropped, &about, now, &text);
    let body = notice.to_line();
    match store.waiting_summary_of_dropped(channel)? {
        Some(id) => store.rewrite_message(id, &body),
        None => store.write_notice(&[channel.to_owned()], &body, now),
    }
}

/// Opens the store on a thread that may wait.
pub(crate) async fn with_store<T: Send + 'static>(
    data: PathBuf,
    work: impl FnOnce(&mut Store) -> Result<T, StoreError> + Send + 'static,
) -> Result<T, StoreError> {
    let done = spawn_blocking(move || {
        let mut store = Store::open(&data, Access::ReadWrite)?;
        work(&mut store)
    });
    done.await.expect("looking into the store does not panic")
}
