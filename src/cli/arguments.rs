//! The arguments as typed: every command, every option, its help.
//!
//! No file is opened and no time is read here. Help, completions and the
//! manual page come from these definitions.

use std::path::PathBuf;

use clap::{Args, Parser, Subcommand};

use crate::cli::record_arguments::RecordArguments;
use crate::observation::{Name, Quantity};

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
    /// Show readings
    Readings(ReadingsArguments),
    /// List the ranges to be kept
    Watches,
    /// List alerts; the exit code is 1 while one lasts
    Alerts(AlertsArguments),
    /// Write the report of a trial
    Report(ReportArguments),
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
}

#[derive(Debug, Args)]
pub(crate) struct InitArguments {
    /// Time zone of the house [default: that of this machine]
    #[arg(long, value_name = "ZONE")]
    pub(crate) time_zone: Option<chrono_tz::Tz>,
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

/// A quantity by its word.
pub(crate) fn quantity(text: &str) -> Result<Quantity, String> {
    Quantity::from_word(text).ok_or_else(|| {
        format!("use one of {}", Quantity::ALL.map(Quantity::word).join(", "))
    })
}
