//! How an alert leaves the machine.
//!
//! Not what is worth telling (that is `alert`) and not what still waits to
//! be told (the outbox is the store's): a channel takes one alert once and
//! says whether it was taken; [`retry`] says when to try again.

use std::path::{Path, PathBuf};

use serde::Deserialize;

use crate::notify::body::AlertJson;

pub mod body;
pub mod command;
pub mod mail;
pub mod mqtt;
pub mod retry;
pub mod webhook;

/// The longest time-out that may be set, s: other messages wait meanwhile.
const LONGEST_TIME_OUT_SECS: u64 = 300;
/// A stand-in takes over after so many failures, unless the settings say.
const AFTER_FAILURES: u32 = 5;
/// What others said is cut here, letters.
const LONGEST_REASON: usize = 400;

/// One `[[channel]]` of the settings; `kind` says which.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case")]
pub enum Settings {
    /// A mail to one or several people.
    Mail(mail::Settings),
    /// A request to an address.
    Webhook(webhook::Settings),
    /// A message to a broker.
    Mqtt(mqtt::Settings),
    /// A program of the grower's that gets the alert on its standard input.
    Command(command::Settings),
}

/// Why the channels of the settings cannot all be used.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum SettingsError {
    /// A mail channel is wrong.
    #[error("channel {name:?}: {source}")]
    Mail {
        /// Which channel.
        name: String,
        /// What is wrong with it.
        source: mail::SettingsError,
    },
    /// A webhook is wrong.
    #[error("channel {name:?}: {source}")]
    Webhook {
        /// Which channel.
        name: String,
        /// What is wrong with it.
        source: webhook::SettingsError,
    },
    /// A broker is wrong.
    #[error("channel {name:?}: {source}")]
    Mqtt {
        /// Which channel.
        name: String,
        /// What is wrong with it.
        source: mqtt::SettingsError,
    },
    /// A command channel is wrong.
    #[error("channel {name:?}: {source}")]
    Command {
        /// Which channel.
        name: String,
        /// What is wrong with it.
        source: command::SettingsError,
    },
    /// The outbox could not tell two channels apart.
    #[error("two channels are called {name:?}; give each a `name` of its own")]
    NameTwice {
        /// The name.
        name: String,
    },
    /// It stands in for nothing.
    #[error(
        "channel {name:?} stands in for {of:?}, and no other channel is \
         called so; it is used like the others"
    )]
    StandsInForNothing {
        /// The channel.
        name: String,
        /// What it names.
        of: String,
    },
}

