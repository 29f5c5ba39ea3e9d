//! Where messages, copies and pages go out.

use std::fs;
use std::os::unix::fs::MetadataExt;
use std::path::Path;

use crate::daemon::backups;
use crate::daemon::diagnosis::Finding;
use crate::daemon::settings::Settings;
use crate::store::backup::backups_in;
use crate::store::disk::folder_of;
use crate::store::in_a_row;
use crate::units::{Instant, MILLIS_PER_DAY};
use crate::web;

/// A nightly copy is never older than this while all is well, days.
const OLD_BACKUP_DAYS: i64 = 2;

pub(super) async fn look(
    settings: &Settings,
    now: Instant,
    runs: bool,
) -> Vec<Finding> {
    let mut findings = channels(settings);
    findings.push(match &settings.backup {
        Some(backup) => copies(&settings.data, backup, now),
        None => Finding::doubtful(
            "backup",
            "the settings name no folder",
            "add [backup] with a folder on another medium, such as a stick: \
             a memory card can fail from one day to the next",
        ),
    });
    if let Some(pages) = &settings.connections.web {
        findings.push(web(settings, pages, runs).await);
    }
    findings
}

fn channels(settings: &Settings) -> Vec<Finding> {
    let channels = &settings.connections.channels;
    if channels.is_empty() {
        return vec![Finding::doubtful(
            "channels",
            "no alert leaves this machine",
            "add a [[channel]]: without one, alerts are only in `vernalog \
             alerts` and on the pages",
        )];
    }
    channels
        .iter()
        .map(|channel| {
            let name = format!("channel {}", channel.name);
            match channel.look() {
                Ok(()) => Finding::fine(&name, "ready"),
                Err(error) => Finding::wrong(
                    &name,
                    in_a_row(&error),
                    "see [[channel]] of the settings",
                ),
            }
        })
        .collect()
}

fn copies(data: &Path, settings: &backups::Settings, now: Instant) -> Finding {
    let (name, folder) = ("backup", &settings.folder);
    let device = |path: &Path| fs::metadata(path).map(|found| found.dev());
    let there = match device(folder) {
        Ok(device) => device,
        Err(error) => {
            return Finding::wrong(
                name,
                format!("cannot use {}: {error}", folder.display()),
                "is the medium mounted, and may this user write there?",
            );
        }
    };
    if device(folder_of(data)).is_ok_and(|here| here == there) {
        return Finding::doubtful(
            name,
            format!("{} is on the same disk as the data", folder.display()),
            "one fault takes both: use another medium",
        );
    }
    let all = backups_in(data, folder).unwrap_or_default();
    match all.into_iter().rev().find(|(at, _)| *at <= now) {
        Some((at, file)) => {
            let days = now.millis_since(at) / MILLIS_PER_DAY;
            let seen = format!("{}, {days} days old", file.display());
            if days > OLD_BACKUP_DAYS {
                Finding::doubtful(
                    name,
                    seen,
                    "`vernalog backup` makes one now and says what is wrong",
                )
            } else {
                Finding::fine(name, seen)
            }
        }
        None => Finding::doubtful(
            name,
            format!("none in {} yet", folder.display()),
            "`vernalog backup` makes one now",
        ),
    }
}

async fn web(
    settings: &Settings,
    pages: &web::Settings,
    runs: bool,
) -> Finding {
    let name = format!("pages {}", pages.listen);
    if let Err(error) = pages.look() {
        return Finding::wrong(&name, in_a_row(&error), "see [web]");
    }
    let home = !pages.listen.ip().is_loopback();
    if home && !settings.web_password_file().exists() {
        return Finding::wrong(
            &name,
            "they would be open to the home network without a password",
            "`vernalog password --web` sets one",
        );
    }
    if !runs
        && let Err(error) = tokio::net::TcpListener::bind(pages.listen).await
    {
        return Finding::wrong(
            &name,
            format!("cannot listen there: {error}"),
            "`ss -ltnp` shows who does",
        );
    }
    if home && pages.base_url.is_none() {
        return Finding::doubtful(
            &name,
            "labels cannot carry their address",
            "set base_url of [web] to how the phone reaches this machine",
        );
    }
    Finding::fine(&name, "ready")
}
