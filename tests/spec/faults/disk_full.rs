//! A disk that takes no more, and then again.

use std::fs::{self, File};
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::{Duration, Instant};

use serde_json::Value;
use vernalog::decode::sealed;
use vernalog::notify::{self, channels, command};
use vernalog::units::Instant as Moment;

use super::{inlet_at, wait_until};
use crate::support::broker::free_port;
use crate::support::flood::Flood;
use crate::support::house::{House, say, until_true};
use crate::support::plug::Socket;
use crate::support::process::Process;
use crate::support::shelf::{
    assert_exactly_once, assert_sound, numbers, stored,
};

const BOARD: &str = "fridge-drawer";

/// Waits until nothing was acknowledged for a while, in which the board is
/// cut off again and again: the writer tries once a second.
fn until_it_stands_still(flood: &Flood) -> u64 {
    let mut stopped_at = (0, Instant::now());
    wait_until("nothing is acknowledged any more", || {
        let now = flood.acknowledged();
        if now != stopped_at.0 {
            stopped_at = (now, Instant::now());
        }
        now > 0 && stopped_at.1.elapsed() > Duration::from_secs(3)
    });
    flood.acknowledged()
}

/// What was acknowledged is there; of the rest no more than the window,
/// whose acknowledgements were cut off with the connection.
fn assert_kept(home: &House, acknowledged: u64, window: u64) {
    let stored = numbers(&home.data(), BOARD);
    assert!((1..=acknowledged).all(|number| stored.contains_key(&number)));
    assert!(stored.keys().all(|number| *number <= acknowledged + window));
}

/// The system's limit on the size of files stands in for a full disk: a
/// write fails in its middle (EFBIG where a full disk says ENOSPC).
#[test]
fn a_disk_that_takes_no_more_loses_nothing() {
    let home = House::new();
    home.place(BOARD);
    let port = free_port();
    // 1,200 blocks of 512 bytes; the signal that comes with it is ignored.
    let limit = "trap '' XFSZ; ulimit -S -f 1200;";
    let daemon = Process::start(&home.settings(&inlet_at(port)), limit);
    let flood = Flood::begin(BOARD, port, 100, Duration::from_millis(1));
    let when_full = until_it_stands_still(&flood);
    assert_kept(&home, when_full, 100);

    // There is room again.
    let pid = daemon.id().to_string();
    let lifted = Command::new("prlimit")
        .args(["--pid", &pid, "--fsize=unlimited"])
        .status()
        .expect("prlimit is missing; install it: apt-get install util-linux");
    assert!(lifted.success());
    wait_until("readings come in again", || {
        flood.acknowledged() > when_full + 1_000
    });
    let told = flood.end();
    assert!(told.connections > 1, "the connection was dropped");
    drop(daemon);
    assert_exactly_once(&home.data(), BOARD, told);
}

/// A small disk of memory over a folder; gone when dropped.
struct SmallDisk(PathBuf);

impl SmallDisk {
    /// None, with the reason said aloud, where this system lets us mount
    /// nothing.
    fn over(folder: &Path) -> Option<Self> {
        let mounted = Command::new("mount")
            .args(["-t", "tmpfs", "-o", "size=8m", "none"])
            .arg(folder)
            .output();
        match mounted {
            Ok(output) if output.status.success() => {
                Some(Self(folder.to_owned()))
            }
            other => {
                say(&format!(
                    "SKIPPED: a full disk needs a tmpfs, and mount (root \
                     only) was refused: {other:?}"
                ));
                None
            }
        }
    }

    /// Fills it to the last byte.
    fn fill(&self) {
        let mut ballast = File::create(self.0.join("ballast")).unwrap();
        while ballast.write_all(&[1; 512]).is_ok() {}
    }

    fn empty(&self) {
        fs::remove_file(self.0.join("ballast")).unwrap();
    }
}

impl Drop for SmallDisk {
    fn drop(&mut self) {
        drop(Command::new("umount").arg("-l").arg(&self.0).status());
    }
}

