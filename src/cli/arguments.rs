//! The arguments as typed: every command, every option, its help.
//!
//! No file is opened and no time is read here. Help, completions and the
//! manual page come from these definitions.

use std::path::PathBuf;

use clap::{Args, Parser, Subcommand};

use crate::cli::record_arguments::{Limits, RecordArguments};
use crate::observation::{Name, Quantity};
use crate::trial::entry::{PlaceKind, from_word};

/// Watches the climate where seeds are chilled and germinated, keeps what
/// was counted, and says how one went with the other.
#[derive(Debug, Parser)]
#[command(name = "vernalog", version, propagate_version = true)]
#[command(after_help = "Exit code: 0 done; 1 done, and the answer is no; 2 \
                        could not be done.")]
pub(crate) struct Arguments {
    #[command(flatten)]
    pub(crate) common: Common,
    #[command(subcommand)]
    pub(crate) command: Command,
}

/// Options that every command has.
#[derive(Debug, Args)]
#[command(next_help_heading = "Everywhere")]
pub(crate) struct Common {
    /// Settings file [default: vernalog.toml here, else
    /// /etc/vernalog/vernalog.toml]
    #[arg(long, global = true, value_name = "FILE", env = "VERNALOG_SETTINGS")]
    pub(crate) settings: Option<PathBuf>,
    /// Data file, instead of the one in the settings
    #[arg(long, global = true, value_name = "FILE")]
    pub(crate) data: Option<PathBuf>,
    /// Trial, when there are several
    #[arg(long, global = true, value_name = "ID")]
    pub(crate) trial: Option<Name>,
    /// Print results as JSON, one object a line
    #[arg(long, global = true)]
    pub(crate) json: bool,
}

#[derive(Debug, Subcommand)]
pub(crate) enum Command {
    /// Play an invented season through the whole program
    Demo(DemoArguments),
    /// Write a settings file and make the data file
    Init(InitArguments),
    /// Run the daemon: take readings in, watch them, send alerts
    Run(RunArguments),
    /// Write down what you did or saw
    Record(RecordArguments),
    /// List the units to look at today, in the order of a walk
    Round(RoundArguments),
    /// Show places, boards, trials and alerts
    Status,
    /// Show what boards send, as it is stored or refused
    Listen(ListenArguments),
    /// Look for faults of settings, sources, disk and clock (exit code 1)
    Diagnose,
    /// Show readings
    Readings(ReadingsArguments),
    /// List what is watched
    Watches {
        #[command(subcommand)]
        what: Option<WatchesCommand>,
    },
    /// List alerts; the exit code is 1 while one lasts
    Alerts(AlertsArguments),
    /// Write the report of a trial
    Report(ReportArguments),
    /// Plan a trial: units, seeds and who stands where
    Plan(PlanArguments),
    /// Write labels to print, each with a code that opens its unit
    Labels(LabelsArguments),
    /// Take in files
    Import {
        #[command(subcommand)]
        what: Import,
    },
    /// Write a trial as a folder of files that `import` reads back
    Export(ExportArguments),
    /// Make a checked copy of the data file, also while the daemon runs
    Backup(BackupArguments),
    /// Put a backup in the place of the data file, which is kept
    Restore(RestoreArguments),
    /// Read everything through; the exit code is 1 if something is wrong
    Verify(VerifyArguments),
    /// Give a board a password for the inlet, or the pages one
    Password(PasswordArguments),
    /// Give a program a token for the pages' JSON; without a name, list them
    Token(TokenArguments),
    /// Print completions for a shell
    Completions {
        /// The shell
        shell: clap_complete::Shell,
    },
    /// Print the manual page
    Manual,
}

#[derive(Debug, Args)]
pub(crate) struct DemoArguments {
    /// Folder to write into; one of an earlier demo is replaced
    #[arg(long, value_name = "DIR", default_value = "vernalog-demo")]
    pub(crate) out: PathBuf,
}

#[derive(Debug, Args)]
pub(crate) struct RunArguments {
    /// Stop when a source cannot be started, instead of running the others
    #[arg(long)]
    pub(crate) strict: bool,
}

