//! The settings file: everything that is wrong in it told at once, each with
//! its line, its column and what was meant.
//!
//! Only gathers: what a section means is said beside what it sets up.

use std::ffi::OsString;
use std::fmt;
use std::fs;
use std::ops::Range;
use std::path::{Path, PathBuf};
use std::time::Duration;

use chrono::NaiveTime;
use chrono_tz::{TZ_VARIANTS, Tz};
use serde::de::DeserializeOwned;
use toml::Spanned;
use toml::de::{DeTable, DeValue, ValueDeserializer};

use crate::daemon::telling::{self, Telling};
use crate::daemon::{Plan, backups, heartbeat};
use crate::decode::Mapping;
use crate::exchange::nearest::{did_you_mean, nearest};
use crate::exchange::times::{ZoneRule, length_millis};
use crate::notify::{self, Channel};
use crate::observation::shown;
use crate::source::{broker, inlet, mapping, serial};
use crate::web;

/// The file in the working folder.
pub const FILE_HERE: &str = "vernalog.toml";
/// The file of the machine.
pub const FILE_OF_THE_MACHINE: &str = "/etc/vernalog/vernalog.toml";
/// The hour meant by a date alone, unless the settings say otherwise.
const EVENING: NaiveTime =
    NaiveTime::from_hms_opt(20, 0, 0).expect("20:00 is a time");
/// How long readings may wait for a commit, unless the settings say.
const COMMIT_EVERY: Duration = Duration::from_secs(1);
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

/// The settings as understood.
#[derive(Debug, Clone, PartialEq)]
pub struct Settings {
    /// The file they came from, if any.
    pub file: Option<PathBuf>,
    /// The time zone of the house and its evening hour.
    pub zone: ZoneRule,
    /// The data file.
    pub data: PathBuf,
    /// How long readings may wait for a commit.
    pub commit_every: Duration,
    /// `[backup]`
    pub backup: Option<backups::Settings>,
    /// How boards and messages come and go.
    pub connections: Connections,
}

/// How boards and messages come and go.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Connections {
    /// `[inlet]`
    pub inlet: Option<inlet::Settings>,
    /// `[[broker]]`
    pub brokers: Vec<broker::Settings>,
    /// `[[serial]]`
    pub serial: Vec<serial::Settings>,
    /// `[[mapping]]`
    pub mappings: Vec<Mapping>,
    /// `[[channel]]`
    pub channels: Vec<Channel>,
    /// `[telling]`
    pub telling: telling::Settings,
    /// `[heartbeat]`
    pub heartbeat: Option<heartbeat::Heartbeat>,
    /// What is wrong with channels; the others are used.
    pub broken_channels: Vec<SettingsProblem>,
    /// `[web]`
    pub web: Option<web::Settings>,
}

/// Something wrong in the file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SettingsProblem {
    /// Line, counted from 1.
    pub line: usize,
    /// Column, counted from 1.
    pub column: usize,
    /// The line as it stands, and a mark under the place.
    pub excerpt: String,
    /// What is wrong.
    pub message: String,
}

impl fmt::Display for SettingsProblem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "line {}, column {}: {}\n{}",
            self.line, self.column, self.message, self.excerpt
        )
    }
}

/// Why there are no settings.
#[derive(Debug, thiserror::Error)]
pub enum SettingsError {
    /// The file is not there or cannot be read.
    #[error("cannot read the settings file \"{}\"", path.display())]
    Unreadable {
        /// The file.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// The file says something that cannot be.
    #[error("{}", told(path, problems))]
    Wrong {
        /// The file.
        path: PathBuf,
        /// Everything that is wrong, in the order of the file.
        problems: Vec<SettingsProblem>,
    },
}

fn told(path: &Path, problems: &[SettingsProblem]) -> String {
    let head = format!("the settings file \"{}\" is wrong", path.display());
    std::iter::once(head)
        .chain(problems.iter().map(ToString::to_string))
        .collect::<Vec<_>>()
        .join("\n")
}

impl Settings {
    /// Settings for a data file when there is no settings file.
    #[must_use]
    pub fn without_file(data: &Path, zone: Tz) -> Self {
        Self {
            file: None,
            zone: ZoneRule { zone, evening: EVENING },
            data: data.to_owned(),
            commit_every: COMMIT_EVERY,
            backup: None,
            connections: Connections::default(),
        }
    }

    /// Reads a settings file. Paths in it are meant from its own folder.
    ///
    /// # Errors
    /// [`SettingsError`], with everything that is wrong.
    pub fn read(path: &Path) -> Result<Self, SettingsError> {
        let text = fs::read_to_string(path).map_err(|source| {
            SettingsError::Unreadable { path: path.to_owned(), source }
        })?;
        Self::parse(path, &text).map_err(|problems| SettingsError::Wrong {
            path: path.to_owned(),
            problems,
        })
    }

