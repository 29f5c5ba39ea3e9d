//! A program of the grower's own that is told an alert.
//!
//! The alert's JSON goes to its standard input; exit code 0 means taken.
//! Deliberately no shell: program and arguments are a list, nothing in them
//! is expanded, and nothing of an alert ever becomes an argument. What the
//! program prints is dropped.

use std::io;
use std::os::unix::fs::PermissionsExt;
use std::path::PathBuf;
use std::process::{ExitStatus, Stdio};
use std::time::Duration;

use rustix::process::{Pid, Signal, kill_process_group};
use serde::Deserialize;
use tokio::io::AsyncWriteExt;
use tokio::process::Child;
use tokio::time::timeout;

use crate::notify::LONGEST_TIME_OUT_SECS;
use crate::observation::Name;

/// How long a command may take unless the settings say otherwise, s.
const TIME_OUT_SECS: u64 = 20;

/// A `[[channel]]` of kind `command`.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Settings {
    /// The program's absolute path and its arguments, as they are.
    pub command: Vec<String>,
    /// How long it may take, s; 20 when absent, at most 300.
    #[serde(default = "usual_time_out")]
    pub time_out_secs: u64,
    /// What the outbox knows the channel by; `command` when absent.
    #[serde(default)]
    pub name: Option<Name>,
    /// The channel for which this one stands in.
    pub stands_in_for: Option<Name>,
    /// After so many failures of the other; 5 when absent.
    pub after_failures: Option<u32>,
}

impl Settings {
    /// A command by itself, all else as usual.
    #[must_use]
    pub fn of(command: Vec<String>) -> Self {
        Self {
            command,
            time_out_secs: TIME_OUT_SECS,
            name: None,
            stands_in_for: None,
            after_failures: None,
        }
    }
}

fn usual_time_out() -> u64 {
    TIME_OUT_SECS
}

/// Why a command channel of the settings cannot be used.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum SettingsError {
    /// The list is empty.
    #[error("`command` names no program")]
    NoProgram,
    /// The program would have to be searched for.
    #[error(
        "the program {program:?} is no absolute path, such as \
         \"/usr/local/bin/{program}\""
    )]
    NotAbsolute {
        /// As set.
        program: String,
    },
    /// No program takes an argument with a zero byte.
    #[error("`command` contains a zero byte")]
    ZeroByte,
    /// Too short or too long.
    #[error(
        "`time_out_secs` is {secs}; use 1 to {LONGEST_TIME_OUT_SECS} seconds"
    )]
    TimeOut {
        /// As set.
        secs: u64,
    },
}

/// Why a command did not take an alert.
#[derive(Debug, thiserror::Error)]
pub enum CommandError {
    /// It could not be started.
    #[error("cannot start {program:?}")]
    NotStarted {
        /// Its path.
        program: PathBuf,
        /// Why.
        source: io::Error,
    },
    /// It was still running and was ended, with all it had started.
    #[error("{program:?} took longer than {secs} s and was ended")]
    TimedOut {
        /// Its path.
        program: PathBuf,
        /// The time-out, s.
        secs: f64,
    },
    /// It ended with another exit code than 0.
    #[error("{program:?} ended with exit code {code}")]
    Refused {
        /// Its path.
        program: PathBuf,
        /// The code.
        code: i32,
    },
    /// A signal ended it.
    #[error("{program:?} was ended by a signal")]
    Signalled {
        /// Its path.
        program: PathBuf,
    },
    /// It could not be talked to or waited for.
    #[error("lost touch with {program:?}")]
    Lost {
        /// Its path.
        program: PathBuf,
        /// Why.
        source: io::Error,
    },
}

/// A command channel, ready to run.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Command {
    program: PathBuf,
    arguments: Vec<String>,
    time_out: Duration,
}

impl Command {
    /// Checks the settings, without looking at the file system.
    ///
    /// # Errors
    /// [`SettingsError`] when they could never work.
    pub fn new(settings: Settings) -> Result<Self, SettingsError> {
        let mut words = settings.command.into_iter();
        let program = words.next().ok_or(SettingsError::NoProgram)?;
        let arguments: Vec<String> = words.collect();
        if !program.starts_with('/') {
            return Err(SettingsError::NotAbsolute { program });
        }
        if program.contains('\0')
            || arguments.iter().any(|text| text.contains('\0'))
        {
            return Err(SettingsError::ZeroByte);
        }
        let secs = settings.time_out_secs;
        if !(1..=LONGEST_TIME_OUT_SECS).contains(&secs) {
            return Err(SettingsError::TimeOut { secs });
        }
        let time_out = Duration::from_secs(secs);
        Ok(Self { program: PathBuf::from(program), arguments, time_out })
    }

