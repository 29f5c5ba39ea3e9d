//! The program in a process of its own, for tests that are hard on it.

use std::fs;
use std::path::Path;
use std::process::{Child, Command, Stdio};

use rustix::process::{Pid, Signal, kill_process};

/// A running daemon; killed when dropped.
pub(crate) struct Process(Child);

impl Process {
    /// Runs the daemon behind `sh -c before`, which may set limits first.
    pub(crate) fn start(settings: &Path, before: &str) -> Self {
        let child = Command::new("/bin/sh")
            .arg("-c")
            .arg(format!("{before} exec \"$0\" \"$@\""))
            .arg(env!("CARGO_BIN_EXE_vernalog"))
            .args(["run", "--strict", "--settings"])
            .arg(settings)
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        Self(child)
    }

    pub(crate) fn id(&self) -> u32 {
        self.0.id()
    }

    /// SIGKILL: no last word.
    pub(crate) fn kill(&mut self) {
        self.0.kill().unwrap();
        self.0.wait().unwrap();
    }

    /// Sends a signal.
    pub(crate) fn signal(&self, signal: Signal) {
        let pid = Pid::from_child(&self.0);
        kill_process(pid, signal).unwrap();
    }

    /// SIGTERM: it must end in order.
    pub(crate) fn stop(mut self) {
        self.signal(Signal::TERM);
        let status = self.0.wait().unwrap();
        assert!(status.success(), "the daemon ended with {status}");
    }

    /// The fields of /proc/PID/stat from the third on (proc(5)).
    fn stat(&self) -> Vec<String> {
        let stat = fs::read_to_string(format!("/proc/{}/stat", self.id()));
        let stat = stat.unwrap();
        let (_, after_name) = stat.rsplit_once(") ").unwrap();
        after_name.split(' ').map(str::to_owned).collect()
    }

    /// `T` when it was stopped by a signal.
    pub(crate) fn state(&self) -> char {
        self.stat()[0].chars().next().unwrap()
    }

    /// User and system time so far, seconds (fields 14 and 15, in hundredths
    /// of a second).
    pub(crate) fn cpu_seconds(&self) -> f64 {
        let stat = self.stat();
        let ticks = |n: usize| stat[n].parse::<f64>().unwrap();
        (ticks(11) + ticks(12)) / 100.0
    }

    /// Resident memory, MiB (proc(5): VmRSS of /proc/PID/status, in KiB).
    pub(crate) fn resident_mib(&self) -> f64 {
        let status = fs::read_to_string(format!("/proc/{}/status", self.id()));
        let status = status.unwrap();
        let line = status.lines().find_map(|l| l.strip_prefix("VmRSS:"));
        let kib = line.unwrap().trim().trim_end_matches(" kB");
        kib.parse::<f64>().unwrap() / 1024.0
    }
}

impl Drop for Process {
    fn drop(&mut self) {
        drop(self.0.kill());
        drop(self.0.wait());
    }
}
