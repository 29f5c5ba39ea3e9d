//! What the daemon does for the data: the nightly backup by a clock that is
//! stepped, the look before the start, and what the service manager hears.

use std::os::unix::net::UnixDatagram;
use std::path::Path;
use std::process::{Command, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};
use std::time::{Duration, Instant as Monotonic};

use chrono::NaiveTime;
use chrono_tz::Europe::Dublin;
use tempfile::TempDir;
use vernalog::daemon::clock::{Clock, LOOK};
use vernalog::daemon::telling::Telling;
use vernalog::daemon::{DaemonError, Plan, Running, backups, start};
use vernalog::store::{Access, Store};
use vernalog::units::Instant;

use super::{damage, data, name_a_backup_folder, names, with_readings};
use crate::support::home::Home;
use crate::support::writer::PATIENCE;

/// 10 February 2026, 12:00 UTC, which is Dublin's time in winter.
const NOON: i64 = 1_770_724_800_000;
const HOUR: i64 = 3_600_000;

fn plan(folder: &Path) -> Plan {
    Plan {
        data: folder.join("vernalog.db"),
        zone: Dublin,
        commit_every: Duration::from_millis(10),
        backup: Some(backups::Settings {
            folder: folder.join("copies"),
            at: NaiveTime::from_hms_opt(3, 30, 0).unwrap(),
            keep: 3,
        }),
        inlet: None,
        brokers: Vec::new(),
        serial: Vec::new(),
        mappings: Vec::new(),
        channels: Vec::new(),
        telling: Telling::default(),
        web: None,
    }
}

/// A clock that stands still until it is stepped; both hands go together.
#[derive(Clone)]
struct Stepped(Arc<AtomicI64>);

impl Stepped {
    fn at(millis: i64) -> Self {
        Self(Arc::new(AtomicI64::new(millis)))
    }

    fn clock(&self) -> Clock {
        let (wall, steady) = (self.0.clone(), self.0.clone());
        Clock {
            wall: Arc::new(move || {
                Instant::from_millis(wall.load(Ordering::SeqCst))
            }),
            steady: Arc::new(move || {
                let millis = steady.load(Ordering::SeqCst);
                Duration::from_millis(u64::try_from(millis).unwrap())
            }),
            look: LOOK,
        }
    }

