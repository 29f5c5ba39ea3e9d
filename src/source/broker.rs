//! The daemon as a subscriber of a broker that the home has already.
//!
//! Not a publisher: alerts leave by a client of their own, because a
//! publisher can block its connection and with it the acknowledgements.
//!
//! The session is kept by the broker under a fixed client identifier; what
//! is not acknowledged is sent again. Each connection gets a new client and
//! a new list of unconfirmed packets, so no acknowledgement crosses from one
//! connection to the next. Acknowledgements do not travel through rumqttc's
//! request channel (which closes while publishes are in flight and costs a
//! system call each): they are written to the connection in one go, between
//! two polls. The poll of rumqttc 0.25.1 may be dropped at any await without
//! loss: read bytes stay in its frame buffer, read packets in its event
//! queue.

mod look;

mod settings;

use std::sync::Arc;
use std::time::Duration;

use rumqttc::mqttbytes::v4::{Packet, PubAck, Publish, SubscribeFilter};
use rumqttc::mqttbytes::{self, QoS};
use rumqttc::{
    AsyncClient, ConnectReturnCode, ConnectionError, Event, EventLoop,
    MqttOptions, StateError, SubAck, SubscribeReasonCode, TlsConfiguration,
    Transport,
};
use tokio::sync::mpsc::error::TrySendError;
use tokio::time::{Instant, sleep, sleep_until, timeout, timeout_at};

use crate::decode::MOST_BYTES;
use crate::source::delivery::{Delivery, SourceName, Unconfirmed, weight};
use crate::source::health::{SourceHealth, SourceState};
use crate::source::patience::Patience;
use crate::source::topic::{self, Route};
use crate::source::{Feed, Now, stopped};
use crate::trust;
use crate::trust::authority::Authority;
use crate::trust::secret::Secret;

pub use look::{BrokerLook, look};
pub use settings::{BrokerError, Settings};

/// Far above the 64 KiB of the wire contract: a message above this limit
/// cannot be refused, it breaks the connection and comes again for ever.
const LARGEST_PACKET: usize = 1024 * 1024;
/// Time for TCP, CONNECT and CONNACK, and for SUBSCRIBE and SUBACK.
const ANSWER: Duration = Duration::from_secs(10);
/// Time for the last acknowledgements when the daemon stops.
const FAREWELL: Duration = Duration::from_secs(5);
/// The backlog is over when nothing came for this long …
const QUIET: Duration = Duration::from_secs(2);
/// … and the broker has had this long to react to our acknowledgements.
const REACTION: Duration = Duration::from_millis(500);
/// A connection this short, several times in a row, looks like another
/// program with the same client identifier.
const SHORT: Duration = Duration::from_secs(10);

/// A subscriber that is not connected yet.
#[derive(Debug)]
pub struct Subscriber {
    settings: Settings,
    password: Option<Secret>,
    authority: Option<Authority>,
    health: Arc<SourceHealth>,
}

/// Checks the settings and reads the files they name.
///
/// # Errors
/// [`BrokerError`] when a file cannot be used or a topic is no filter.
pub fn prepare(settings: &Settings) -> Result<Subscriber, BrokerError> {
    settings.check()?;
    let password = settings.password()?;
    let authority = settings.authority()?;
    let name = format!("broker {}:{}", settings.host, settings.port);
    Ok(Subscriber {
        settings: settings.clone(),
        password,
        authority,
        health: Arc::new(SourceHealth::new(SourceName::new(&name))),
    })
}

/// Why a connection ended.
#[derive(Debug)]
enum Lost {
    Stopped,
    QueueFull,
    NotStored,
    Stalled,
    NoSubAck,
    TooLarge(usize),
    Refused(String),
    Broken(String),
}

impl Lost {
    /// The reason in a sentence.
    fn in_words(self) -> String {
        match self {
            Self::Refused(why) | Self::Broken(why) => why,
            lost => format!("the connection ended ({lost:?})"),
        }
    }
}