    /// Understands the text of a settings file.
    ///
    /// # Errors
    /// Everything that is wrong, in the order of the file.
    pub fn parse(
        path: &Path,
        text: &str,
    ) -> Result<Self, Vec<SettingsProblem>> {
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

    /// What the daemon is to do.
    #[must_use]
    pub fn plan(&self) -> Plan {
        let connections = self.connections.clone();
        Plan {
            data: self.data.clone(),
            zone: self.zone.zone,
            commit_every: self.commit_every,
            backup: self.backup.clone(),
            inlet: connections.inlet,
            brokers: connections.brokers,
            serial: connections.serial,
            mappings: connections.mappings,
            channels: connections.channels,
            telling: Telling {
                broken_channels: connections
                    .broken_channels
                    .iter()
                    .map(|problem| problem.message.clone())
                    .collect(),
                settings: connections.telling,
                heartbeat: connections.heartbeat,
            },
            web: connections.web.map(|settings| web::Opening {
                settings,
                password_file: self.web_password_file(),
                token_file: self.web_token_file(),
                zone: self.zone,
                program: self.this_program(),
            }),
        }
    }

    /// How the pages are called in the house, if the settings say so.
    #[must_use]
    pub fn base_url(&self) -> Option<&str> {
        self.connections.web.as_ref()?.base_url.as_deref()
    }

    /// Where the hashed password of the pages is kept, if there is one.
    #[must_use]
    pub fn web_password_file(&self) -> PathBuf {
        beside(self.file.as_deref(), Path::new(web::PASSWORD_FILE))
    }
}

impl Settings {
    /// Where the hashed tokens for programs are kept, if there are any.
    #[must_use]
    pub fn web_token_file(&self) -> PathBuf {
        beside(self.file.as_deref(), Path::new(web::TOKEN_FILE))
    }