    /// Whether the program is there and may be run.
    ///
    /// # Errors
    /// [`CommandError::NotStarted`] when it is not a file that may be run.
    pub fn look(&self) -> Result<(), CommandError> {
        let source = match std::fs::metadata(&self.program) {
            Err(error) => error,
            Ok(found) if !found.is_file() => io::Error::new(
                io::ErrorKind::InvalidInput,
                "this is not a file",
            ),
            Ok(found) if found.permissions().mode() & 0o111 == 0 => {
                io::ErrorKind::PermissionDenied.into()
            }
            Ok(_) => return Ok(()),
        };
        Err(self.not_started(source))
    }

    /// Runs it once with `input` on its standard input.
    ///
    /// # Errors
    /// [`CommandError`] unless it ended with exit code 0 in time. At the
    /// time-out the program and everything it started in its own process
    /// group is killed.
    pub async fn run(&self, input: &[u8]) -> Result<(), CommandError> {
        let mut child = tokio::process::Command::new(&self.program)
            .args(&self.arguments)
            .stdin(Stdio::piped())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .process_group(0)
            .kill_on_drop(true)
            .spawn()
            .map_err(|source| self.not_started(source))?;
        match timeout(self.time_out, hand_over(&mut child, input)).await {
            Ok(Ok(status)) => self.judge(status),
            Ok(Err(source)) => {
                let program = self.program.clone();
                Err(CommandError::Lost { program, source })
            }
            Err(_) => {
                let program = self.program.clone();
                end(&mut child).await.map_err(|source| CommandError::Lost {
                    program: program.clone(),
                    source,
                })?;
                let secs = self.time_out.as_secs_f64();
                Err(CommandError::TimedOut { program, secs })
            }
        }
    }

    fn judge(&self, status: ExitStatus) -> Result<(), CommandError> {
        let program = || self.program.clone();
        match status.code() {
            Some(0) => Ok(()),
            Some(code) => {
                Err(CommandError::Refused { program: program(), code })
            }
            None => Err(CommandError::Signalled { program: program() }),
        }
    }

    fn not_started(&self, source: io::Error) -> CommandError {
        CommandError::NotStarted { program: self.program.clone(), source }
    }
}

/// Writes the input, closes it and waits for the end. A program that does
/// not read its input may still say that it took the alert.
async fn hand_over(child: &mut Child, input: &[u8]) -> io::Result<ExitStatus> {
    let mut stdin = child.stdin.take().expect("the input was asked for");
    match stdin.write_all(input).await {
        Err(error) if error.kind() != io::ErrorKind::BrokenPipe => {
            return Err(error);
        }
        _ => drop(stdin),
    }
    child.wait().await
}

/// Kills the whole group, then waits so that nothing is left behind.
async fn end(child: &mut Child) -> io::Result<()> {
    let group = child
        .id()
        .and_then(|id| i32::try_from(id).ok())
        .and_then(Pid::from_raw);
    // The child has not been waited for, so its number is still its own; the
    // group may have ended by itself this instant, which is as good.
    if let Some(group) = group
        && let Err(error) = kill_process_group(group, Signal::KILL)
        && error != rustix::io::Errno::SRCH
    {
        return Err(error.into());
    }
    child.wait().await.map(drop)
}

#[cfg(test)]
mod tests {
    use std::fs;
    use std::path::Path;
    use std::time::Instant;

    use tempfile::TempDir;

    use super::*;
    use crate::notify::body::AlertJson;
    use crate::notify::body::tests::warm_fridge;
    use crate::notify::{Channel, Way};

    /// A channel that runs `script` with `arguments`. The script is given to
    /// `/bin/sh` as a file: a file just written and started at once is "busy"
    /// while another test forks.
    fn channel(folder: &Path, script: &str, arguments: &[&str]) -> Command {
        let file = folder.join("tell.sh");
        fs::write(&file, script).unwrap();
        let mut command =
            vec!["/bin/sh".to_owned(), file.display().to_string()];
        command.extend(arguments.iter().map(ToString::to_string));
        Command::new(Settings::of(command)).unwrap()
    }

    fn text(folder: &TempDir, file: &str) -> String {
        fs::read_to_string(folder.path().join(file)).unwrap()
    }

