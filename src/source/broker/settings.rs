//! The `[[broker]]` part of the settings.
//!
//! Not the connection: what can be checked before anything is opened.

use std::fs;
use std::path::PathBuf;
use std::time::Duration;

use rumqttc::mqttbytes::valid_filter;
use serde::Deserialize;

use crate::decode::Mapping;
use crate::trust::TlsError;
use crate::trust::authority::Authority;
use crate::trust::secret::{Secret, SecretError};

/// One broker to subscribe at.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Settings {
    /// Name or address of the broker.
    pub host: String,
    /// Its port.
    #[serde(default = "port")]
    pub port: u16,
    /// User at the broker.
    pub user: Option<String>,
    /// File that holds the user's password and nothing else.
    pub password_file: Option<PathBuf>,
    /// Topic filters to subscribe to; those of the mappings are added.
    #[serde(default = "topics")]
    pub topics: Vec<String>,
    /// The name under which the broker keeps our session; the host's name
    /// by default.
    pub client_id: Option<String>,
    /// How often the connection is probed, seconds.
    #[serde(default = "keep_alive_secs")]
    pub keep_alive_secs: u16,
    /// Certificates of the authorities that vouch for the broker, PEM; with
    /// it the connection is TLS, mostly on port 8883.
    pub ca_file: Option<PathBuf>,
}

fn port() -> u16 {
    1883
}

fn topics() -> Vec<String> {
    vec!["vernalog/+/readings".to_owned()]
}

fn keep_alive_secs() -> u16 {
    30
}

/// Why the settings of a broker cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum BrokerError {
    /// The password file cannot be read.
    #[error("cannot read the password file {} of broker {host}", path.display())]
    PasswordFile {
        /// The broker.
        host: String,
        /// The file.
        path: PathBuf,
        /// What is wrong with it.
        source: SecretError,
    },
    /// The authorities' file cannot be used.
    #[error("no TLS with broker {host}: {source}")]
    Tls {
        /// The broker.
        host: String,
        /// What is wrong with it.
        source: TlsError,
    },
    /// A password without a user.
    #[error("broker {host} has a password_file but no user")]
    PasswordWithoutUser {
        /// The broker.
        host: String,
    },
    /// No topics at all.
    #[error("broker {host} has an empty list of topics")]
    NoTopics {
        /// The broker.
        host: String,
    },
    /// A topic filter breaks the rules of MQTT.
    #[error("\"{filter}\" is no topic filter (broker {host})")]
    Filter {
        /// The broker.
        host: String,
        /// What was given.
        filter: String,
    },
    /// A keep-alive that the connection cannot work with.
    #[error("keep_alive_secs {secs} of broker {host} is outside 5–600")]
    KeepAlive {
        /// The broker.
        host: String,
        /// What was given.
        secs: u16,
    },
}

impl Settings {
    /// The settings of a broker at this address, all else by default.
    #[must_use]
    pub fn at(host: &str, port: u16) -> Self {
        Self {
            host: host.to_owned(),
            port,
            user: None,
            password_file: None,
            topics: topics(),
            client_id: None,
            keep_alive_secs: keep_alive_secs(),
            ca_file: None,
        }
    }

    pub(crate) fn check(&self) -> Result<(), BrokerError> {
        let host = self.host.clone();
        if self.topics.is_empty() {
            return Err(BrokerError::NoTopics { host });
        }
        if let Some(filter) = self.topics.iter().find(|f| !valid_filter(f)) {
            let filter = filter.clone();
            return Err(BrokerError::Filter { host, filter });
        }
        if self.password_file.is_some() && self.user.is_none() {
            return Err(BrokerError::PasswordWithoutUser { host });
        }
        if !(5..=600).contains(&self.keep_alive_secs) {
            let secs = self.keep_alive_secs;
            return Err(BrokerError::KeepAlive { host, secs });
        }
        Ok(())
    }

    pub(crate) fn password(&self) -> Result<Option<Secret>, BrokerError> {
        let Some(path) = &self.password_file else { return Ok(None) };
        Secret::read(path).map(Some).map_err(|source| {
            BrokerError::PasswordFile {
                host: self.host.clone(),
                path: path.clone(),
                source,
            }
        })
    }

    pub(crate) fn authority(&self) -> Result<Option<Authority>, BrokerError> {
        let Some(path) = &self.ca_file else { return Ok(None) };
        Authority::read(path).map(Some).map_err(|source| BrokerError::Tls {
            host: self.host.clone(),
            source,
        })
    }

    pub(crate) fn keep_alive(&self) -> Duration {
        Duration::from_secs(u64::from(self.keep_alive_secs))
    }

    /// Fixed from one start to the next, since the broker keeps our session
    /// under it; of at most 23 letters, which every broker must take
    /// (MQTT-3.1.3-5, from memory).
    pub(crate) fn client_id(&self) -> String {
        self.client_id.clone().unwrap_or_else(|| {
            let host = fs::read_to_string("/proc/sys/kernel/hostname")
                .unwrap_or_else(|_| "home".to_owned());
            let host =
                host.chars().filter(char::is_ascii_alphanumeric).take(15);
            format!("vernalog{}", host.collect::<String>())
        })
    }

    /// All filters to subscribe to, each once.
    pub(crate) fn filters(&self, mappings: &[Mapping]) -> Vec<String> {
        let mut filters = self.topics.clone();
        for mapping in mappings {
            filters.push(mapping.topic().as_str().to_owned());
        }
        let mut once = Vec::new();
        for filter in filters {
            if !once.contains(&filter) {
                once.push(filter);
            }
        }
        once
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_broker_needs_no_more_than_its_host() {
        let settings: Settings = toml::from_str("host = \"seedbox\"").unwrap();
        assert_eq!(settings, Settings::at("seedbox", 1883));
        settings.check().unwrap();
    }

    #[test]
    fn an_unknown_key_is_refused() {
        let text = "host = \"seedbox\"\npasword_file = \"x\"";
        assert!(toml::from_str::<Settings>(text).is_err());
    }

    #[test]
    fn a_filter_that_breaks_the_rules_is_refused() {
        let mut settings = Settings::at("seedbox", 1883);
        settings.topics.push("garden/#/state".to_owned());
        let error = settings.check().unwrap_err();
        assert!(error.to_string().contains("garden/#/state"), "{error}");
    }

    #[test]
    fn a_missing_password_file_is_named() {
        let mut settings = Settings::at("seedbox", 1883);
        settings.user = Some("vernalog".to_owned());
        settings.password_file = Some(PathBuf::from("/nowhere/broker.secret"));
        settings.check().unwrap();
        let error = settings.password().unwrap_err();
        assert!(error.to_string().contains("/nowhere/broker.secret"));
    }

    #[test]
    fn the_client_identifier_is_one_that_every_broker_takes() {
        let id = Settings::at("seedbox", 1883).client_id();
        assert!((1..=23).contains(&id.len()), "{id}");
        assert!(id.bytes().all(|b| b.is_ascii_alphanumeric()), "{id}");
    }
}