    /// Steps to an instant and waits until the keeper has seen it.
    async fn step_to(&self, millis: i64, running: &Running) {
        self.0.store(millis, Ordering::SeqCst);
        let until = Monotonic::now() + PATIENCE;
        let wanted = Some(Instant::from_millis(millis));
        while running.keeping().looked != wanted {
            assert!(Monotonic::now() < until, "the keeper does not look");
            tokio::time::sleep(Duration::from_millis(20)).await;
        }
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn one_backup_is_made_a_night_and_the_newest_are_kept() {
    let folder = TempDir::new().unwrap();
    let copies = folder.path().join("copies");
    let clock = Stepped::at(NOON);
    let running = start(plan(folder.path()), clock.clock()).await.unwrap();
    // There was none: one is made at once.
    clock.step_to(NOON + 1, &running).await;
    assert_eq!(names(&copies).len(), 1);

    clock.step_to(NOON + 15 * HOUR, &running).await;
    assert_eq!(names(&copies).len(), 1, "before the hour");
    for minutes in [30, 31, 90, 600] {
        clock.step_to(NOON + 15 * HOUR + minutes * 60_000, &running).await;
        assert_eq!(names(&copies).len(), 2, "{minutes} minutes after 03:00");
    }
    assert!(names(&copies)[1].starts_with("vernalog-20260211T0330"));
    for day in 2..6 {
        clock.step_to(NOON + day * 24 * HOUR, &running).await;
    }
    assert_eq!(names(&copies).len(), 3, "the oldest are taken away");
    let word = running.keeping();
    let last = word.last_backup.unwrap();
    assert_eq!(last.at, Instant::from_millis(NOON + 5 * 24 * HOUR));
    assert_eq!(running.stop().await.error, None);

    // A restart knows of it; the copy opens by itself.
    let running = start(plan(folder.path()), clock.clock()).await.unwrap();
    clock.step_to(NOON + 5 * 24 * HOUR + 1, &running).await;
    assert_eq!(running.keeping().last_backup.unwrap().file, last.file);
    assert_eq!(names(&copies).len(), 3);
    running.stop().await;
    Store::open(Path::new(&last.file), Access::ReadOnly).unwrap();
}

#[tokio::test(flavor = "multi_thread")]
async fn a_backup_that_fails_is_told_tried_again_and_stops_nothing() {
    let folder = TempDir::new().unwrap();
    let copies = folder.path().join("copies");
    // The stick is not there: a file stands in the folder's place.
    std::fs::write(&copies, "").unwrap();
    let clock = Stepped::at(NOON);
    let running = start(plan(folder.path()), clock.clock()).await.unwrap();
    clock.step_to(NOON + 1, &running).await;
    let word = running.keeping();
    assert!(word.backup_trouble.unwrap().contains("copies"));
    let lasting = || {
        let path = folder.path().join("vernalog.db");
        let store = Store::open(&path, Access::ReadOnly).unwrap();
        let alerts = store.alerts(Instant::from_millis(0)).unwrap();
        let lasts = alerts.iter().filter(|a| a.cleared.is_none()).count();
        (alerts.len(), lasts)
    };
    assert_eq!(lasting(), (1, 1));

    std::fs::remove_file(&copies).unwrap();
    clock.step_to(NOON + HOUR / 2, &running).await;
    assert!(running.keeping().backup_trouble.is_some(), "not yet again");
    clock.step_to(NOON + HOUR + 2, &running).await;

    assert_eq!(running.keeping().backup_trouble, None);
    assert_eq!(names(&copies).len(), 1);
    assert_eq!(lasting(), (1, 0));
    assert_eq!(running.stop().await.error, None);
}

#[tokio::test(flavor = "multi_thread")]
async fn what_is_written_ahead_is_moved_in_each_hour() {
    let folder = TempDir::new().unwrap();
    let clock = Stepped::at(NOON);
    let running = start(plan(folder.path()), clock.clock()).await.unwrap();
    clock.step_to(NOON + 61_000, &running).await;
    let word = running.keeping();
    assert!(word.ahead_bytes > 0, "the tables were made just now");
    assert!(word.disk_total_bytes > word.disk_free_bytes);

    // The writer may be at work at that very moment: then a minute later.
    for minutes in 61..90 {
        clock.step_to(NOON + minutes * 61_000, &running).await;
        if running.keeping().ahead_bytes == 0 {
            break;
        }
    }

    assert_eq!(running.keeping().ahead_bytes, 0);
    running.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_damaged_file_stops_the_start_and_names_the_way_back() {
    let home = Home::with_rowan();
    name_a_backup_folder(&home, "");
    with_readings(&home, 20_000);
    home.run("backup").succeeds();
    let mut store = Store::open(&data(&home), Access::ReadWrite).unwrap();
    assert!(store.settle().unwrap());
    drop(store);
    damage(&data(&home));

    home.run("run")
        .fails()
        .tells("error: the data file is damaged")
        .tells("`vernalog restore ")
        .tells("copies/vernalog-20");
    let refused =
        start(plan(home.path()), Clock::of_the_host()).await.unwrap_err();
    assert!(matches!(refused, DaemonError::Damaged { .. }), "{refused}");
}

#[test]
fn the_service_manager_hears_ready_alive_and_stopping() {
    let home = Home::with_rowan();
    let path = home.path().join("manager");
    let socket = UnixDatagram::bind(&path).unwrap();
    socket.set_read_timeout(Some(PATIENCE)).unwrap();
    let child = Command::new(env!("CARGO_BIN_EXE_vernalog"))
        .arg("run")
        .current_dir(home.path())
        .env("NOTIFY_SOCKET", &path)
        .env("WATCHDOG_USEC", "600000")
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let mut child = Ended(child);
    let hear = || {
        let mut buffer = [0; 256];
        let length = socket.recv(&mut buffer).unwrap();
        String::from_utf8_lossy(&buffer[..length]).trim().to_owned()
    };

    assert_eq!(hear(), "READY=1");
    for _ in 0..3 {
        assert_eq!(hear(), "WATCHDOG=1");
    }
    let id = child.0.id().to_string();
    Command::new("kill").arg(&id).status().unwrap();
    let mut last = hear();
    while last == "WATCHDOG=1" {
        last = hear();
    }

    assert_eq!(last, "STOPPING=1");
    assert!(child.0.wait().unwrap().success());
}

/// A daemon that does not outlive its test.
struct Ended(std::process::Child);

impl Drop for Ended {
    fn drop(&mut self) {
        drop(self.0.kill());
        drop(self.0.wait());
    }
}
