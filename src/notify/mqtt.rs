//! Alerts at a broker: each message once; and the state of each watch, kept
//! there for whoever comes later.
//!
//! Never the client that takes readings: a publisher can block its own
//! connection, and with it the acknowledgements. Each visit is a short
//! connection of its own, and what it publishes counts as taken when the
//! broker acknowledged it.

use std::fs;
use std::path::PathBuf;
use std::time::Duration;

use rumqttc::mqttbytes::QoS;
use rumqttc::mqttbytes::v4::Packet;
use rumqttc::{
    AsyncClient, ClientError, ConnectReturnCode, ConnectionError, Event,
    MqttOptions, Outgoing, TlsConfiguration, Transport,
};
use serde::Deserialize;
use tokio::time::timeout;

use crate::notify::body::AlertJson;
use crate::notify::{LONGEST_TIME_OUT_SECS, in_a_row, plain};
use crate::observation::{Name, shown};
use crate::trust::TlsError;
use crate::trust::authority::Authority;
use crate::trust::secret::{Secret, SecretError};

/// How long one message may take unless the settings say otherwise, s.
const TIME_OUT_SECS: u64 = 20;
/// A daily message about many places is the largest, bytes.
const LARGEST_PACKET: usize = 256 * 1024;
/// Every message, not kept by the broker.
pub const ALERTS: &str = "vernalog/host/alerts";
/// The state of each watch, kept: the watch's name follows.
pub const WATCHES: &str = "vernalog/host/watches";
/// The heartbeat, not kept.
pub const HEARTBEAT: &str = "vernalog/host/heartbeat";

/// A `[[channel]]` of kind `mqtt`.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Settings {
    /// Name or address of the broker.
    pub host: String,
    /// Its port; 1883, or 8883 with a `ca_file`, when absent.
    pub port: Option<u16>,
    /// The certificate authority of the broker, PEM; with it the connection
    /// is encrypted.
    pub ca_file: Option<PathBuf>,
    /// The user at the broker.
    pub user: Option<String>,
    /// File that holds the user's password and nothing else.
    pub password_file: Option<PathBuf>,
    /// How long one message may take, s; 20 when absent.
    #[serde(default = "usual_time_out")]
    pub time_out_secs: u64,
    /// What the outbox knows the channel by; `mqtt` when absent.
    pub name: Option<Name>,
    /// The channel for which this one stands in.
    pub stands_in_for: Option<Name>,
    /// After so many failures of the other; 5 when absent.
    pub after_failures: Option<u32>,
}

fn usual_time_out() -> u64 {
    TIME_OUT_SECS
}

/// Why a broker of the settings cannot be used for alerts.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum SettingsError {
    /// No broker.
    #[error("`host` is \"{host}\", which is no name of a broker")]
    Host {
        /// As set.
        host: String,
    },
    /// One without the other.
    #[error(
        "`user` and `password_file` belong together; one of them is missing"
    )]
    HalfALogin,
    /// Too short or too long.
    #[error(
        "`time_out_secs` is {secs}; use 1 to {LONGEST_TIME_OUT_SECS} seconds"
    )]
    TimeOut {
        /// As set.
        secs: u64,
    },
}

/// Why a broker did not take an alert.
#[derive(Debug, thiserror::Error)]
pub enum MqttError {
    /// It cannot be reached, or the way there broke.
    #[error("cannot talk to the broker {server}: {why}")]
    Unreachable {
        /// Name and port.
        server: String,
        /// What was met.
        why: String,
    },
    /// The login was refused.
    #[error(
        "the broker {server} refused the login; see user and password_file \
         of this channel"
    )]
    Login {
        /// Name and port.
        server: String,
    },
    /// It did not acknowledge in time; it may have taken it all the same.
    #[error("the broker {server} did not acknowledge within {secs} s")]
    TimedOut {
        /// Name and port.
        server: String,
        /// The time-out, s.
        secs: u64,
    },
    /// The password cannot be read.
    #[error(transparent)]
    Secret(#[from] SecretError),
    /// The authority's certificate cannot be read.
    #[error(transparent)]
    Trust(#[from] TlsError),
}

/// A broker for alerts, ready to be used.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Mqtt {
    settings: Settings,
}

/// What is published: topic, whether the broker keeps it, bytes.
type Publication = (String, bool, String);

