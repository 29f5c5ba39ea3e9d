//! Reports made by a child of the daemon, one at a time: its memory and its
//! faults stay its own.
//!
//! Not the report: the child is this very program with other arguments. It
//! is ended when it takes too long, and when the daemon stops.

use std::ffi::OsString;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Stdio;
use std::sync::{Mutex, PoisonError};
use std::time::Duration;

use tokio::io::{AsyncBufReadExt, AsyncReadExt, BufReader};
use tokio::process::Command;
use tokio::sync::{mpsc, watch};
use tokio::time::timeout;

use crate::observation::{Name, shown};
use crate::store::disk::beside;
use crate::units::Instant;

/// A report takes seconds; one that takes longer than this never ends.
const LONGEST: Duration = Duration::from_secs(600);
/// What is read of the child's talk, bytes.
const MOST_TALK: u64 = 64 * 1024;

/// How the making of reports stands.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Standing {
    /// None is made, and the last one went well.
    Idle,
    /// One is being made.
    Busy {
        trial: Name,
        since: Instant,
        /// Steps done, of so many, and what is being done.
        step: (u32, u32, String),
    },
    /// The last one could not be made.
    Failed { trial: Name, told: String },
}

/// Makes reports.
#[derive(Debug)]
pub(crate) struct Maker {
    /// The program and its first arguments; empty where none can be made.
    command: Vec<OsString>,
    folder: PathBuf,
    standing: Mutex<Standing>,
    asks: mpsc::Sender<Name>,
    asked: Mutex<Option<mpsc::Receiver<Name>>>,
}

impl Maker {
    /// For the reports of a data file; they are kept beside it.
    pub(crate) fn new(command: Vec<OsString>, data: &Path) -> Self {
        let (asks, asked) = mpsc::channel(1);
        Self {
            command,
            folder: beside(data, ".reports"),
            standing: Mutex::new(Standing::Idle),
            asks,
            asked: Mutex::new(Some(asked)),
        }
    }

    /// Where the report of a trial is kept.
    pub(crate) fn folder(&self, trial: &Name) -> PathBuf {
        self.folder.join(trial.as_str())
    }

    /// Whether reports can be made here.
    pub(crate) fn is_able(&self) -> bool {
        !self.command.is_empty()
    }

    pub(crate) fn standing(&self) -> Standing {
        self.lock().clone()
    }

    fn lock(&self) -> std::sync::MutexGuard<'_, Standing> {
        self.standing.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Asks for a report; false while another one is being made.
    pub(crate) fn begin(&self, trial: &Name, now: Instant) -> bool {
        let mut standing = self.lock();
        if matches!(*standing, Standing::Busy { .. }) {
            return false;
        }
        if self.asks.try_send(trial.clone()).is_err() {
            return false;
        }
        *standing = Standing::Busy {
            trial: trial.clone(),
            since: now,
            step: (0, 1, "starting".to_owned()),
        };
        true
    }

    /// Makes what is asked for until told to stop.
    pub(crate) async fn run(&self, stop: watch::Receiver<bool>) {
        let asked =
            self.asked.lock().unwrap_or_else(PoisonError::into_inner).take();
        let Some(mut asked) = asked else { return };
        let mut stopping = stop.clone();
        let work = async {
            while let Some(trial) = asked.recv().await {
                let folder = self.folder(&trial);
                let made = match timeout(LONGEST, self.make(&trial)).await {
                    Ok(made) => made,
                    Err(_) => Err(format!(
                        "it took longer than {} minutes and was ended",
                        LONGEST.as_secs() / 60
                    )),
                };
                if let Err(told) = &made {
                    sweep(&folder);
                    tracing::warn!(%trial, "no report: {}", shown(told));
                }
                *self.lock() = match made {
                    Ok(()) => Standing::Idle,
                    Err(told) => Standing::Failed { trial, told },
                };
            }
        };
        // A child that is let go of is killed.
        tokio::select! {
            () = work => {}
            _ = stopping.wait_for(|stop| *stop) => {}
        }
    }

    async fn make(&self, trial: &Name) -> Result<(), String> {
        let (program, first) =
            self.command.split_first().ok_or("this is not set up here")?;
        let failed = |error: std::io::Error| error.to_string();
        let mut child = Command::new(program)
            .args(first)
            .args(["report", "--steps", "--trial", trial.as_str(), "--out"])
            .arg(self.folder(trial))
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::piped())
            .kill_on_drop(true)
            .spawn()
            .map_err(|error| {
                format!("\"{}\": {error}", program.to_string_lossy())
            })?;
        let mut told = Vec::new();
        if let Some(stderr) = child.stderr.take() {
            let mut lines = BufReader::new(stderr.take(MOST_TALK)).lines();
            while let Some(line) = lines.next_line().await.map_err(failed)? {
                match step(&line) {
                    Some(now) => self.is_at(now),
                    None => told.push(line),
                }
            }
        }
        let status = child.wait().await.map_err(failed)?;
        if status.success() {
            return Ok(());
        }
        if told.is_empty() {
            told.push(format!("the program ended with {status}"));
        }
        Err(told.join("; "))
    }

    fn is_at(&self, now: (u32, u32, String)) {
        if let Standing::Busy { step, .. } = &mut *self.lock() {
            *step = now;
        }
    }
}

