//! Goes through the keys of a settings file and gathers what they say, and
//! everything that is wrong.
//!
//! Not what a section means: that is said beside what it sets up.

use std::ops::Range;
use std::path::{Path, PathBuf};
use std::time::Duration;

use chrono::NaiveTime;
use chrono_tz::{TZ_VARIANTS, Tz};
use serde::de::DeserializeOwned;
use toml::Spanned;
use toml::de::{DeTable, DeValue, ValueDeserializer};

use crate::daemon::settings::problem::locate;
use crate::daemon::settings::{
    COMMIT_EVERY, Connections, EVENING, Settings, SettingsProblem, beside,
};
use crate::daemon::{backups, heartbeat, telling};
use crate::decode::Mapping;
use crate::exchange::nearest::{did_you_mean, nearest};
use crate::exchange::times::{ZoneRule, length_millis};
use crate::notify::{self, Channel};
use crate::observation::shown;
use crate::source::mapping;
use crate::web;

/// A board that sleeps is kept awake for this long at most.
const LONGEST_COMMIT: Duration = Duration::from_secs(60);

/// The keys of the file, in the order in which they are explained.
const KEYS: [&str; 13] = [
    "time_zone",
    "data",
    "evening",
    "commit_every",
    "inlet",
    "broker",
    "serial",
    "mapping",
    "channel",
    "telling",
    "heartbeat",
    "backup",
    "web",
];

/// What a text says, or all that is wrong in it in the order of the file.
pub(super) fn understood(
    path: &Path,
    text: &str,
) -> Result<Settings, Vec<SettingsProblem>> {
    let (table, errors) = DeTable::parse_recoverable(text);
    let mut gathering = Gathering { text, problems: Vec::new() };
    if !errors.is_empty() {
        // What follows a broken line may be misread: tell only these.
        for error in errors {
            gathering.wrong(error.span(), error.message().to_owned());
        }
        return Err(gathering.problems);
    }
    let settings = gathering.gather(path, table.into_inner());
    let mut problems = gathering.problems;
    problems.sort_by_key(|problem| (problem.line, problem.column));
    settings.filter(|_| problems.is_empty()).ok_or(problems)
}

struct Gathering<'a> {
    text: &'a str,
    problems: Vec<SettingsProblem>,
}

