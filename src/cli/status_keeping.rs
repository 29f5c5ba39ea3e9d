//! How the data are kept, for `status`: disk, backups, what is written.

use serde_json::{Value, json};

use crate::cli::opening::House;
use crate::cli::status::megabytes;
use crate::health::{DaemonHealth, KeepingWord};
use crate::observation::shown;
use crate::store::backup::backups_in;
use crate::store::disk::{bytes_ahead, folder_of, space};
use crate::units::Instant;

/// An hour, ms.
const HOUR: f64 = 3_600_000.0;

/// The newest backup in the folder of the settings, whoever made it.
fn newest_backup(house: &House) -> Option<(Instant, String, u64)> {
    let folder = &house.settings.backup.as_ref()?.folder;
    let all = backups_in(&house.settings.data, folder).ok()?;
    let (at, file) = all.into_iter().rev().find(|(at, _)| *at <= house.now)?;
    let bytes = std::fs::metadata(&file).map_or(0, |found| found.len());
    Some((at, file.display().to_string(), bytes))
}

pub(crate) fn in_words(
    house: &House,
    health: Option<&DaemonHealth>,
) -> Vec<String> {
    let keeping = health.map(|health| &health.keeping);
    let mut lines = Vec::new();
    if let Ok(room) = space(folder_of(&house.settings.data)) {
        let low = keeping.is_some_and(|keeping| keeping.disk_is_low);
        lines.push(format!(
            "disk      {:.0} MB of {:.0} MB free{}",
            megabytes(room.free_bytes),
            megabytes(room.total_bytes),
            if low { ": nearly full" } else { "" }
        ));
    }
    if let Some(keeping) = keeping.filter(|word| word.looked.is_some()) {
        lines.push(format!("clock     {}", keeping.clock_in_words()));
    }
    if let Some(keeping) = keeping.filter(|word| word.written_over_ms > 0) {
        lines.push(format!(
            "written   {:.1} MB to the disk in {:.1} h",
            megabytes(keeping.written_bytes),
            hours(keeping)
        ));
    }
    lines.push(match (newest_backup(house), &house.settings.backup) {
        (Some((at, file, bytes)), _) => format!(
            "backup    {file} ({:.1} MB, {}), checked when it was made",
            megabytes(bytes),
            house.ago(at)
        ),
        (None, Some(settings)) => {
            format!("backup    none in {} yet", settings.folder.display())
        }
        (None, None) => {
            "backup    none: the settings name no folder under [backup]"
                .to_owned()
        }
    });
    let troubles = keeping.map(|keeping| {
        [
            ("backup    failed: ", &keeping.backup_trouble),
            ("journal   not written: ", &keeping.journal_trouble),
            ("readings  not stored: ", &keeping.store_trouble),
        ]
    });
    for (words, why) in troubles.into_iter().flatten() {
        if let Some(why) = why {
            lines.push(format!("{words}{}", shown(why)));
        }
    }
    lines
}

fn hours(keeping: &KeepingWord) -> f64 {
    #[allow(
        clippy::cast_precision_loss,
        reason = "a day to a tenth of an hour"
    )]
    let millis = keeping.written_over_ms as f64;
    millis / HOUR
}

pub(crate) fn as_json(house: &House, health: Option<&DaemonHealth>) -> Value {
    let data = &house.settings.data;
    let room = space(folder_of(data)).ok();
    let keeping = health.map(|health| &health.keeping);
    let backup = newest_backup(house).map(
        |(at, file, bytes)| json!({"at": at, "file": file, "bytes": bytes}),
    );
    json!({
        "bytes_ahead": bytes_ahead(data),
        "disk_free_bytes": room.map(|room| room.free_bytes),
        "disk_total_bytes": room.map(|room| room.total_bytes),
        "disk_is_low": keeping.is_some_and(|word| word.disk_is_low),
        "written_bytes": keeping.map(|word| word.written_bytes),
        "written_over_ms": keeping.map(|word| word.written_over_ms),
        "clock_synchronised": keeping.and_then(|w| w.clock_synchronised),
        "backup_folder":
            house.settings.backup.as_ref().map(|backup| &backup.folder),
        "last_backup": backup,
        "backup_trouble": keeping.and_then(|w| w.backup_trouble.as_ref()),
        "store_trouble": keeping.and_then(|w| w.store_trouble.as_ref()),
        "journal_trouble": keeping.and_then(|w| w.journal_trouble.as_ref()),
    })
}