/// `step 3/6 joining conditions to counts`, as `report --steps` says.
fn step(line: &str) -> Option<(u32, u32, String)> {
    let (numbers, doing) = line.strip_prefix("step ")?.split_once(' ')?;
    let (done, of) = numbers.split_once('/')?;
    Some((done.parse().ok()?, of.parse().ok()?, doing.to_owned()))
}

/// Takes away what a child that was ended left half written.
fn sweep(folder: &Path) {
    for folder in [folder.to_owned(), folder.join("figures")] {
        let Ok(entries) = fs::read_dir(folder) else { continue };
        for entry in entries.flatten() {
            let path = entry.path();
            if path.extension().is_some_and(|ending| ending == "new") {
                // One that cannot be removed is in nobody's way.
                fs::remove_file(path).ok();
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use super::*;

    fn maker(script: &str, folder: &Path) -> Arc<Maker> {
        let command = ["sh", "-c", script, "sh"].map(OsString::from).to_vec();
        Arc::new(Maker::new(command, &folder.join("vernalog.db")))
    }

    fn rowan() -> Name {
        Name::new("rowan").unwrap()
    }

    async fn until(maker: &Maker, wanted: impl Fn(&Standing) -> bool) {
        while !wanted(&maker.standing()) {
            tokio::time::sleep(Duration::from_millis(5)).await;
        }
    }

    #[test]
    fn steps_are_told_from_other_talk() {
        let read = step("step 3/6 joining conditions to counts");
        let doing = "joining conditions to counts".to_owned();
        assert_eq!(read, Some((3, 6, doing)));
        for other in ["", "error: no", "step", "step a/b c", "step 3 6 c"] {
            assert_eq!(step(other), None, "{other}");
        }
    }

    #[tokio::test]
    async fn one_report_is_made_at_a_time_and_its_trouble_is_told() {
        let folder = tempfile::tempdir().unwrap();
        let script = "echo 'step 2/6 drawing' >&2; read x < go; \
                      echo 'error: no such trial' >&2; exit 2";
        let script = format!("cd {}; {script}", folder.path().display());
        let fifo = folder.path().join("go");
        let made = std::process::Command::new("mkfifo").arg(&fifo).status();
        assert!(made.unwrap().success());
        let maker = maker(&script, folder.path());
        let (_stop, stopping) = watch::channel(false);
        let running = Arc::clone(&maker);
        tokio::spawn(async move { running.run(stopping).await });

        let now = Instant::from_millis(0);
        assert!(maker.begin(&rowan(), now));
        assert!(!maker.begin(&rowan(), now), "one at a time");
        until(&maker, |standing| {
            matches!(standing, Standing::Busy { step: (2, 6, _), .. })
        })
        .await;
        fs::write(&fifo, "go\n").unwrap();
        let told = "error: no such trial".to_owned();
        let failed = Standing::Failed { trial: rowan(), told };
        until(&maker, |standing| *standing == failed).await;
        assert!(maker.begin(&rowan(), now), "and then the next one");
    }

    #[tokio::test]
    async fn a_child_is_ended_when_the_daemon_stops() {
        let folder = tempfile::tempdir().unwrap();
        let pid = folder.path().join("pid");
        let script = format!(
            "echo $$ > {0}.half; mv {0}.half {0}; exec sleep 600",
            pid.display()
        );
        let maker = maker(&script, folder.path());
        let (stop, stopping) = watch::channel(false);
        let running = Arc::clone(&maker);
        let run = tokio::spawn(async move { running.run(stopping).await });
        assert!(maker.begin(&rowan(), Instant::from_millis(0)));
        while !pid.exists() {
            tokio::time::sleep(Duration::from_millis(5)).await;
        }
        let child = fs::read_to_string(&pid).unwrap();
        stop.send_replace(true);
        run.await.unwrap();
        let process = PathBuf::from(format!("/proc/{}/cmdline", child.trim()));
        // A killed process has no command line any more.
        while fs::read(&process).is_ok_and(|line| !line.is_empty()) {
            tokio::time::sleep(Duration::from_millis(5)).await;
        }
    }
}