impl Gathering<'_> {
    fn gather(&mut self, path: &Path, table: DeTable<'_>) -> Option<Settings> {
        let (mut zone, mut data) = (None, None);
        let (mut evening, mut commit_every) = (EVENING, COMMIT_EVERY);
        let mut backup: Option<backups::Settings> = None;
        let mut to = Connections::default();
        let mut stated = Vec::new();
        // It may name a channel that comes later in the file.
        let mut heartbeat = None;
        for (key, value) in table {
            stated.push(key.get_ref().to_string());
            let span = value.span();
            match &**key.get_ref() {
                "time_zone" => {
                    let text = self.one::<String>(value);
                    zone = self.meant(text, &span, time_zone);
                }
                "data" => {
                    let text = self.one::<String>(value);
                    data = self.meant(text, &span, data_path);
                }
                "evening" => {
                    let text = self.one::<String>(value);
                    let meant = self.meant(text, &span, hour);
                    evening = meant.unwrap_or(evening);
                }
                "commit_every" => {
                    let text = self.one::<String>(value);
                    let meant = self.meant(text, &span, commit_length);
                    commit_every = meant.unwrap_or(commit_every);
                }
                "inlet" => to.inlet = self.one(value),
                "broker" => to.brokers = plain(self.list(value)),
                "serial" => to.serial = plain(self.list(value)),
                "mapping" => to.mappings = self.mappings(value),
                "channel" => {
                    (to.channels, to.broken_channels) =
                        self.channels(path, value);
                }
                "telling" => to.telling = self.telling(value),
                "heartbeat" => heartbeat = Some(value),
                "backup" => backup = self.one(value),
                "web" => to.web = self.web(value),
                unknown => {
                    let near = did_you_mean(unknown, KEYS);
                    self.wrong(
                        Some(key.span()),
                        format!("unknown key \"{}\"{near}", shown(unknown)),
                    );
                }
            }
        }
        for needed in ["time_zone", "data"] {
            if !stated.iter().any(|key| key == needed) {
                self.wrong(None, format!("the key {needed} is missing"));
            }
        }
        if let Some(value) = heartbeat {
            to.heartbeat = self.heartbeat(path, &to.channels, value);
        }
        resolve(path, &mut to);
        if let Some(backup) = &mut backup {
            backup.folder = beside(Some(path), &backup.folder);
        }
        Some(Settings {
            file: Some(path.to_owned()),
            zone: ZoneRule { zone: zone?, evening },
            data: beside(Some(path), &data?),
            commit_every,
            backup,
            connections: to,
        })
    }

    /// A value of the wanted shape.
    fn one<T: DeserializeOwned>(
        &mut self,
        value: Spanned<DeValue<'_>>,
    ) -> Option<T> {
        let whole = value.span();
        T::deserialize(ValueDeserializer::from(value))
            .map_err(|error| {
                let span = error.span().unwrap_or(whole);
                self.wrong(Some(span), with_near_key(error.message()));
            })
            .ok()
    }

    /// Every table of an array of tables with its place, the bad ones told
    /// and left out.
    fn list<T: DeserializeOwned>(
        &mut self,
        value: Spanned<DeValue<'_>>,
    ) -> Vec<(Range<usize>, T)> {
        let span = value.span();
        let DeValue::Array(items) = value.into_inner() else {
            let message = "this section may come several times: write it \
                           with double brackets, such as [[broker]]";
            self.wrong(Some(span), message.to_owned());
            return Vec::new();
        };
        let mut good = Vec::new();
        for item in items {
            let span = item.span();
            good.extend(self.one(item).map(|item| (span, item)));
        }
        good
    }

    fn mappings(&mut self, value: Spanned<DeValue<'_>>) -> Vec<Mapping> {
        let stated: Vec<(_, mapping::Settings)> = self.list(value);
        let mut mappings = Vec::new();
        for (span, settings) in stated {
            match settings.mapping() {
                Ok(mapping) => mappings.push(mapping),
                Err(error) => self.wrong(Some(span), error.to_string()),
            }
        }
        mappings
    }

    /// The channels that can be used, and what is wrong with the others:
    /// one of them is no reason to stay silent on all.
    fn channels(
        &mut self,
        path: &Path,
        value: Spanned<DeValue<'_>>,
    ) -> (Vec<Channel>, Vec<SettingsProblem>) {
        let whole = value.span();
        let mut stated: Vec<notify::Settings> = plain(self.list(value));
        for settings in &mut stated {
            settings.resolve(|file| beside(Some(path), file));
        }
        let (good, bad) = notify::channels(stated);
        let bad = bad
            .iter()
            .map(|error| {
                let message = notify::in_a_row(error);
                locate(self.text, &whole, message)
            })
            .collect();
        (good, bad)
    }

    fn telling(&mut self, value: Spanned<DeValue<'_>>) -> telling::Settings {
        let span = value.span();
        let settings: telling::Settings = self.one(value).unwrap_or_default();
        if let Err(message) = settings.look() {
            self.wrong(Some(span), message);
        }
        settings
    }

    fn heartbeat(
        &mut self,
        path: &Path,
        channels: &[Channel],
        value: Spanned<DeValue<'_>>,
    ) -> Option<heartbeat::Heartbeat> {
        let span = value.span();
        let settings: heartbeat::Settings = self.one(value)?;
        settings
            .understood(channels, |file| beside(Some(path), file))
            .map_err(|message| self.wrong(Some(span), message))
            .ok()
    }

    fn web(&mut self, value: Spanned<DeValue<'_>>) -> Option<web::Settings> {
        let span = value.span();
        let settings: web::Settings = self.one(value)?;
        match settings.look() {
            Ok(()) => Some(settings),
            Err(error) => {
                self.wrong(Some(span), error.to_string());
                None
            }
        }
    }

    fn meant<T>(
        &mut self,
        text: Option<String>,
        span: &Range<usize>,
        meaning: fn(&str) -> Result<T, String>,
    ) -> Option<T> {
        meaning(&text?)
            .map_err(|message| self.wrong(Some(span.clone()), message))
            .ok()
    }

    fn wrong(&mut self, span: Option<Range<usize>>, message: String) {
        let span = span.unwrap_or(0..0);
        self.problems.push(locate(self.text, &span, message));
    }
}