impl Subscriber {
    /// What the subscriber says of itself.
    #[must_use]
    pub fn health(&self) -> Arc<SourceHealth> {
        Arc::clone(&self.health)
    }

    /// Connects, subscribes and delivers until the stop signal; comes back
    /// after every trouble.
    pub async fn run(self, feed: Feed) {
        let longest = Duration::from_secs(60);
        let mut patience = Patience::new(Duration::from_secs(1), longest);
        let mut stop = feed.stop.clone();
        let mut short_lives = 0_u32;
        let filters = self.settings.filters(&feed.mappings);
        self.health.is_now(SourceState::Connecting, "");
        loop {
            let (lost, lived) =
                Visit::new(&self, &feed, &filters).attend().await;
            let alive = !lived.is_zero();
            short_lives =
                if alive && lived < SHORT { short_lives + 1 } else { 0 };
            if self.tell(&lost, short_lives) {
                return;
            }
            let pause = async {
                match lost {
                    Lost::QueueFull => emptier(&feed).await,
                    _ => sleep(patience.wait(lived)).await,
                }
            };
            tokio::select! {
                () = pause => {}
                () = stopped(&mut stop) => {
                    self.health.is_now(SourceState::Stopped, "");
                    return;
                }
            }
        }
    }

    /// Says why the connection ended; true when it was the end of all.
    fn tell(&self, lost: &Lost, short_lives: u32) -> bool {
        let (state, count, detail) = match lost {
            Lost::Stopped => {
                self.health.is_now(SourceState::Stopped, "");
                return true;
            }
            Lost::QueueFull => (
                SourceState::Waiting,
                "queue full",
                "readings come faster than they can be stored".to_owned(),
            ),
            Lost::NotStored => (
                SourceState::Waiting,
                "not stored",
                "a message could not be stored; the broker keeps it".to_owned(),
            ),
            Lost::Stalled => (
                SourceState::Waiting,
                "stalled",
                "the broker went silent".to_owned(),
            ),
            Lost::NoSubAck => (
                SourceState::Waiting,
                "subscription unanswered",
                "the broker did not answer the subscription".to_owned(),
            ),
            Lost::TooLarge(bytes) => (
                SourceState::Refused,
                "packet too large",
                format!(
                    "a message of {bytes} bytes blocks the queue at the \
                     broker; set message_size_limit there (65536 is enough) \
                     and remove that message"
                ),
            ),
            Lost::Refused(why) => {
                (SourceState::Refused, "refused", why.clone())
            }
            Lost::Broken(why) => {
                (SourceState::Waiting, "connection lost", why.clone())
            }
        };
        let hint = if short_lives >= 3 && matches!(lost, Lost::Broken(_)) {
            format!(
                "; another program may use the client identifier \"{}\"",
                self.settings.client_id()
            )
        } else {
            String::new()
        };
        self.health.count(count);
        self.health.is_now(state, detail + &hint);
        false
    }

    fn options(
        &self,
        client_id: String,
        now: &Now,
    ) -> Result<MqttOptions, Lost> {
        let settings = &self.settings;
        let mut options =
            MqttOptions::new(client_id, settings.host.clone(), settings.port);
        options
            .set_keep_alive(settings.keep_alive())
            .set_clean_session(false)
            .set_manual_acks(true)
            .set_max_packet_size(LARGEST_PACKET, LARGEST_PACKET);
        if let Some(user) = &settings.user {
            let password = self.password.as_ref().map_or("", Secret::expose);
            options.set_credentials(user.clone(), password);
        }
        if let Some(authority) = &self.authority {
            let client = authority
                .client_at(now.clone())
                .map_err(|error| Lost::Refused(error.to_string()))?;
            let tls = TlsConfiguration::Rustls(client);
            options.set_transport(Transport::tls_with_config(tls));
        }
        Ok(options)
    }
}

