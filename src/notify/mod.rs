//! How an alert leaves the machine.
//!
//! Not what is worth telling (that is `alert`) and not what still waits to
//! be told (the outbox is the store's): a channel takes one alert once and
//! says whether it was taken; [`retry`] says when to try again.

use serde::Deserialize;

use crate::notify::body::AlertJson;
use crate::observation::Name;

pub mod body;
pub mod command;
pub mod retry;

/// One `[[channel]]` of the settings; `kind` says which.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case")]
pub enum Settings {
    /// A program of the grower's that gets the alert on its standard input.
    Command(command::Settings),
}

/// Why the channels of the settings cannot all be used.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum SettingsError {
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
}

/// Why an alert was not taken. Every one of these is tried again.
#[derive(Debug, thiserror::Error)]
pub enum DeliveryError {
    /// A command did not take it.
    #[error(transparent)]
    Command(#[from] command::CommandError),
}

/// A way out, ready to be used.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Channel {
    /// What the outbox knows it by: the setting `name`, or else the kind.
    pub name: String,
    way: Way,
}

#[derive(Debug, Clone, PartialEq, Eq)]
enum Way {
    Command(command::Command),
}

impl Channel {
    /// Tells one alert. Its `attempt` says which try it is, so a receiver
    /// can see a repeat.
    ///
    /// # Errors
    /// [`DeliveryError`] when it was not taken, or not within the time-out.
    pub async fn send(&self, alert: &AlertJson) -> Result<(), DeliveryError> {
        let json = alert.to_line();
        match &self.way {
            Way::Command(command) => Ok(command.run(json.as_bytes()).await?),
        }
    }

    /// What would keep it from working right now, for the start and for
    /// `status`; the channel is kept and tried all the same.
    ///
    /// # Errors
    /// [`DeliveryError`] as [`Channel::send`] would meet it.
    pub fn look(&self) -> Result<(), DeliveryError> {
        match &self.way {
            Way::Command(command) => Ok(command.look()?),
        }
    }
}

/// The channels of the settings: the good ones and what is wrong with the
/// others. One bad channel stops no other.
#[must_use]
pub fn channels(settings: Vec<Settings>) -> (Vec<Channel>, Vec<SettingsError>) {
    let mut good: Vec<Channel> = Vec::new();
    let mut problems = Vec::new();
    for Settings::Command(settings) in settings {
        let name = called(settings.name.as_ref(), "command");
        if good.iter().any(|channel| channel.name == name) {
            problems.push(SettingsError::NameTwice { name });
            continue;
        }
        match command::Command::new(settings) {
            Ok(command) => {
                good.push(Channel { name, way: Way::Command(command) });
            }
            Err(source) => {
                problems.push(SettingsError::Command { name, source });
            }
        }
    }
    (good, problems)
}

fn called(name: Option<&Name>, kind: &str) -> String {
    name.map_or_else(|| kind.to_owned(), ToString::to_string)
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
    }

    #[test]
    fn an_unknown_kind_of_channel_is_told_which_exist() {
        let error = read("[[channel]]\nkind = \"pigeon\"\n").unwrap_err();
        assert!(error.contains("pigeon"), "{error}");
        assert!(error.contains("expected `command`"), "{error}");
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
