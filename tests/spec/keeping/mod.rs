//! Keeping the data: copies that are whole, a way back, and plain text
//! beside the database.

mod backups;
mod daemon;
mod journal;
mod older_files;
mod system;

use std::fs;
use std::path::{Path, PathBuf};

use vernalog::observation::{Name, Quality, Quantity, Reading, Series};
use vernalog::store::{Access, Store};
use vernalog::units::Instant;

use crate::support::home::Home;

/// 14 March 2026, 02:00 UTC.
const NIGHT: i64 = 1_773_453_600_000;

fn data(home: &Home) -> PathBuf {
    home.path().join("vernalog.db")
}

/// Writes readings of one board at these minutes, as one transaction.
fn write_readings(store: &mut Store, minutes: impl Iterator<Item = i64>) {
    let series = Series {
        board: Name::new("landing-board".to_owned()).unwrap(),
        probe: Name::new("air".to_owned()).unwrap(),
        quantity: Quantity::Temperature,
    };
    let chunk: Vec<_> = minutes
        .map(|minute| {
            let at = Instant::from_millis(NIGHT + minute * 60_000);
            #[allow(clippy::cast_precision_loss, reason = "small numbers")]
            let value = 10.0 + (minute % 97) as f64 / 7.0;
            let quality = Quality::default();
            (series.clone(), Reading { at, value, quality })
        })
        .collect();
    store.import_readings(&chunk).unwrap();
}

fn with_readings(home: &Home, count: i64) {
    let mut store = Store::open(&data(home), Access::ReadWrite).unwrap();
    write_readings(&mut store, 0..count);
}

/// Names in a folder, sorted.
fn names(folder: &Path) -> Vec<String> {
    let mut names: Vec<String> = fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .collect();
    names.sort();
    names
}

/// Settings with a folder for backups.
fn name_a_backup_folder(home: &Home, more: &str) {
    let settings = home.read("vernalog.toml");
    let section = format!("\n[backup]\nfolder = \"copies\"\n{more}");
    home.write("vernalog.toml", &format!("{settings}{section}"));
}

/// Overwrites pages in the middle of a file with nonsense.
fn damage(path: &Path) {
    let mut bytes = fs::read(path).unwrap();
    let middle = bytes.len() / 2;
    bytes[middle..middle + 8_192].fill(0x55);
    fs::write(path, bytes).unwrap();
}
