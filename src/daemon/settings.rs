//! The settings file: everything that is wrong in it told at once, each with
//! its line, its column and what was meant.
//!
//! Not what a section means: that is said beside what it sets up.

use std::ffi::OsString;
use std::fs;
use std::path::{Path, PathBuf};
use std::time::Duration;

use chrono::NaiveTime;
use chrono_tz::Tz;

use crate::daemon::telling::{self, Telling};
use crate::daemon::{Plan, backups, heartbeat};
use crate::decode::Mapping;
use crate::exchange::times::ZoneRule;
use crate::notify::Channel;
use crate::source::{broker, inlet, serial};
use crate::web;

mod gathering;
mod problem;

pub use problem::SettingsProblem;

/// The file in the working folder.
pub const FILE_HERE: &str = "vernalog.toml";
/// The file of the machine.
pub const FILE_OF_THE_MACHINE: &str = "/etc/vernalog/vernalog.toml";
/// The hour meant by a date alone, unless the settings say otherwise.
const EVENING: NaiveTime =
    NaiveTime::from_hms_opt(20, 0, 0).expect("20:00 is a time");
/// How long readings may wait for a commit, unless the settings say.
const COMMIT_EVERY: Duration = Duration::from_secs(1);
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
        gathering::understood(path, text)
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

fn beside(file: Option<&Path>, path: &Path) -> PathBuf {
    file.and_then(Path::parent)
        .map_or_else(|| path.to_owned(), |folder| folder.join(path))
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
}
