//! A short look at a broker: whether it takes us, what it would give us,
//! and whom else it lets in.
//!
//! It uses a session of its own, which ends with it: nothing that waits for
//! the daemon is taken or acknowledged, and nothing is published.

use std::time::Duration;

use rumqttc::mqttbytes::QoS;
use rumqttc::mqttbytes::v4::{Packet, Publish, SubscribeFilter};
use rumqttc::{AsyncClient, Event, EventLoop, SubscribeReasonCode};
use tokio::time::{Instant, timeout_at};

use crate::decode::Mapping;
use crate::source::Now;
use crate::source::broker::{ANSWER, Lost, Settings, Subscriber, prepare};

/// How long retained messages and the broker's own figures are waited for.
const LISTEN: Duration = Duration::from_secs(2);
/// Where a broker tells how many messages it dropped (a custom of brokers,
/// not part of the standard).
const DROPPED: &str = "$SYS/broker/publish/messages/dropped";

/// What was seen.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct BrokerLook {
    /// Filters of ours that it refused.
    pub refused: Vec<String>,
    /// Topics of ours that hold a retained message: no reading is taken
    /// from them.
    pub retained: Vec<String>,
    /// Messages it dropped since its start, if it says so.
    pub dropped: Option<u64>,
    /// It also takes somebody who gives no name.
    pub takes_anybody: bool,
}

/// Looks at the broker of these settings.
///
/// # Errors
/// A sentence that says why it could not be reached or does not take us.
pub async fn look(
    settings: &Settings,
    mappings: &[Mapping],
    now: &Now,
) -> Result<BrokerLook, String> {
    let subscriber = prepare(settings).map_err(|error| error.to_string())?;
    let mut seen =
        listen(&subscriber, &settings.filters(mappings), now).await?;
    if settings.user.is_some() {
        let mut nobody = settings.clone();
        (nobody.user, nobody.password_file) = (None, None);
        if let Ok(nobody) = prepare(&nobody) {
            seen.takes_anybody = connect(&nobody, now).await.is_ok();
        }
    }
    Ok(seen)
}

async fn connect(
    subscriber: &Subscriber,
    now: &Now,
) -> Result<(AsyncClient, EventLoop), String> {
    let name = format!("vernaloglook{}", std::process::id());
    let mut options = subscriber.options(name, now).map_err(Lost::in_words)?;
    options.set_clean_session(true).set_manual_acks(false);
    let (client, mut event_loop) = AsyncClient::new(options, 4);
    event_loop.network_options.set_connection_timeout(ANSWER.as_secs());
    match timeout_at(Instant::now() + ANSWER, event_loop.poll()).await {
        Err(_) => Err(format!("no answer within {} s", ANSWER.as_secs())),
        Ok(Err(error)) => Err(subscriber.reason(error).in_words()),
        Ok(Ok(_)) => Ok((client, event_loop)),
    }
}

async fn listen(
    subscriber: &Subscriber,
    filters: &[String],
    now: &Now,
) -> Result<BrokerLook, String> {
    let (client, mut event_loop) = connect(subscriber, now).await?;
    let wanted: Vec<&str> =
        filters.iter().map(String::as_str).chain([DROPPED]).collect();
    let subscription = wanted
        .iter()
        .map(|path| SubscribeFilter::new((*path).to_owned(), QoS::AtMostOnce));
    client
        .try_subscribe_many(subscription)
        .map_err(|_| "the subscription could not be sent".to_owned())?;
    let mut seen = BrokerLook::default();
    let mut until = Instant::now() + ANSWER;
    let mut answered = false;
    while let Ok(event) = timeout_at(until, event_loop.poll()).await {
        match event.map_err(|error| subscriber.reason(error).in_words())? {
            Event::Incoming(Packet::SubAck(answer)) => {
                answered = true;
                until = Instant::now() + LISTEN;
                let codes = answer.return_codes.iter().zip(filters);
                let refused = codes
                    .filter(|(code, _)| **code == SubscribeReasonCode::Failure);
                seen.refused = refused.map(|(_, f)| f.clone()).collect();
            }
            Event::Incoming(Packet::Publish(publish)) => seen.take(&publish),
            _ => {}
        }
    }
    // The broker forgets the session when we are gone.
    if answered {
        Ok(seen)
    } else {
        Err("the broker does not answer the subscription".to_owned())
    }
}

impl BrokerLook {
    fn take(&mut self, publish: &Publish) {
        if publish.topic == DROPPED {
            let text = String::from_utf8_lossy(&publish.payload);
            self.dropped = text.trim().parse().ok();
        } else if publish.retain && !self.retained.contains(&publish.topic) {
            self.retained.push(publish.topic.clone());
        }
    }
}