/// Returns when the writer's queue is half empty: coming back earlier would
/// only fill it again. No connection is open meanwhile.
async fn emptier(feed: &Feed) {
    let queue = &feed.deliveries;
    while queue.capacity() * 2 < queue.max_capacity()
        || !feed.room.is_half_empty()
    {
        sleep(Duration::from_millis(50)).await;
    }
}

/// One connection.
struct Visit<'a> {
    subscriber: &'a Subscriber,
    feed: &'a Feed,
    filters: &'a [String],
    unconfirmed: Arc<Unconfirmed>,
    subscribed: bool,
    steady: bool,
    last_message: Instant,
    last_acknowledgement: Instant,
}

impl<'a> Visit<'a> {
    fn new(
        subscriber: &'a Subscriber,
        feed: &'a Feed,
        filters: &'a [String],
    ) -> Self {
        Self {
            subscriber,
            feed,
            filters,
            unconfirmed: Arc::default(),
            subscribed: false,
            steady: false,
            last_message: Instant::now(),
            last_acknowledgement: Instant::now(),
        }
    }

    /// Returns why the connection ended and how long it lived.
    async fn attend(mut self) -> (Lost, Duration) {
        let id = self.subscriber.settings.client_id();
        let options = match self.subscriber.options(id, &self.feed.now) {
            Ok(options) => options,
            Err(lost) => return (lost, Duration::ZERO),
        };
        let (client, mut event_loop) = AsyncClient::new(options, 4);
        event_loop.network_options.set_connection_timeout(ANSWER.as_secs());
        event_loop.network_options.set_tcp_nodelay(true);
        let mut stop = self.feed.stop.clone();
        let first = tokio::select! {
            first = event_loop.poll() => first,
            () = stopped(&mut stop) => return (Lost::Stopped, Duration::ZERO),
        };
        if let Err(error) = first {
            return (self.subscriber.reason(error), Duration::ZERO);
        }
        let begin = Instant::now();
        (self.last_message, self.last_acknowledgement) = (begin, begin);
        self.subscriber.health.is_now(SourceState::NotSubscribed, "");
        let filters = self
            .filters
            .iter()
            .map(|path| SubscribeFilter::new(path.clone(), QoS::AtLeastOnce));
        // Also when the broker says that it knows the session: the last
        // subscription may have been lost on the way.
        if client.try_subscribe_many(filters).is_err() {
            let why = "the subscription could not be sent".to_owned();
            return (Lost::Broken(why), begin.elapsed());
        }
        let lost = self.listen(&mut event_loop).await;
        (lost, begin.elapsed())
    }

    async fn listen(&mut self, event_loop: &mut EventLoop) -> Lost {
        let mut stop = self.feed.stop.clone();
        // rumqttc notices an unanswered ping itself; this is for the case
        // that it does not.
        let patience = self.subscriber.settings.keep_alive() * 5 / 2;
        let mut deadline = Instant::now() + ANSWER;
        let mut confirmed = Vec::new();
        loop {
            if let Err(lost) =
                self.acknowledge(event_loop, &mut confirmed).await
            {
                return lost;
            }
            if self.unconfirmed.given_up() {
                return Lost::NotStored;
            }
            let open = !self.unconfirmed.is_full();
            tokio::select! {
                event = event_loop.poll(), if open => {
                    match event {
                        Ok(Event::Incoming(packet)) => {
                            if let Err(lost) = self.packet(packet) {
                                return lost;
                            }
                            if self.subscribed {
                                deadline = Instant::now() + patience;
                            }
                        }
                        Ok(Event::Outgoing(_)) => {}
                        Err(error) => return self.subscriber.reason(error),
                    }
                }
                () = self.unconfirmed.news() => {
                    if !open && self.subscribed {
                        deadline = Instant::now() + patience;
                    }
                }
                () = sleep_until(deadline), if open => {
                    return if self.subscribed {
                        Lost::Stalled
                    } else {
                        Lost::NoSubAck
                    };
                }
                () = stopped(&mut stop) => {
                    return self.see_off(event_loop).await;
                }
            }
        }
    }