impl Mqtt {
    /// Checks the settings, without looking at file system or network.
    ///
    /// # Errors
    /// [`SettingsError`] when they could never work.
    pub fn new(settings: Settings) -> Result<Self, SettingsError> {
        let host = &settings.host;
        if host.is_empty() || host.contains(['/', ' ', '@']) {
            let host = shown(host);
            return Err(SettingsError::Host { host });
        }
        if settings.user.is_some() != settings.password_file.is_some() {
            return Err(SettingsError::HalfALogin);
        }
        let secs = settings.time_out_secs;
        if !(1..=LONGEST_TIME_OUT_SECS).contains(&secs) {
            return Err(SettingsError::TimeOut { secs });
        }
        Ok(Self { settings })
    }

    /// Whether its files can be read.
    ///
    /// # Errors
    /// [`MqttError::Secret`] or [`MqttError::Trust`].
    pub fn look(&self) -> Result<(), MqttError> {
        self.options("look").map(|_| ())
    }

    /// Connects, logs in and leaves again.
    ///
    /// # Errors
    /// [`MqttError`] as publishing would meet it.
    pub async fn try_out(&self) -> Result<(), MqttError> {
        self.publish("out", Vec::new()).await
    }

    /// Publishes an alert.
    ///
    /// # Errors
    /// [`MqttError`] unless the broker acknowledged it.
    pub async fn send(&self, alert: &AlertJson) -> Result<(), MqttError> {
        let json = alert.to_line().trim_end().to_owned();
        self.publish("out", vec![(ALERTS.to_owned(), false, json)]).await
    }

    /// Has the broker keep these states, each a watch and its JSON; one
    /// without JSON is kept no more.
    ///
    /// # Errors
    /// [`MqttError`] unless the broker acknowledged all of them.
    pub async fn keep(
        &self,
        states: &[(&str, Option<&str>)],
    ) -> Result<(), MqttError> {
        let all = states.iter().map(|(watch, json)| {
            let topic = format!("{WATCHES}/{watch}");
            (topic, true, json.unwrap_or_default().to_owned())
        });
        self.publish("watch", all.collect()).await
    }

    /// The watches of which the broker keeps a state, as far as it lets us
    /// read them.
    ///
    /// # Errors
    /// [`MqttError`].
    pub async fn kept(&self) -> Result<Vec<String>, MqttError> {
        let options = self.options("watch")?;
        let topics = self.in_time(ask(options, format!("{WATCHES}/+"))).await?;
        let watches = topics.iter().filter_map(|topic| {
            Some(topic.strip_prefix(WATCHES)?.strip_prefix('/')?.to_owned())
        });
        Ok(watches.collect())
    }

    /// Says that all is going on.
    ///
    /// # Errors
    /// [`MqttError`] unless the broker acknowledged it.
    pub async fn beat(&self, json: &str) -> Result<(), MqttError> {
        let beat = (HEARTBEAT.to_owned(), false, json.to_owned());
        self.publish("beat", vec![beat]).await
    }

    fn server(&self) -> String {
        format!("{}:{}", self.settings.host, self.port())
    }

    fn port(&self) -> u16 {
        let usual = if self.settings.ca_file.is_some() { 8883 } else { 1883 };
        self.settings.port.unwrap_or(usual)
    }

    fn options(&self, purpose: &str) -> Result<MqttOptions, MqttError> {
        let settings = &self.settings;
        let mut options = MqttOptions::new(
            client_id(purpose),
            settings.host.clone(),
            self.port(),
        );
        options
            .set_keep_alive(Duration::from_secs(30))
            .set_clean_session(true)
            .set_max_packet_size(LARGEST_PACKET, LARGEST_PACKET);
        if let (Some(user), Some(file)) =
            (&settings.user, &settings.password_file)
        {
            let password = Secret::read(file)?;
            options.set_credentials(user.clone(), password.expose());
        }
        if let Some(path) = &settings.ca_file {
            let config =
                TlsConfiguration::Rustls(Authority::read(path)?.client()?);
            options.set_transport(Transport::tls_with_config(config));
        }
        Ok(options)
    }

    async fn publish(
        &self,
        purpose: &str,
        all: Vec<Publication>,
    ) -> Result<(), MqttError> {
        let options = self.options(purpose)?;
        self.in_time(visit(options, all)).await
    }

    async fn in_time<T>(
        &self,
        visit: impl Future<Output = Result<T, Lost>>,
    ) -> Result<T, MqttError> {
        let secs = self.settings.time_out_secs;
        match timeout(Duration::from_secs(secs), visit).await {
            Ok(done) => done.map_err(|lost| self.met(&lost)),
            Err(_) => Err(MqttError::TimedOut { server: self.server(), secs }),
        }
    }