    /// This program, led to the same settings and data; empty when the
    /// system does not say where it is.
    fn this_program(&self) -> Vec<OsString> {
        let Ok(program) = std::env::current_exe() else { return Vec::new() };
        let mut words = vec![program.into_os_string()];
        if let Some(file) = &self.file {
            words.extend(["--settings".into(), file.into()]);
        }
        words.extend(["--data".into(), self.data.clone().into()]);
        words
    }
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

fn beside(file: Option<&Path>, path: &Path) -> PathBuf {
    file.and_then(Path::parent)
        .map_or_else(|| path.to_owned(), |folder| folder.join(path))
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

/// Where a span lies, with the line and a mark under the place.
fn locate(text: &str, span: &Range<usize>, message: String) -> SettingsProblem {
    let start = span.start.min(text.len());
    let before = &text.as_bytes()[..start];
    let line_start =
        before.iter().rposition(|b| *b == b'\n').map_or(0, |at| at + 1);
    let line = 1 + before.iter().filter(|b| **b == b'\n').count();
    let content = text[line_start..].lines().next().unwrap_or("");
    let column =
        1 + String::from_utf8_lossy(&text.as_bytes()[line_start..start])
            .chars()
            .count();
    let marked = span.end.min(line_start + content.len());
    let width =
        text.get(start..marked).map_or(1, |part| part.chars().count()).max(1);
    let gutter = " ".repeat(line.to_string().len());
    let excerpt = format!(
        "{gutter} |\n{line} | {content}\n{gutter} | {}{}",
        " ".repeat(column - 1),
        "^".repeat(width)
    );
    SettingsProblem { line, column, excerpt, message }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn parse(text: &str) -> Result<Settings, Vec<SettingsProblem>> {
        Settings::parse(Path::new("/house/vernalog.toml"), text)
    }

    const LEAST: &str = "time_zone = \"Europe/Dublin\"\ndata = \"v.db\"\n";

    #[test]
    fn two_keys_are_enough() {
        let settings = parse(LEAST).unwrap();
        assert_eq!(settings.data, Path::new("/house/v.db"));
        assert_eq!(settings.zone.evening, EVENING);
        assert_eq!(settings.commit_every, Duration::from_secs(1));
    }

    #[test]
    fn everything_that_is_wrong_is_told_at_once_with_its_place() {
        let problems = parse(
            "time_zone = \"Europe/Dublim\"\nevning = \"20:00\"\n\
             commit_every = \"2h\"\n[broker]\nhost = \"a\"\n",
        )
        .unwrap_err();
        let told: Vec<_> = problems
            .iter()
            .map(|p| (p.line, p.column, p.message.as_str()))
            .collect();
        assert_eq!(
            told[..4],
            [
                (1, 1, "the key data is missing"),
                (
                    1,
                    13,
                    "no time zone is called \"Europe/Dublim\"; did you mean \
                     \"Europe/Dublin\"?"
                ),
                (2, 1, "unknown key \"evning\"; did you mean \"evening\"?"),
                (3, 16, "\"2h\" is outside 1 ms to 60 s"),
            ]
        );
        assert!(told[4].2.contains("double brackets"), "{:?}", told[4]);
    }

    #[test]
    fn a_broken_line_is_shown_with_a_mark_under_the_place() {
        let problems = parse(&format!("{LEAST}evening = 20:00\n")).unwrap_err();
        assert_eq!(problems[0].line, 3);
        let excerpt = &problems[0].excerpt;
        assert!(excerpt.contains("3 | evening = 20:00\n"), "{excerpt}");
        assert!(excerpt.ends_with('^'), "{excerpt}");
    }

    #[test]
    fn sections_are_understood_and_their_files_lie_beside() {
        let settings = parse(&format!(
            "{LEAST}[inlet]\nusers_file = \"boards.passwd\"\n\
             [backup]\nfolder = \"copies\"\n\
             [[channel]]\nkind = \"command\"\ncommand = [\"/bin/tell\"]\n"
        ))
        .unwrap();
        let backup = settings.backup.clone().unwrap();
        assert_eq!(backup.folder, Path::new("/house/copies"));
        assert_eq!(backup.keep, 7);
        let inlet = settings.plan().inlet.unwrap();
        assert_eq!(
            inlet.users_file.as_deref(),
            Some(Path::new("/house/boards.passwd"))
        );
        assert_eq!(settings.connections.channels.len(), 1);
    }

    #[test]
    fn what_makes_no_sense_in_a_section_is_told_with_its_place() {
        let problems = parse(&format!(
            "{LEAST}[inlet]\nlisen = \"a\"\n\
             [[channel]]\nkind = \"command\"\ncommand = [\"tell\"]\n\
             [[mapping]]\ntopic = \"garden/state\"\nfields = {{}}\n\
             [backup]\nfolder = \"copies\"\nat = \"3 am\"\n"
        ))
        .unwrap_err();
        let told: Vec<_> =
            problems.iter().map(|p| (p.line, p.message.as_str())).collect();
        assert_eq!(told.len(), 3, "{told:#?}");
        assert!(told[2].1.contains("\"3 am\" is not an hour"), "{told:#?}");
        assert_eq!(told[0].0, 4);
        assert!(told[0].1.contains("did you mean \"listen\"?"));
        assert_eq!(told[1].0, 8);
    }

    #[test]
    fn a_channel_that_cannot_be_used_is_told_and_the_others_are_used() {
        let settings = parse(&format!(
            "{LEAST}[[channel]]\nkind = \"command\"\ncommand = [\"tell\"]\n\
             [[channel]]\nkind = \"mail\"\nhost = \"mail.example.org\"\n\
             from = \"rowan\"\nto = []\n\
             [[channel]]\nkind = \"webhook\"\nurl = \"ftp://x/secret\"\n\
             [[channel]]\nkind = \"mqtt\"\nhost = \"seedbox\"\n\
             user = \"vernalog\"\npassword_file = \"out.secret\"\n"
        ))
        .unwrap();
        let names: Vec<_> = settings
            .connections
            .channels
            .iter()
            .map(|channel| channel.name.as_str())
            .collect();
        assert_eq!(names, ["mqtt"]);
        let told = settings.plan().telling.broken_channels;
        assert_eq!(told.len(), 3, "{told:#?}");
        assert!(told[0].contains("no absolute path"), "{told:#?}");
        assert!(told[1].contains("\"rowan\", which is no mail"), "{told:#?}");
        assert!(told[2].contains("neither http:// nor https://"), "{told:#?}");
        assert!(!told.concat().contains("secret"), "{told:#?}");
        let shown = format!("{:?}", settings.connections.channels);
        assert!(shown.contains("/house/out.secret"), "{shown}");
    }

    #[test]
    fn a_city_alone_gets_its_zone_proposed() {
        let text = "time_zone = \"dublin\"\ndata = \"v.db\"\n";
        let problems = parse(text).unwrap_err();
        assert!(problems[0].message.contains("\"Europe/Dublin\""));
    }

    #[test]
    fn an_unknown_key_of_a_section_gets_a_proposal() {
        assert_eq!(
            with_near_key("unknown field `lisen`, expected one of `listen`"),
            "unknown key `lisen`, expected one of `listen`; did you mean \
             \"listen\"?"
        );
    }
}
