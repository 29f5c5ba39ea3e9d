//! The data file and the machine it is on.

use std::path::Path;

use crate::alert::keeping::disk_is_low;
use crate::daemon::diagnosis::Finding;
use crate::daemon::host_clock;
use crate::daemon::lock::{DaemonLock, LockError};
use crate::daemon::settings::Settings;
use crate::store::disk::{folder_of, space};
use crate::store::{Access, Store, StoreError, in_a_row, library};
use crate::units::Instant;

/// A daemon that said nothing for longer than this stands still, ms: it
/// speaks twice a minute.
const SPEAKS_MILLIS: i64 = 2 * 60_000;

/// What was found, and whether the daemon runs.
pub(super) async fn look(
    settings: &Settings,
    now: Instant,
) -> (Vec<Finding>, bool) {
    let data = &settings.data;
    let (daemon, runs) = daemon(data, now);
    let findings =
        vec![daemon, file(data), sqlite(), disk(data), clock().await];
    (findings, runs)
}

fn daemon(data: &Path, now: Instant) -> (Finding, bool) {
    let name = "daemon";
    if !data.exists() {
        // The lock is left alone: it would be made beside nothing.
        let finding = Finding::doubtful(
            name,
            "there is no data file yet",
            "`vernalog init` makes one, `vernalog run` uses it",
        );
        return (finding, false);
    }
    match DaemonLock::take(data) {
        Ok(_) => (
            Finding::doubtful(
                name,
                "it does not run",
                "`vernalog run`, or `systemctl start vernalog`",
            ),
            false,
        ),
        Err(LockError::Taken) => (speaks(data, now), true),
        Err(error) => (
            Finding::wrong(
                name,
                in_a_row(&error),
                "this user needs to write into the folder of the data file: \
                 `adduser YOUR-NAME vernalog`, then log in again",
            ),
            false,
        ),
    }
}

fn speaks(data: &Path, now: Instant) -> Finding {
    let name = "daemon";
    let said = Store::open(data, Access::ReadOnly)
        .and_then(|store| store.daemon_said());
    match said {
        Ok(Some((_, health))) if health.failing => Finding::wrong(
            name,
            "it runs and cannot store",
            "its log says why: `journalctl -u vernalog`",
        ),
        Ok(Some((at, _))) if now.millis_since(at) <= SPEAKS_MILLIS => {
            Finding::fine(name, "it runs")
        }
        _ => Finding::wrong(
            name,
            "it holds the data file, but says nothing",
            "stop it and start it again; its log may say why",
        ),
    }
}

fn file(data: &Path) -> Finding {
    let name = "data file";
    if !data.exists() {
        return Finding::doubtful(
            name,
            format!("{} is not there yet", data.display()),
            "`vernalog init` makes it",
        );
    }
    let looked = Store::open(data, Access::ReadOnly).and_then(|store| {
        let problems = store.quick_check()?;
        Ok((problems, store.bytes_on_disk()))
    });
    match looked {
        Ok((problems, bytes)) if problems.is_empty() => Finding::fine(
            name,
            format!("{} reads well ({bytes} bytes)", data.display()),
        ),
        Ok((problems, _)) => Finding::wrong(
            name,
            format!("{} is damaged: {}", data.display(), problems.join("; ")),
            "stop the daemon, then `vernalog restore BACKUP`",
        ),
        Err(error @ StoreError::OtherSchema { .. }) => Finding::wrong(
            name,
            in_a_row(&error),
            "an older file is brought forward by `vernalog run`; for a newer \
             one install the newer program",
        ),
        Err(error) => Finding::wrong(
            name,
            in_a_row(&error),
            "this user needs to read and write it: `adduser YOUR-NAME \
             vernalog`, then log in again",
        ),
    }
}

fn sqlite() -> Finding {
    let (number, words) = library::in_use();
    let seen = format!("SQLite {words}");
    if library::is_sound(number) {
        Finding::fine("library", seen)
    } else {
        Finding::wrong(
            "library",
            format!("{seen} can lose what was committed"),
            "use a program with the library built in",
        )
    }
}

fn disk(data: &Path) -> Finding {
    let (name, folder) = ("disk", folder_of(data));
    match space(folder) {
        Ok(room) => {
            let seen = format!(
                "{} of {} MB free in {}",
                room.free_bytes / 1_000_000,
                room.total_bytes / 1_000_000,
                folder.display()
            );
            if disk_is_low(room.free_bytes, room.total_bytes, false) {
                Finding::wrong(name, seen, "make room on this disk")
            } else {
                Finding::fine(name, seen)
            }
        }
        Err(error) => Finding::wrong(
            name,
            format!("cannot look at {}: {error}", folder.display()),
            "does the folder of `data` exist, and is its disk mounted?",
        ),
    }
}

async fn clock() -> Finding {
    match host_clock::is_synchronised().await {
        Some(true) => Finding::fine("clock", "it is kept right"),
        Some(false) => Finding::doubtful(
            "clock",
            "it is not synchronised",
            "readings get their time from it: `timedatectl set-ntp true`, \
             and see that the machine reaches a time server",
        ),
        None => Finding::doubtful(
            "clock",
            "nobody knows whether it is synchronised",
            "compare it with a clock you trust: readings get their time from \
             it",
        ),
    }
}