/// The real thing: a disk without a byte left. A board at the inlet sends
/// again what was not acknowledged; lines of a board on a cable, which does
/// not, wait in memory.
#[test]
fn a_full_disk_loses_nothing_not_even_lines_that_come_once() {
    const ON_A_CABLE: &str = "cold-frame";
    let home = House::new();
    let Some(disk) = SmallDisk::over(home.data().parent().unwrap()) else {
        return;
    };
    home.place(BOARD);
    home.place(ON_A_CABLE);
    let port = free_port();
    let socket = Socket::new();
    let mut plugged = socket.plug();
    let settings = home.settings(&format!(
        "{}[[serial]]\nport = \"{}\"\n",
        inlet_at(port),
        socket.name().display()
    ));
    let daemon = Process::start(&settings, "");
    let flood = Flood::begin(BOARD, port, 100, Duration::from_millis(20));
    wait_until("readings come in", || flood.acknowledged() > 500);
    let mut number = 0;
    let mut measure = |n: u64| {
        for _ in 0..n {
            number += 1;
            let object = format!(
                r#"{{"board":"{ON_A_CABLE}","boot":"k3v9q0tz1x","seq":{number},"up_ms":{number}000,"probe":"p{number}","light_lux":0}}"#
            );
            plugged.say(sealed(&object).as_bytes());
        }
    };
    measure(3);
    wait_until("lines come in", || stored(&home.data(), ON_A_CABLE) == 3);

    disk.fill();
    let when_full = until_it_stands_still(&flood);
    assert_kept(&home, when_full, 100);
    measure(40);
    // It is tried again and again in vain.
    std::thread::sleep(Duration::from_secs(2));
    assert_eq!(flood.acknowledged(), when_full);

    disk.empty();
    wait_until("readings come in again", || {
        flood.acknowledged() > when_full + 500
    });
    wait_until("the lines of the full time are there", || {
        stored(&home.data(), ON_A_CABLE) == 43
    });
    let told = flood.end();
    daemon.stop();
    assert_exactly_once(&home.data(), BOARD, told);
    let lines = numbers(&home.data(), ON_A_CABLE);
    assert!((1..=43).all(|n| lines.get(&n) == Some(&1)), "{lines:?}");
    assert_sound(&home.data());
}

/// Nothing can be written, the outbox neither: the alert goes out all the
/// same, once, while it lasts; and its end when it is over.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_full_disk_is_told_while_nothing_can_be_written() {
    let mut home = House::new();
    let Some(disk) = SmallDisk::over(home.data().parent().unwrap()) else {
        return;
    };
    home.place(BOARD);
    let elsewhere = tempfile::tempdir().unwrap();
    let told = elsewhere.path().join("told");
    let script = format!("cat >> {}", told.display());
    let command = ["/bin/sh", "-c", &script].map(str::to_owned);
    let settings = command::Settings::of(command.into());
    let (good, bad) = channels(vec![notify::Settings::Command(settings)]);
    assert_eq!(bad, []);
    home.channels = good;
    // That the disk is nearly full is told as well, from the start.
    let messages = || -> Vec<(String, String)> {
        let text = fs::read_to_string(&told).unwrap_or_default();
        text.lines()
            .map(|line| serde_json::from_str::<Value>(line).unwrap())
            .filter(|alert| alert["watch"] == "data-store")
            .map(|alert| {
                ["state", "id"]
                    .map(|member| alert[member].as_str().unwrap().to_owned())
                    .into()
            })
            .collect()
    };
    let daemon = home.start().await;
    let port = daemon.inlet().port();
    let flood = Flood::begin(BOARD, port, 100, Duration::from_millis(5));
    until_true("readings come in", || flood.acknowledged() > 500).await;
    disk.fill();
    let when_full =
        tokio::task::block_in_place(|| until_it_stands_still(&flood));
    assert_eq!(messages(), []);

    // A minute later.
    home.clock.pass(61);
    until_true("it is told", || !messages().is_empty()).await;
    let raised = messages();
    assert_eq!((raised.len(), &*raised[0].0), (1, "raised"));
    // Told once, however long it lasts.
    home.clock.pass(3_600);
    tokio::time::sleep(Duration::from_millis(1_500)).await;
    assert_eq!(messages(), raised);

    disk.empty();
    until_true("readings come in again", || {
        flood.acknowledged() > when_full + 100
    })
    .await;
    until_true("its end is told", || messages().len() > 1).await;
    let about = messages();
    assert_eq!((about.len(), &*about[1].0), (2, "cleared"));
    assert_eq!(about[0], raised[0]);
    assert_eq!(about[1].1, raised[0].1, "another alert ended");
    let told = tokio::task::spawn_blocking(|| flood.end()).await.unwrap();
    daemon.stop().await;
    assert_exactly_once(&home.data(), BOARD, told);
    let kept = home.store().alerts(Moment::from_millis(0)).unwrap();
    assert!(kept.iter().any(|alert| alert.id == raised[0].1));
}