#[derive(Debug, Args)]
pub(crate) struct ReportArguments {
    /// Folder to write into
    #[arg(long, value_name = "DIR", default_value = "report")]
    pub(crate) out: PathBuf,
    /// The end of what is told [default: the newest that is known]
    #[arg(long, value_name = "WHEN")]
    pub(crate) until: Option<String>,
    /// Instead, say where one number comes from, such as
    /// containers/L2-B3/degree_hours, places/sill/temperature/day or
    /// findings/1 (a path that is not there is answered with all there are)
    #[arg(long, value_name = "PATH", conflicts_with = "compare")]
    pub(crate) explain: Option<String>,
    /// Instead, describe two trials side by side
    #[arg(long, num_args = 2, value_names = ["TRIAL", "TRIAL"])]
    pub(crate) compare: Vec<Name>,
    /// Tell each step as a line of its own, for whoever waits
    #[arg(long)]
    pub(crate) steps: bool,
}

#[derive(Debug, Args)]
pub(crate) struct PlanArguments {
    /// Levels given to batches, with commas, such as 0,6,12 [without levels
    /// and places: what a trial could not tell, and what would]
    #[arg(long, value_delimiter = ',', value_name = "LEVELS")]
    pub(crate) levels: Vec<String>,
    /// What the levels are of
    #[arg(long, default_value = "chill_weeks", value_name = "FACTOR")]
    pub(crate) factor: String,
    /// Places at which every batch is sown, with commas
    #[arg(long, value_delimiter = ',', value_name = "PLACES")]
    pub(crate) places: Vec<String>,
    /// How many of every 100 seeds are expected to germinate
    #[arg(long, default_value_t = 50.0, value_parser = of_hundred)]
    pub(crate) expected: f64,
    /// The difference to be seen, of every 100
    #[arg(long, default_value_t = 20.0, value_parser = of_hundred)]
    pub(crate) difference: f64,
    /// How much containers scatter, 1 = as seeds alone would; a report tells
    /// it for a trial that was made
    #[arg(long, default_value_t = 2.0, value_parser = scatter)]
    pub(crate) scatter: f64,
    /// Seeds in a container
    #[arg(long, default_value_t = 25, value_parser = clap::value_parser!(u32).range(2..=1000))]
    pub(crate) seeds: u32,
    /// In how many of 100 trials the difference is to be seen
    #[arg(long, default_value_t = 80.0, value_parser = of_hundred)]
    pub(crate) power: f64,
    /// Batches a level, instead of as many as are needed
    #[arg(long, value_parser = clap::value_parser!(u32).range(1..=200))]
    pub(crate) batches: Option<u32>,
    /// All chance of the allocation follows from it
    #[arg(long, default_value_t = 1)]
    pub(crate) seed: u64,
}

/// A number of every 100, above 0 and below 100.
fn of_hundred(text: &str) -> Result<f64, String> {
    text.parse::<f64>()
        .ok()
        .filter(|value| *value > 0.0 && *value < 100.0)
        .ok_or_else(|| "give a number above 0 and below 100".to_owned())
}

/// A scatter, 1 or more.
fn scatter(text: &str) -> Result<f64, String> {
    text.parse::<f64>()
        .ok()
        .filter(|value| (1.0..=100.0).contains(value))
        .ok_or_else(|| "give a number from 1 to 100".to_owned())
}

#[derive(Debug, Args)]
pub(crate) struct TokenArguments {
    /// The program's name; a new token takes the place of its old one
    pub(crate) name: Option<Name>,
    /// It may look, but not record
    #[arg(long, requires = "name")]
    pub(crate) read_only: bool,
    /// Take it back
    #[arg(long, requires = "name", conflicts_with = "read_only")]
    pub(crate) revoke: bool,
}

#[derive(Debug, Args)]
pub(crate) struct LabelsArguments {
    /// File to write: a page, or with .svg a file for each sheet
    #[arg(long, value_name = "FILE", default_value = "labels.html")]
    pub(crate) out: PathBuf,
    /// Only this unit, by name or label (may be repeated) [default: all
    /// that are open]
    #[arg(long, value_name = "UNIT")]
    pub(crate) unit: Vec<String>,
    /// Rows and columns on A4
    #[arg(
        long,
        value_name = "ROWSxCOLUMNS",
        default_value = "8x3",
        value_parser = rows_and_columns
    )]
    pub(crate) grid: (usize, usize),
    /// Plain paper: draw lines to cut along
    #[arg(long)]
    pub(crate) cut: bool,
    /// Empty edge of the paper, mm [default: 0, with --cut 10]
    #[arg(long, value_name = "MM")]
    pub(crate) margin: Option<f64>,
    /// Labels of the first sheet that are used already
    #[arg(long, value_name = "N", default_value_t = 0)]
    pub(crate) skip: usize,
}

