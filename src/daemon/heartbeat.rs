//! The outgoing heartbeat: a sign of life for somebody elsewhere, who then
//! notices when it stays away.
//!
//! It goes out only after something was written to the data file since the
//! last one: a daemon that runs and stores nothing is not alive.

use std::path::{Path, PathBuf};
use std::time::Duration;

use serde::Deserialize;

use crate::daemon::telling::length;
use crate::notify::webhook::{self, Method, Webhook};
use crate::notify::{Channel, in_a_row};
use crate::observation::Name;
use crate::units::Instant;

/// How often, unless the settings say otherwise, ms.
const EVERY: i64 = 5 * 60_000;
/// The daemon writes at least each half minute; more often says nothing, ms.
const SHORTEST: i64 = 30_000;

/// The section `[heartbeat]`.
#[derive(Clone, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Settings {
    /// How often, ms.
    #[serde(default = "every", deserialize_with = "length")]
    pub every: i64,
    /// Where to, http or https.
    pub url: Option<String>,
    /// Instead: a file with the address.
    pub url_file: Option<PathBuf>,
    /// `get` or `post`; `get` when absent.
    #[serde(default)]
    pub method: Word,
    /// A certificate authority of the home's own, PEM.
    pub ca_file: Option<PathBuf>,
    /// Instead of an address: the name of a channel of kind `mqtt`.
    pub channel: Option<Name>,
}

/// An address may be a secret, so it is not shown.
impl std::fmt::Debug for Settings {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("heartbeat::Settings")
            .field("every", &self.every)
            .finish_non_exhaustive()
    }
}

fn every() -> i64 {
    EVERY
}

/// How the address is asked.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Word {
    /// Without a body.
    #[default]
    Get,
    /// With a small JSON.
    Post,
}

/// A heartbeat, ready to go out.
#[derive(Debug, Clone, PartialEq)]
pub struct Heartbeat {
    pub(crate) every: Duration,
    way: Way,
}

#[derive(Debug, Clone, PartialEq)]
enum Way {
    Web(Webhook, Method),
    Broker(Box<Channel>),
}

impl Settings {
    /// Understands the section, with the channels there are. Files are meant
    /// as `meant` says.
    ///
    /// # Errors
    /// A sentence that says what to write.
    pub fn understood(
        self,
        channels: &[Channel],
        meant: impl Fn(&Path) -> PathBuf,
    ) -> Result<Heartbeat, String> {
        if self.every < SHORTEST {
            return Err("every is shorter than 30 seconds".to_owned());
        }
        let every = Duration::from_millis(self.every.unsigned_abs());
        let way = match self.channel {
            Some(_) if self.url.is_some() || self.url_file.is_some() => {
                return Err("give either a channel or an address".to_owned());
            }
            Some(name) => channels
                .iter()
                .find(|channel| channel.name == name.as_str())
                .filter(|channel| channel.broker().is_some())
                .map(|channel| Way::Broker(Box::new(channel.clone())))
                .ok_or_else(|| {
                    format!("no channel of kind \"mqtt\" is called \"{name}\"")
                })?,
            None => {
                let method = match self.method {
                    Word::Get => Method::Get,
                    Word::Post => Method::Post,
                };
                let settings = webhook::Settings {
                    url: self.url,
                    url_file: self.url_file.as_deref().map(&meant),
                    ca_file: self.ca_file.as_deref().map(&meant),
                    ..webhook::Settings::default()
                };
                let webhook =
                    Webhook::new(settings).map_err(|error| in_a_row(&error))?;
                Way::Web(webhook, method)
            }
        };
        Ok(Heartbeat { every, way })
    }
}

impl Heartbeat {
    /// Sends one.
    ///
    /// # Errors
    /// Why it did not arrive, without any secret.
    pub(crate) async fn beat(
        &self,
        now: Instant,
        alerts: usize,
        undelivered: u64,
    ) -> Result<(), String> {
        let json = serde_json::json!({
            "format": "vernalog-heartbeat/1",
            "at": now,
            "alerts": alerts,
            "undelivered": undelivered,
        })
        .to_string();
        match &self.way {
            Way::Web(webhook, method) => webhook
                .send(*method, &json)
                .await
                .map_err(|error| in_a_row(&error)),
            Way::Broker(channel) => match channel.broker() {
                Some(broker) => {
                    broker.beat(&json).await.map_err(|e| in_a_row(&e))
                }
                None => Err("the channel is no broker".to_owned()),
            },
        }
    }
}
