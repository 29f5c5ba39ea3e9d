//! A disk as a power cut leaves it: all that was synced, and any part of
//! what was written since.
//!
//! A model, not a file system: names are journalled in order, so that a sync
//! of any file also keeps the names that were made and taken away before it
//! (ext4, from memory); sectors of 512 bytes are written whole or not at all.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};

use rand::Rng;
use rand_chacha::ChaCha8Rng;

use crate::support::trace::{Event, What};

const SECTOR: usize = 512;

/// Files with their contents.
pub(crate) type Files = BTreeMap<PathBuf, Vec<u8>>;

/// The files of a folder as they are.
pub(crate) fn files(folder: &Path) -> Files {
    fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.is_file())
        .map(|path| (path.clone(), fs::read(path).unwrap()))
        .collect()
}

/// What the disk may hold when the power is cut at line `cut` of the trace.
pub(crate) fn after_a_cut(
    before: &Files,
    events: &[Event],
    cut: usize,
    chance: &mut ChaCha8Rng,
) -> Files {
    // How much of what was not synced got through, at this cut.
    let luck = [0.0, 0.3, 0.7, 0.95, 1.0][chance.random_range(0..5)];
    let mut disk = before.clone();
    let synced = last_syncs(events, cut);
    let last_sync = synced.values().copied().max().unwrap_or(0);
    // Names whose taking away did not get through: what was written later
    // under the same name went to another file.
    let mut old = BTreeSet::new();
    for event in events.iter().filter(|event| event.begin < cut) {
        let (What::Write { file, .. }
        | What::Length { file, .. }
        | What::Unlink { file }) = &event.what
        else {
            continue;
        };
        // The index of shared memory is made anew after a start.
        if file.to_string_lossy().ends_with("-shm") || old.contains(file) {
            continue;
        }
        let safe = match event.what {
            What::Unlink { .. } => event.end < last_sync,
            _ => synced.get(file.as_path()).is_some_and(|s| event.end < *s),
        };
        match &event.what {
            What::Write { at, bytes, .. } => {
                let content = disk.entry(file.clone()).or_default();
                let at = at.unwrap_or(content.len());
                write(content, at, bytes, |_| safe || chance.random_bool(luck));
            }
            What::Length { length, .. } if safe || chance.random_bool(luck) => {
                let content = disk.entry(file.clone()).or_default();
                content.resize(*length, 0);
            }
            What::Unlink { .. } if safe || chance.random_bool(luck) => {
                disk.remove(file);
            }
            What::Unlink { .. } => {
                old.insert(file.clone());
            }
            _ => {}
        }
    }
    // A file that was never synced may not be there at all.
    disk.retain(|file, _| {
        before.contains_key(file)
            || synced.contains_key(file.as_path())
            || chance.random_bool(luck)
    });
    disk
}

/// Where the last sync of each file began that was done before the cut.
fn last_syncs(events: &[Event], cut: usize) -> BTreeMap<&Path, usize> {
    let mut syncs = BTreeMap::new();
    for event in events.iter().filter(|event| event.end < cut) {
        if let What::Sync { file } = &event.what {
            syncs.insert(file.as_path(), event.begin);
        }
    }
    syncs
}

/// Writes those sectors that get through. The length grows with the last.
fn write(
    content: &mut Vec<u8>,
    at: usize,
    bytes: &[u8],
    mut gets_through: impl FnMut(usize) -> bool,
) {
    let end = at + bytes.len();
    let mut from = at;
    while from < end {
        let sector = from / SECTOR;
        let to = end.min((sector + 1) * SECTOR);
        if gets_through(sector) {
            if content.len() < to {
                content.resize(to, 0);
            }
            content[from..to].copy_from_slice(&bytes[from - at..to - at]);
        }
        from = to;
    }
}

/// Puts files into an empty folder under their own names.
pub(crate) fn put(disk: &Files, folder: &Path) {
    for (path, content) in disk {
        fs::write(folder.join(path.file_name().unwrap()), content).unwrap();
    }
}