    fn packet(&mut self, packet: Packet) -> Result<(), Lost> {
        match packet {
            Packet::Publish(publish) => self.publish(publish),
            Packet::SubAck(answer) => self.sub_ack(&answer),
            _ => Ok(()),
        }
    }

    fn sub_ack(&mut self, answer: &SubAck) -> Result<(), Lost> {
        let failed = answer
            .return_codes
            .iter()
            .zip(self.filters)
            .find(|(code, _)| **code == SubscribeReasonCode::Failure);
        if let Some((_, filter)) = failed {
            return Err(Lost::Refused(format!(
                "the broker refused the subscription to \"{filter}\"; allow \
                 it for this user in the broker's access list"
            )));
        }
        self.subscribed = true;
        let detail = format!("to {}", self.filters.join(", "));
        self.subscriber.health.is_now(SourceState::Subscribed, detail);
        Ok(())
    }

    fn publish(&mut self, publish: Publish) -> Result<(), Lost> {
        let health = &self.subscriber.health;
        let id = match publish.qos {
            QoS::AtMostOnce => None,
            _ => Some(publish.pkid),
        };
        let steady = self.is_steady();
        let route = topic::route(&publish.topic, &self.feed.mappings);
        let ignored = match route {
            // What the broker retained may be days old and looks new.
            _ if publish.retain => Some("retained messages"),
            Route::Status(_) => Some("status messages"),
            Route::Ours => Some("own messages"),
            _ => None,
        };
        if let Some(what) = ignored {
            health.count(what);
            self.unconfirmed.register(id, 1).confirm();
            return Ok(());
        }
        let place = match self.feed.deliveries.try_reserve() {
            Ok(place) => place,
            Err(TrySendError::Full(())) => return Err(Lost::QueueFull),
            Err(TrySendError::Closed(())) => return Err(Lost::Stopped),
        };
        let received = (self.feed.now)();
        let content = route.decode(&publish.topic, received, &publish.payload);
        let n_bytes = publish.topic.len() + publish.payload.len();
        let weight = weight(&content, n_bytes);
        let room = self.feed.room.take(weight).ok_or(Lost::QueueFull)?;
        if content.is_err() {
            health.count("refused messages");
        }
        let kept = match publish.payload.len() {
            length if length > MOST_BYTES => &publish.payload[..512],
            _ => &publish.payload[..],
        };
        place.send(Delivery {
            source: health.name().clone(),
            received,
            steady,
            topic: Some(publish.topic),
            dup: publish.dup,
            bytes: kept.to_vec(),
            content,
            receipt: self.unconfirmed.register(id, weight),
            room,
        });
        health.delivered_one();
        Ok(())
    }

    /// Whether the message that has just arrived came live. While a backlog
    /// is drained the broker answers our acknowledgements with more at once;
    /// so it is over when a while passes with nothing in flight.
    fn is_steady(&mut self) -> bool {
        let now = Instant::now();
        if !self.steady {
            self.steady = self.unconfirmed.len() == 0
                && now - self.last_message >= QUIET
                && now - self.last_acknowledgement >= REACTION;
        }
        self.last_message = now;
        self.steady
    }

    /// Writes the acknowledgements of what was confirmed, in one go.
    async fn acknowledge(
        &mut self,
        event_loop: &mut EventLoop,
        confirmed: &mut Vec<u16>,
    ) -> Result<(), Lost> {
        self.unconfirmed.take_confirmed(confirmed);
        if confirmed.is_empty() {
            return Ok(());
        }
        self.last_acknowledgement = Instant::now();
        let Some(network) = event_loop.network.as_mut() else {
            return Err(Lost::Broken("the connection is gone".to_owned()));
        };
        let writing = async {
            for id in confirmed.drain(..) {
                network.write(Packet::PubAck(PubAck::new(id))).await?;
            }
            network.flush().await
        };
        match timeout(ANSWER, writing).await {
            Ok(Ok(())) => Ok(()),
            Ok(Err(error)) => Err(Lost::Broken(error.to_string())),
            Err(_) => Err(Lost::Stalled),
        }
    }