fn rows_and_columns(text: &str) -> Result<(usize, usize), String> {
    let wrong = || "write rows x columns, such as 8x3".to_owned();
    let (rows, columns) = text.split_once(['x', '×']).ok_or_else(wrong)?;
    let number = |text: &str| text.trim().parse().map_err(|_| wrong());
    Ok((number(rows)?, number(columns)?))
}

#[derive(Debug, Args)]
pub(crate) struct InitArguments {
    /// Time zone of the house [default: that of this machine]
    #[arg(long, value_name = "ZONE")]
    pub(crate) time_zone: Option<chrono_tz::Tz>,
    /// A place and its kind, such as fridge-drawer=fridge, with the usual
    /// watches for that kind (may be repeated)
    #[arg(
        long = "place",
        value_name = "NAME=KIND",
        value_parser = place_and_kind,
        conflicts_with = "system"
    )]
    pub(crate) places: Vec<(Name, PlaceKind)>,
    /// Make the daemon a service of this machine: unit, user and folder
    #[arg(long)]
    pub(crate) system: bool,
    /// With --system, write below this folder, such as a mounted card
    #[arg(long, value_name = "DIR", requires = "system")]
    pub(crate) root: Option<PathBuf>,
    /// With --system, print the files, but write nothing
    #[arg(long, requires = "system")]
    pub(crate) dry_run: bool,
}

#[derive(Debug, Args)]
pub(crate) struct RoundArguments {
    /// Only units at this place
    #[arg(long)]
    pub(crate) place: Option<Name>,
    /// The round as it was at this time [default: now]
    #[arg(long, value_name = "WHEN")]
    pub(crate) at: Option<String>,
}

#[derive(Debug, Args)]
pub(crate) struct ListenArguments {
    /// Only this board
    #[arg(long)]
    pub(crate) board: Option<Name>,
    /// End after this time, such as 10min; the exit code is 1 if nothing
    /// came
    #[arg(long = "for", value_name = "LENGTH")]
    pub(crate) length: Option<String>,
}

#[derive(Debug, Args)]
pub(crate) struct ReadingsArguments {
    /// What speaks for this place
    #[arg(long, conflicts_with = "board")]
    pub(crate) place: Option<Name>,
    /// Only this board
    #[arg(long)]
    pub(crate) board: Option<Name>,
    /// Only this probe
    #[arg(long)]
    pub(crate) probe: Option<Name>,
    /// Only this quantity
    #[arg(long, value_parser = quantity)]
    pub(crate) quantity: Option<Quantity>,
    /// A time, or a length such as 7d or 12h before the end
    #[arg(long, value_name = "WHEN", default_value = "24h")]
    pub(crate) since: String,
    /// The end [default: now]
    #[arg(long, value_name = "WHEN")]
    pub(crate) until: Option<String>,
}

#[derive(Debug, Subcommand)]
pub(crate) enum WatchesCommand {
    /// Play stored readings through a watch, as it stands or changed, and
    /// show the alerts it would have raised; nothing is written or told
    Try(TryArguments),
}

#[derive(Debug, Args)]
pub(crate) struct TryArguments {
    /// Only this place [default: all]
    pub(crate) place: Option<Name>,
    /// Only this quantity [default: all]
    #[arg(value_parser = quantity)]
    pub(crate) quantity: Option<Quantity>,
    #[command(flatten)]
    pub(crate) limits: Limits,
    /// A time, or a length such as 30d before the end
    #[arg(long, value_name = "WHEN", default_value = "30d")]
    pub(crate) since: String,
    /// The end [default: now]
    #[arg(long, value_name = "WHEN")]
    pub(crate) until: Option<String>,
}

#[derive(Debug, Args)]
#[command(args_conflicts_with_subcommands = true)]
pub(crate) struct AlertsArguments {
    #[command(subcommand)]
    pub(crate) what: Option<OneAlert>,
    /// Also those that are over: a time, or a length such as 30d
    #[arg(long, value_name = "WHEN")]
    pub(crate) since: Option<String>,
}

#[derive(Debug, Subcommand)]
pub(crate) enum OneAlert {
    /// The whole story of one: readings, what happened, every delivery
    Show {
        /// Its id, the beginning of it, or the watch of one that lasts
        id: String,
    },
    /// Somebody knows: it is not repeated; its end is told all the same
    Seen(AlertAnswer),
    /// Not now: it is told again later, if it still lasts then
    Snooze(AlertSnooze),
}