/// Why an alert was not taken. Every one of these is tried again.
#[derive(Debug, thiserror::Error)]
pub enum DeliveryError {
    /// A mail was not taken.
    #[error(transparent)]
    Mail(#[from] mail::MailError),
    /// A webhook did not take it.
    #[error(transparent)]
    Webhook(#[from] webhook::WebhookError),
    /// A broker did not take it.
    #[error(transparent)]
    Mqtt(#[from] mqtt::MqttError),
    /// A command did not take it.
    #[error(transparent)]
    Command(#[from] command::CommandError),
}

/// A way out, ready to be used.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Channel {
    /// What the outbox knows it by: the setting `name`, or else the kind.
    pub name: String,
    /// For whom it stands in, if it does.
    pub stand_in: Option<StandIn>,
    way: Way,
}

/// A channel that is used only when another fails.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StandIn {
    /// The other's name.
    pub of: String,
    /// After so many failures of one message there.
    pub after_failures: u32,
}

#[derive(Debug, Clone, PartialEq, Eq)]
enum Way {
    Mail(mail::Mail),
    Webhook(webhook::Webhook),
    Mqtt(mqtt::Mqtt),
    Command(command::Command),
}

impl Channel {
    /// Tells one alert. Its `attempt` says which try it is, so a receiver
    /// can see a repeat; `page` is where more is to be read, if anywhere.
    ///
    /// # Errors
    /// [`DeliveryError`] when it was not taken, or not within the time-out.
    pub async fn send(
        &self,
        alert: &AlertJson,
        page: Option<&str>,
    ) -> Result<(), DeliveryError> {
        let json = alert.to_line();
        match &self.way {
            Way::Mail(mail) => Ok(mail.send(alert, page).await?),
            Way::Webhook(webhook) => {
                Ok(webhook.send(webhook::Method::Post, &json).await?)
            }
            Way::Mqtt(mqtt) => Ok(mqtt.send(alert).await?),
            Way::Command(command) => Ok(command.run(json.as_bytes()).await?),
        }
    }

    /// What would keep it from working right now, by a look at its files.
    ///
    /// # Errors
    /// [`DeliveryError`] as [`Channel::send`] would meet it.
    pub fn look(&self) -> Result<(), DeliveryError> {
        match &self.way {
            Way::Mail(mail) => Ok(mail.look()?),
            Way::Webhook(webhook) => Ok(webhook.look()?),
            Way::Mqtt(mqtt) => Ok(mqtt.look()?),
            Way::Command(command) => Ok(command.look()?),
        }
    }

    /// As [`Channel::look`], and whether the other side is there and lets us
    /// in; nothing is sent.
    ///
    /// # Errors
    /// [`DeliveryError`] as [`Channel::send`] would meet it.
    pub async fn try_out(&self) -> Result<(), DeliveryError> {
        match &self.way {
            Way::Mail(mail) => Ok(mail.try_out().await?),
            Way::Webhook(webhook) => Ok(webhook.try_out().await?),
            Way::Mqtt(mqtt) => Ok(mqtt.try_out().await?),
            Way::Command(command) => Ok(command.look()?),
        }
    }

    /// The broker behind it, if it is one.
    #[must_use]
    pub fn broker(&self) -> Option<&mqtt::Mqtt> {
        match &self.way {
            Way::Mqtt(mqtt) => Some(mqtt),
            _ => None,
        }
    }
}

impl Settings {
    /// Makes the files it names be meant from the folder of the settings.
    pub fn resolve(&mut self, meant: impl Fn(&Path) -> PathBuf) {
        let files = match self {
            Self::Mail(settings) => mail::files(settings),
            Self::Webhook(settings) => webhook::files(settings),
            Self::Mqtt(settings) => mqtt::files(settings),
            Self::Command(_) => Vec::new(),
        };
        for file in files {
            *file = meant(file);
        }
    }

    fn name(&self) -> String {
        let (name, kind) = match self {
            Self::Mail(settings) => (&settings.name, "mail"),
            Self::Webhook(settings) => (&settings.name, "webhook"),
            Self::Mqtt(settings) => (&settings.name, "mqtt"),
            Self::Command(settings) => (&settings.name, "command"),
        };
        name.as_ref().map_or_else(|| kind.to_owned(), ToString::to_string)
    }

    fn stand_in(&self) -> Option<StandIn> {
        let (of, after) = match self {
            Self::Mail(s) => (&s.stands_in_for, s.after_failures),
            Self::Webhook(s) => (&s.stands_in_for, s.after_failures),
            Self::Mqtt(s) => (&s.stands_in_for, s.after_failures),
            Self::Command(s) => (&s.stands_in_for, s.after_failures),
        };
        Some(StandIn {
            of: of.as_ref()?.to_string(),
            after_failures: after.unwrap_or(AFTER_FAILURES).max(1),
        })
    }

    fn way(self, name: &str) -> Result<Way, SettingsError> {
        let name = || name.to_owned();
        match self {
            Self::Mail(settings) => mail::Mail::new(settings)
                .map(Way::Mail)
                .map_err(|source| SettingsError::Mail { name: name(), source }),
            Self::Webhook(settings) => {
                webhook::Webhook::new(settings).map(Way::Webhook).map_err(
                    |source| SettingsError::Webhook { name: name(), source },
                )
            }
            Self::Mqtt(settings) => mqtt::Mqtt::new(settings)
                .map(Way::Mqtt)
                .map_err(|source| SettingsError::Mqtt { name: name(), source }),
            Self::Command(settings) => {
                command::Command::new(settings).map(Way::Command).map_err(
                    |source| SettingsError::Command { name: name(), source },
                )
            }
        }
    }
}

/// The channels of the settings: the good ones and what is wrong with the
/// others. One bad channel stops no other.
#[must_use]
pub fn channels(settings: Vec<Settings>) -> (Vec<Channel>, Vec<SettingsError>) {
    let mut good: Vec<Channel> = Vec::new();
    let mut problems = Vec::new();
    for settings in settings {
        let name = settings.name();
        if good.iter().any(|channel| channel.name == name) {
            problems.push(SettingsError::NameTwice { name });
            continue;
        }
        let stand_in = settings.stand_in();
        match settings.way(&name) {
            Ok(way) => good.push(Channel { name, stand_in, way }),
            Err(problem) => problems.push(problem),
        }
    }
    let first: Vec<String> = good
        .iter()
        .filter(|channel| channel.stand_in.is_none())
        .map(|channel| channel.name.clone())
        .collect();
    for channel in &mut good {
        // A stand-in of a stand-in would wait for ever.
        let lost = channel.stand_in.take_if(|s| !first.contains(&s.of));
        problems.extend(lost.map(|s| SettingsError::StandsInForNothing {
            name: channel.name.clone(),
            of: s.of,
        }));
    }
    (good, problems)
}

/// An error and its causes on one line; what a cause only repeats is left
/// out.
pub(crate) fn in_a_row(error: &dyn std::error::Error) -> String {
    let mut text = error.to_string();
    let mut cause = error.source();
    while let Some(error) = cause {
        let said = error.to_string();
        if !text.contains(&said) {
            text = format!("{text}: {said}");
        }
        cause = error.source();
    }
    text
}

/// What somebody else said, on one line and not without end.
fn plain(text: &str) -> String {
    let mut line: String = text
        .chars()
        .map(|c| if c.is_control() { ' ' } else { c })
        .take(LONGEST_REASON)
        .collect();
    if text.chars().nth(LONGEST_REASON).is_some() {
        line.push('…');
    }
    line
}

#[cfg(test)]
mod tests {
    use super::*;

    #[derive(Debug, Deserialize)]
    struct File {
        channel: Vec<Settings>,
    }

    fn read(text: &str) -> Result<Vec<Settings>, String> {
        toml::from_str::<File>(text)
            .map(|file| file.channel)
            .map_err(|error| error.to_string())
    }

    #[test]
    fn a_command_channel_is_read_from_the_settings() {
        let settings = read(
            "[[channel]]\nkind = \"command\"\n\
             command = [\"/usr/local/bin/tell\", \"kitchen\"]\n",
        )
        .unwrap();
        let [Settings::Command(command)] = settings.as_slice() else {
            panic!("{settings:?}");
        };
        assert_eq!(command.time_out_secs, 20);
        let (good, problems) = channels(settings);
        assert_eq!(problems, []);
        assert_eq!(good.len(), 1);
        assert_eq!(good[0].name, "command");
        assert_eq!(good[0].stand_in, None);
    }

    #[test]
    fn a_channel_may_stand_in_for_another() {
        let settings = read(
            "[[channel]]\nkind = \"mail\"\nhost = \"mail.example.org\"\n\
             from = \"a@example.org\"\nto = [\"b@example.org\"]\n\
             [[channel]]\nkind = \"webhook\"\nurl = \"http://127.0.0.1:9/x\"\n\
             stands_in_for = \"mail\"\nafter_failures = 3\n\
             [[channel]]\nkind = \"mqtt\"\nhost = \"seedbox\"\n\
             stands_in_for = \"webhook\"\n",
        )
        .unwrap();
        let (good, problems) = channels(settings);
        let stand_in = good[1].stand_in.clone().unwrap();
        assert_eq!(
            (stand_in.of.as_str(), stand_in.after_failures),
            ("mail", 3)
        );
        assert_eq!(good[2].stand_in, None);
        let [problem] = problems.as_slice() else { panic!("{problems:?}") };
        assert!(problem.to_string().contains("used like the others"));
    }

    #[test]
    fn an_unknown_kind_of_channel_is_told_which_exist() {
        let error = read("[[channel]]\nkind = \"pigeon\"\n").unwrap_err();
        assert!(error.contains("pigeon"), "{error}");
        assert!(error.contains("`webhook`"), "{error}");
    }

    #[test]
    fn an_unknown_setting_of_a_channel_is_refused() {
        let error = read(
            "[[channel]]\nkind = \"command\"\ncommand = [\"/bin/true\"]\n\
             shell = true\n",
        )
        .unwrap_err();
        assert!(error.contains("shell"), "{error}");
    }

    #[test]
    fn one_bad_channel_stops_no_other() {
        let settings = read(
            "[[channel]]\nkind = \"command\"\ncommand = [\"tell\"]\n\
             name = \"relative\"\n\
             [[channel]]\nkind = \"command\"\ncommand = []\n\
             name = \"empty\"\n\
             [[channel]]\nkind = \"command\"\ncommand = [\"/bin/true\"]\n\
             [[channel]]\nkind = \"command\"\ncommand = [\"/bin/false\"]\n",
        )
        .unwrap();
        let (good, problems) = channels(settings);
        assert_eq!(good.len(), 1);
        let told: Vec<_> = problems.iter().map(ToString::to_string).collect();
        assert_eq!(
            told,
            [
                "channel \"relative\": the program \"tell\" is no absolute \
                 path, such as \"/usr/local/bin/tell\"",
                "channel \"empty\": `command` names no program",
                "two channels are called \"command\"; give each a `name` of \
                 its own",
            ]
        );
    }
}