    #[tokio::test]
    async fn the_command_gets_the_alert_on_its_input() {
        let folder = tempfile::tempdir().unwrap();
        let out = folder.path().join("got").display().to_string();
        let command = channel(
            folder.path(),
            "cat > \"$1\"; echo said; echo >&2 said",
            &[&out],
        );
        let channel = Channel {
            name: "command".to_owned(),
            stand_in: None,
            way: Way::Command(command),
        };

        channel.look().unwrap();
        channel.send(&AlertJson::new(&warm_fridge(), 3), None).await.unwrap();

        let got: serde_json::Value =
            serde_json::from_str(&text(&folder, "got")).unwrap();
        assert_eq!(got["format"], "vernalog-alert/1");
        assert_eq!(got["place"], "fridge-drawer");
        assert_eq!(got["attempt"], 3);
    }

    #[tokio::test]
    async fn arguments_arrive_as_they_are_and_never_through_a_shell() {
        let folder = tempfile::tempdir().unwrap();
        let out = folder.path().join("got").display().to_string();
        let victim = folder.path().join("victim");
        fs::write(&victim, "still here").unwrap();
        let nasty = format!("; rm -f {} #", victim.display());
        let more = "$(touch x) `id` * \"'|&\n>y";
        let command = channel(
            folder.path(),
            "out=\"$1\"; shift; printf '%s\\0' \"$@\" > \"$out\"",
            &[&out, &nasty, more, ""],
        );

        command.run(b"{}").await.unwrap();

        assert_eq!(text(&folder, "got"), format!("{nasty}\0{more}\0\0"));
        assert_eq!(text(&folder, "victim"), "still here");
    }

    #[tokio::test]
    async fn another_exit_code_means_not_taken() {
        let folder = tempfile::tempdir().unwrap();
        let error = channel(folder.path(), "cat > /dev/null; exit 75", &[])
            .run(b"{}")
            .await
            .unwrap_err();
        assert_eq!(error.to_string(), "\"/bin/sh\" ended with exit code 75");
        let error = channel(folder.path(), "kill -9 $$", &[])
            .run(b"{}")
            .await
            .unwrap_err();
        assert!(matches!(error, CommandError::Signalled { .. }), "{error}");
    }

    #[tokio::test]
    async fn a_command_that_does_not_read_may_still_take_it() {
        let folder = tempfile::tempdir().unwrap();
        let command = channel(folder.path(), "exit 0", &[]);
        // More than a pipe holds, so that the write cannot end by itself.
        command.run(&vec![b' '; 1 << 20]).await.unwrap();
    }

    /// Whether a process runs; one that only waits to be collected does not.
    fn runs(process: &str) -> bool {
        fs::read_to_string(format!("/proc/{process}/stat")).is_ok_and(|stat| {
            let state = stat.rsplit(')').next().unwrap_or("").trim_start();
            !state.starts_with(['Z', 'X'])
        })
    }

    #[tokio::test]
    async fn a_command_that_hangs_is_ended_with_all_it_started() {
        let folder = tempfile::tempdir().unwrap();
        let out = folder.path().join("children").display().to_string();
        let mut command = channel(
            folder.path(),
            "sleep 600 & echo $! $$ > \"$1\"; wait",
            &[&out],
        );
        command.time_out = Duration::from_secs(3);
        let begun = Instant::now();

        let error = command.run(b"{}").await.unwrap_err();

        assert_eq!(
            error.to_string(),
            "\"/bin/sh\" took longer than 3 s and was ended"
        );
        assert!(begun.elapsed() < Duration::from_secs(60));
        let children = text(&folder, "children");
        assert_eq!(children.split_whitespace().count(), 2);
        for child in children.split_whitespace() {
            let patience = Instant::now();
            while runs(child) {
                assert!(
                    patience.elapsed() < Duration::from_secs(20),
                    "process {child} still runs"
                );
                tokio::task::yield_now().await;
            }
        }
    }

    #[tokio::test]
    async fn a_missing_program_is_named_at_the_start_and_at_each_try() {
        let settings = Settings::of(vec!["/nowhere/tell".to_owned()]);
        let command = Command::new(settings).unwrap();
        for error in
            [command.look().unwrap_err(), command.run(b"{}").await.unwrap_err()]
        {
            assert_eq!(error.to_string(), "cannot start \"/nowhere/tell\"");
        }
        let folder = tempfile::tempdir().unwrap();
        let plain = folder.path().join("tell.sh");
        fs::write(&plain, "").unwrap();
        for path in [folder.path(), plain.as_path()] {
            let command = vec![path.display().to_string()];
            let settings = Settings::of(command);
            assert!(Command::new(settings).unwrap().look().is_err());
        }
    }

    #[test]
    fn a_time_out_of_nothing_or_of_an_hour_is_refused() {
        for secs in [0, 3600] {
            let settings = Settings {
                time_out_secs: secs,
                ..Settings::of(vec!["/bin/true".to_owned()])
            };
            assert_eq!(
                Command::new(settings),
                Err(SettingsError::TimeOut { secs })
            );
        }
    }
}