#[derive(Debug, Args)]
pub(crate) struct AlertAnswer {
    /// Its id, the beginning of it, or the watch of one that lasts
    pub(crate) id: String,
    /// Why
    #[arg(long, value_name = "REASON", default_value = "")]
    pub(crate) because: String,
    /// Who answers
    #[arg(long, value_name = "NAME")]
    pub(crate) by: Option<String>,
}

#[derive(Debug, Args)]
pub(crate) struct AlertSnooze {
    #[command(flatten)]
    pub(crate) answer: AlertAnswer,
    /// How long, such as 6h or 2d
    #[arg(long = "for", value_name = "LENGTH")]
    pub(crate) length: String,
}

#[derive(Debug, Subcommand)]
pub(crate) enum Import {
    /// Take in a trial folder: trial.csv, containers.csv, checks.csv, …
    Trial(ImportTrial),
    /// Take in readings: board,time,temperature_celsius,…
    Readings(ImportReadings),
}

#[derive(Debug, Args)]
pub(crate) struct ImportTrial {
    /// The folder
    pub(crate) folder: PathBuf,
    /// Take in the sound rows when others are not
    #[arg(long)]
    pub(crate) keep_good: bool,
    /// Replace what was recorded otherwise, for this reason
    #[arg(long, value_name = "REASON")]
    pub(crate) supersede: Option<String>,
    /// Who writes
    #[arg(long, value_name = "NAME")]
    pub(crate) by: Option<String>,
    /// Judge, but write nothing; the exit code is 1 if something is wrong
    #[arg(long)]
    pub(crate) dry_run: bool,
}

#[derive(Debug, Args)]
pub(crate) struct ImportReadings {
    /// The file
    pub(crate) file: PathBuf,
    /// Take in the sound rows when others are not
    #[arg(long)]
    pub(crate) keep_good: bool,
    /// Judge, but write nothing; the exit code is 1 if something is wrong
    #[arg(long)]
    pub(crate) dry_run: bool,
}

#[derive(Debug, Args)]
pub(crate) struct ExportArguments {
    /// The folder: new, empty, or with an older export that is replaced
    #[arg(long, value_name = "DIR")]
    pub(crate) out: PathBuf,
}

#[derive(Debug, Args)]
pub(crate) struct BackupArguments {
    /// File to write, or folder to write a dated one into [default: the
    /// folder of the settings, where old ones are taken away]
    #[arg(long, value_name = "FILE")]
    pub(crate) out: Option<PathBuf>,
}

#[derive(Debug, Args)]
pub(crate) struct RestoreArguments {
    /// The backup
    #[arg(
        required_unless_present = "from_journal",
        conflicts_with = "from_journal"
    )]
    pub(crate) file: Option<PathBuf>,
    /// Instead, add to an empty data file the entries of a plain-text
    /// journal, or to one that has the first of them
    #[arg(long, value_name = "FILE")]
    pub(crate) from_journal: Option<PathBuf>,
}

#[derive(Debug, Args)]
pub(crate) struct VerifyArguments {
    /// A backup or a copy [default: the data file with its journal]
    pub(crate) file: Option<PathBuf>,
}

#[derive(Debug, Args)]
pub(crate) struct PasswordArguments {
    /// The board
    #[arg(required_unless_present = "web")]
    pub(crate) board: Option<Name>,
    /// Set the password of the pages instead; it counts from the daemon's
    /// next start, which also logs everybody out
    #[arg(long, conflicts_with_all = ["board", "save"])]
    pub(crate) web: bool,
    /// Read the password from the first line of standard input, instead of
    /// making one up
    #[arg(long)]
    pub(crate) stdin: bool,
    /// Write the line into the users file of the settings, instead of
    /// printing it
    #[arg(long)]
    pub(crate) save: bool,
}

/// A place with its kind.
fn place_and_kind(text: &str) -> Result<(Name, PlaceKind), String> {
    let (name, kind) = text
        .split_once('=')
        .ok_or("write it as NAME=KIND, such as fridge-drawer=fridge")?;
    let name = Name::new(name.trim()).map_err(|error| error.to_string())?;
    let kind = from_word(&PlaceKind::WORDS, kind.trim())
        .map_err(|words| format!("use one of the kinds {words}"))?;
    Ok((name, kind))
}

/// A quantity by its word.
pub(crate) fn quantity(text: &str) -> Result<Quantity, String> {
    Quantity::from_word(text).ok_or_else(|| {
        format!("use one of {}", Quantity::ALL.map(Quantity::word).join(", "))
    })
}