    fn met(&self, lost: &Lost) -> MqttError {
        let server = self.server();
        let unreachable = |why: String| MqttError::Unreachable {
            server: server.clone(),
            why: plain(&why),
        };
        match lost {
            Lost::Connection(ConnectionError::ConnectionRefused(
                ConnectReturnCode::BadUserNamePassword
                | ConnectReturnCode::NotAuthorized,
            )) => MqttError::Login { server },
            Lost::Connection(error) => unreachable(in_a_row(error)),
            Lost::Client(error) => unreachable(in_a_row(error)),
        }
    }
}

/// Why a visit at the broker ended early.
enum Lost {
    Connection(ConnectionError),
    Client(ClientError),
}

/// Connects, publishes, waits for every acknowledgement, says goodbye.
async fn visit(
    options: MqttOptions,
    all: Vec<Publication>,
) -> Result<(), Lost> {
    let (client, mut event_loop) = AsyncClient::new(options, all.len() + 2);
    let mut open = all.len();
    for (topic, kept, bytes) in all {
        client
            .try_publish(topic, QoS::AtLeastOnce, kept, bytes)
            .map_err(Lost::Client)?;
    }
    loop {
        match event_loop.poll().await.map_err(Lost::Connection)? {
            Event::Incoming(Packet::ConnAck(_)) if open == 0 => {
                client.try_disconnect().map_err(Lost::Client)?;
            }
            Event::Incoming(Packet::PubAck(_)) => {
                open = open.saturating_sub(1);
                if open == 0 {
                    client.try_disconnect().map_err(Lost::Client)?;
                }
            }
            Event::Outgoing(Outgoing::Disconnect) => return Ok(()),
            _ => {}
        }
    }
}

/// Connects, asks what is kept under a filter, says goodbye. What is kept is
/// handed over before the answer to the second request (seen with mosquitto;
/// a broker that does otherwise only tells less).
async fn ask(
    options: MqttOptions,
    filter: String,
) -> Result<Vec<String>, Lost> {
    let (client, mut event_loop) = AsyncClient::new(options, 4);
    client
        .try_subscribe(filter.clone(), QoS::AtMostOnce)
        .and_then(|()| client.try_unsubscribe(filter))
        .map_err(Lost::Client)?;
    let mut topics = Vec::new();
    loop {
        match event_loop.poll().await.map_err(Lost::Connection)? {
            Event::Incoming(Packet::Publish(kept)) if kept.retain => {
                topics.push(kept.topic);
            }
            Event::Incoming(Packet::UnsubAck(_)) => {
                client.try_disconnect().map_err(Lost::Client)?;
            }
            Event::Outgoing(Outgoing::Disconnect) => return Ok(topics),
            _ => {}
        }
    }
}

/// Another one than that of the client that takes readings; at most 23
/// letters, which every broker must take (MQTT-3.1.3-5, from memory).
fn client_id(purpose: &str) -> String {
    let host = fs::read_to_string("/proc/sys/kernel/hostname")
        .unwrap_or_else(|_| "home".to_owned());
    let host = host.chars().filter(char::is_ascii_alphanumeric);
    format!("vernalog{purpose}").chars().chain(host).take(23).collect()
}

/// Files named in the settings, to be meant from their folder.
pub(crate) fn files(settings: &mut Settings) -> Vec<&mut PathBuf> {
    [&mut settings.password_file, &mut settings.ca_file]
        .into_iter()
        .flatten()
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn new(text: &str) -> Result<Mqtt, SettingsError> {
        Mqtt::new(toml::from_str(text).unwrap())
    }

    #[test]
    fn a_broker_needs_no_more_than_its_host() {
        assert_eq!(new("host = \"seedbox\"").unwrap().port(), 1883);
        let own = "host = \"seedbox\"\nca_file = \"ca.pem\"";
        assert_eq!(new(own).unwrap().port(), 8883);
        let error = new("host = \"mqtt://seedbox\"").unwrap_err();
        assert!(error.to_string().contains("no name of a broker"));
        let error = new("host = \"seedbox\"\nuser = \"a\"").unwrap_err();
        assert_eq!(error, SettingsError::HalfALogin);
    }

    #[test]
    fn its_identifier_is_not_that_of_the_client_that_takes_readings() {
        let id = client_id("out");
        assert!(id.starts_with("vernalogout") && id.len() <= 23, "{id}");
        assert_ne!(id, client_id("beat"));
    }
}
