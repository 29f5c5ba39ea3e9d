//! `backup` and `restore`: a checked copy made, and one put back.

use std::path::{Path, PathBuf};

use serde_json::json;

use crate::cli::arguments::{BackupArguments, RestoreArguments};
use crate::cli::failure::{Answer, Failure};
use crate::cli::opening::House;
use crate::cli::output::Output;
use crate::daemon::lock::{DaemonLock, LockError};
use crate::store::backup::{
    BackedUp, BackupError, Checked, back_up, back_up_into, prune,
};
use crate::store::journal::{CaughtUp, read_journal};
use crate::store::restore::{Restored, restore as put_back};
use crate::store::{Access, RebuildError, Store};

/// What a copy was checked for, in the order of the looks.
const CHECKED: &str = "integrity, whose it is, schema, ledger";

pub(crate) fn backup(
    house: &House,
    arguments: &BackupArguments,
    output: &mut Output,
) -> Result<Answer, Failure> {
    let data = &house.settings.data;
    let (made, gone) = match &arguments.out {
        Some(out) if out.is_dir() => {
            (back_up_into(data, out, house.now), Vec::new())
        }
        Some(out) => (back_up(data, out), Vec::new()),
        None => into_the_folder(house)?,
    };
    let made = made.map_err(|error| {
        Failure::from(error)
            .hint("--out FILE names another file, perhaps on another disk")
    })?;
    tell_backup(&made, &gone, output)?;
    Ok(Answer::Done)
}

type Made = (Result<BackedUp, BackupError>, Vec<PathBuf>);

/// Into the folder of the settings, where the oldest are taken away.
fn into_the_folder(house: &House) -> Result<Made, Failure> {
    let data = &house.settings.data;
    let settings = house.settings.backup.as_ref().ok_or_else(|| {
        Failure::new("no place for a backup is named").hint(
            "name a file with --out FILE, or a folder in the settings: \
             [backup] with folder = \"/media/stick/vernalog\"",
        )
    })?;
    let made = match back_up_into(data, &settings.folder, house.now) {
        Ok(made) => made,
        Err(error) => return Ok((Err(error), Vec::new())),
    };
    let keep = usize::from(settings.keep);
    let gone = prune(data, &settings.folder, keep, &made.file, house.now)?;
    Ok((Ok(made), gone))
}

fn tell_backup(
    made: &BackedUp,
    gone: &[PathBuf],
    output: &mut Output,
) -> Result<(), Failure> {
    if output.json {
        return output.object(&json!({
            "format": "vernalog-backup/1",
            "file": made.file,
            "bytes": made.bytes,
            "checked": checked_as_json(&made.checked),
            "removed": gone,
        }));
    }
    output.line(&format!(
        "backup:   {} ({} bytes)",
        made.file.display(),
        made.bytes
    ))?;
    output.line(&checked_in_words(&made.checked))?;
    for path in gone {
        output.line(&format!("removed:  {}, an older one", path.display()))?;
    }
    Ok(())
}

fn checked_in_words(checked: &Checked) -> String {
    format!(
        "checked:  {CHECKED}: schema {}, {} entries, {} readings",
        checked.schema, checked.entries, checked.readings
    )
}

fn checked_as_json(checked: &Checked) -> serde_json::Value {
    let looks: Vec<&str> = CHECKED.split(", ").collect();
    json!({
        "looks": looks,
        "schema": checked.schema,
        "entries": checked.entries,
        "readings": checked.readings,
    })
}

pub(crate) fn restore(
    house: &House,
    arguments: &RestoreArguments,
    output: &mut Output,
) -> Result<Answer, Failure> {
    let _lock = alone(&house.settings.data)?;
    match (&arguments.file, &arguments.from_journal) {
        (_, Some(journal)) => from_journal(house, journal, output),
        (Some(file), None) => from_backup(house, file, output),
        (None, None) => Err(Failure::new("no backup is named")),
    }
}