/// The items of a list without their places.
fn plain<T>(list: Vec<(Range<usize>, T)>) -> Vec<T> {
    list.into_iter().map(|(_, item)| item).collect()
}

fn time_zone(text: &str) -> Result<Tz, String> {
    text.parse().map_err(|_| {
        let known = TZ_VARIANTS.iter().map(|zone| zone.name());
        // Whoever writes a city only means the zone of that city.
        let by_city = TZ_VARIANTS.iter().map(|zone| zone.name()).find(|name| {
            name.rsplit('/').next().is_some_and(|city| {
                city.eq_ignore_ascii_case(&text.replace(' ', "_"))
            })
        });
        let lower: Vec<String> = known.map(str::to_lowercase).collect();
        let near = nearest(text, lower.iter().map(String::as_str));
        let near = by_city.or_else(|| {
            let place = lower.iter().position(|name| Some(&**name) == near)?;
            TZ_VARIANTS.get(place).map(|zone| zone.name())
        });
        let proposal = near
            .map(|near| format!("; did you mean \"{near}\"?"))
            .unwrap_or_default();
        format!("no time zone is called \"{}\"{proposal}", shown(text))
    })
}

fn data_path(text: &str) -> Result<PathBuf, String> {
    if text.trim().is_empty() {
        return Err("the data file needs a name".to_owned());
    }
    Ok(PathBuf::from(text))
}

fn hour(text: &str) -> Result<NaiveTime, String> {
    NaiveTime::parse_from_str(text, "%H:%M").map_err(|_| {
        format!("\"{}\" is not an hour such as \"20:00\"", shown(text))
    })
}

fn commit_length(text: &str) -> Result<Duration, String> {
    let length = length_millis(text)
        .and_then(|millis| u64::try_from(millis).ok())
        .map(Duration::from_millis)
        .ok_or_else(|| {
            format!(
                "\"{}\" is not a length of time such as \"1s\" or \"500ms\"",
                shown(text)
            )
        })?;
    if length.is_zero() || length > LONGEST_COMMIT {
        return Err(format!(
            "\"{}\" is outside 1 ms to {} s",
            shown(text),
            LONGEST_COMMIT.as_secs()
        ));
    }
    Ok(length)
}

/// Makes the files named in sections lie beside the settings.
fn resolve(file: &Path, connections: &mut Connections) {
    let inlet = connections.inlet.iter_mut().flat_map(|i| {
        [&mut i.users_file, &mut i.certificate_file, &mut i.key_file]
    });
    let brokers = connections
        .brokers
        .iter_mut()
        .flat_map(|b| [&mut b.password_file, &mut b.ca_file]);
    let web = connections
        .web
        .iter_mut()
        .flat_map(|w| [&mut w.certificate_file, &mut w.key_file]);
    for path in inlet.chain(brokers).chain(web).flatten() {
        *path = beside(Some(file), path);
    }
}

/// Adds what was meant to a message about an unknown key.
fn with_near_key(message: &str) -> String {
    let mut quoted = message.split('`').skip(1).step_by(2);
    if !message.starts_with("unknown field") {
        return message.to_owned();
    }
    let unknown = quoted.next().unwrap_or("");
    let near = did_you_mean(unknown, quoted);
    let message = message.replace("unknown field", "unknown key");
    format!("{message}{near}")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_unknown_key_of_a_section_gets_a_proposal() {
        assert_eq!(
            with_near_key("unknown field `lisen`, expected one of `listen`"),
            "unknown key `lisen`, expected one of `listen`; did you mean \
             \"listen\"?"
        );
    }
}