    /// Sends the acknowledgements of what the writer still stores, then
    /// says goodbye.
    async fn see_off(&mut self, event_loop: &mut EventLoop) -> Lost {
        let end = Instant::now() + FAREWELL;
        let mut confirmed = Vec::new();
        loop {
            if self.acknowledge(event_loop, &mut confirmed).await.is_err() {
                return Lost::Stopped;
            }
            let done =
                self.unconfirmed.len() == 0 || self.unconfirmed.given_up();
            let news = self.unconfirmed.news();
            if done || timeout_at(end, news).await.is_err() {
                break;
            }
        }
        if let Some(network) = event_loop.network.as_mut() {
            let goodbye = async {
                network.write(Packet::Disconnect).await?;
                network.flush().await?;
                // The broker closes. Closing first, with something of its
                // not read, would reset the connection, and it could lose
                // the acknowledgements.
                loop {
                    network.read().await?;
                }
            };
            // A broker that is gone cannot be told.
            let told: Result<Result<(), StateError>, _> =
                timeout_at(end, goodbye).await;
            drop(told);
        }
        Lost::Stopped
    }
}

impl Subscriber {
    fn reason(&self, error: ConnectionError) -> Lost {
        use mqttbytes::Error::PayloadSizeLimitExceeded;
        let settings = &self.settings;
        let place = format!("{}:{}", settings.host, settings.port);
        match error {
            ConnectionError::MqttState(StateError::Deserialization(
                PayloadSizeLimitExceeded(bytes),
            )) => Lost::TooLarge(bytes),
            ConnectionError::ConnectionRefused(
                ConnectReturnCode::BadUserNamePassword
                | ConnectReturnCode::NotAuthorized,
            ) => Lost::Refused(match &settings.user {
                Some(user) => format!(
                    "the broker {place} refused user \"{user}\"; check user \
                     and password_file"
                ),
                None => format!(
                    "the broker {place} wants a login; set user and \
                     password_file"
                ),
            }),
            ConnectionError::ConnectionRefused(code) => Lost::Refused(format!(
                "the broker {place} refused the connection ({code:?})"
            )),
            ConnectionError::MqttState(StateError::AwaitPingResp) => {
                Lost::Stalled
            }
            ConnectionError::Tls(error) => self.without_tls(&place, &error),
            ConnectionError::NetworkTimeout => Lost::Broken(format!(
                "the broker {place} did not answer within {} s",
                ANSWER.as_secs()
            )),
            other if settings.port == 8883 && settings.ca_file.is_none() => {
                Lost::Broken(format!(
                    "broker {place}: {other}; port 8883 mostly wants TLS: \
                     set ca_file"
                ))
            }
            other => Lost::Broken(format!("broker {place}: {other}")),
        }
    }

    fn without_tls(&self, place: &str, error: &rumqttc::TlsError) -> Lost {
        use rumqttc::TlsError as T;
        let Some(authority) = &self.authority else {
            return Lost::Broken(format!("broker {place}: {error}"));
        };
        let cause = match error {
            T::TLS(cause) => Some(cause),
            T::Io(error) => trust::inside(error),
            _ => None,
        };
        match (cause, error) {
            (Some(cause), _) => Lost::Refused(authority.told(place, cause)),
            (None, T::DNSName(_)) => Lost::Refused(format!(
                "\"{}\" is neither a name nor an address that a \
                 certificate could be checked for",
                self.settings.host
            )),
            (None, other) => {
                Lost::Broken(format!("TLS with broker {place}: {other}"))
            }
        }
    }
}

#[cfg(test)]
#[path = "broker/tests.rs"]
mod tests;