/// The daemon's lock, for what must not be done beside it.
fn alone(data: &Path) -> Result<DaemonLock, Failure> {
    DaemonLock::take(data).map_err(|error| {
        let failure = Failure::of(&error);
        if matches!(error, LockError::Taken) {
            failure.hint("stop the daemon first")
        } else {
            failure
        }
    })
}

fn from_backup(
    house: &House,
    file: &Path,
    output: &mut Output,
) -> Result<Answer, Failure> {
    let data = &house.settings.data;
    if file
        .canonicalize()
        .ok()
        .is_some_and(|file| data.canonicalize().is_ok_and(|data| data == file))
    {
        return Err(Failure::new(format!(
            "\"{}\" is the data file itself",
            file.display()
        )));
    }
    let done = put_back(data, file, house.now).map_err(|error| {
        Failure::from(error).hint("the data file is as it was")
    })?;
    if let Ok(store) = Store::open(data, Access::ReadOnly) {
        tell_journal(&store, house, output);
    }
    tell_restored(data, &done, output)?;
    Ok(Answer::Done)
}

fn tell_restored(
    data: &Path,
    done: &Restored,
    output: &mut Output,
) -> Result<(), Failure> {
    if output.json {
        return output.object(&json!({
            "format": "vernalog-restore/1",
            "data": data,
            "checked": checked_as_json(&done.checked),
            "kept": done.kept,
            "journal_kept": done.journal_kept,
            "entries_beyond": done.entries_beyond,
        }));
    }
    output.line(&checked_in_words(&done.checked))?;
    if let Some(kept) = &done.kept {
        output.line(&format!(
            "kept:     {}, the data file of before",
            kept.display()
        ))?;
    }
    output.line(&format!("restored: {}", data.display()))?;
    if let Some(kept) = &done.journal_kept {
        let what = match done.entries_beyond {
            Some(n) => format!(
                "{n} entries were recorded after this backup; `vernalog \
                 restore --from-journal {}` adds them",
                kept.display()
            ),
            None => format!(
                "{}, which says something else than this backup",
                kept.display()
            ),
        };
        output.line(&format!("journal:  {what}"))?;
    }
    Ok(())
}

fn from_journal(
    house: &House,
    file: &Path,
    output: &mut Output,
) -> Result<Answer, Failure> {
    let journal = read_journal(file).map_err(|error| Failure::of(&error))?;
    if journal.torn {
        output.talk("the last line was torn off in the middle; it is left out");
    }
    let mut store = house.store(Access::Create)?;
    let rebuilt = store.rebuild_ledger(&journal.entries).map_err(|error| {
        let failure = Failure::of(&error);
        match error {
            RebuildError::Differs { .. } => failure.hint(
                "a journal goes onto an empty data file, or onto the \
                 beginning of its own ledger: name a new one with --data FILE",
            ),
            _ => failure,
        }
    })?;
    tell_journal(&store, house, output);
    if output.json {
        output.object(&json!({
            "format": "vernalog-rebuild/1",
            "data": store.path(),
            "known": rebuilt.known,
            "added": rebuilt.added,
            "problems": rebuilt.problems,
        }))?;
    } else {
        output.line(&format!(
            "ledger:   {} entries added to {} that were there",
            rebuilt.added, rebuilt.known
        ))?;
        output.line(
            "readings: none are in a journal; a backup or an export has them",
        )?;
        for problem in &rebuilt.problems {
            output.line(&format!("problem:  {problem}"))?;
        }
    }
    Ok(if rebuilt.problems.is_empty() { Answer::Done } else { Answer::No })
}

/// Writes the journal of what was restored, and says what became of one
/// that does not fit.
fn tell_journal(store: &Store, house: &House, output: &Output) {
    match store.catch_up_journal(house.now) {
        Ok(CaughtUp { set_aside: Some(path), .. }) => output.talk(&format!(
            "the journal beside the data file said something else and is \
             kept as {}",
            path.display()
        )),
        Ok(_) => {}
        Err(error) => output.talk(&format!("no journal is written: {error}")),
    }
}
