//! A whole season played through the real program, without any hardware.
//!
//! The trial is read from the same folder of files that a grower would
//! import; the readings come from the season's known truth; the last hours
//! come in over the real doors. Nothing here is a shortcut past the program.

pub mod boards;
mod folder;
mod wire;

use std::path::{Path, PathBuf};

use chrono_tz::Tz;

use crate::daemon::DaemonError;
use crate::daemon::settings::{Settings, SettingsError};
use crate::exchange::folder_in::{FolderError, read_folder};
use crate::exchange::marking::Marking;
use crate::observation::{Reading, Series};
use crate::report::{self, ReportError, Written};
use crate::season::plan::Season;
use crate::season::rowan::demo_season;
use crate::store::{Access, IMPORT_CHUNK, Keep, Records, Store, StoreError};
use crate::trial::admission::OnConflict;
use crate::trial::book::Book;
use crate::trial::entry::Draft;
use crate::units::Instant;

/// The readings of so many hours come in over MQTT and the serial line.
const LIVE_HOURS: f64 = 2.0;

/// Something the demo is busy with.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Step {
    /// In words.
    pub what: &'static str,
    /// How far.
    pub done: u64,
    /// Of how many.
    pub of: u64,
}

/// What the demo made.
#[derive(Debug)]
pub struct Made {
    /// Its folder.
    pub folder: PathBuf,
    /// Ledger entries.
    pub entries: usize,
    /// Readings written at once.
    pub imported: usize,
    /// Readings that came in over the real doors.
    pub live: boards::Played,
    /// The book it adds up to.
    pub book: Book,
    /// The report.
    pub report: Written,
}

/// Why the demo stopped.
#[derive(Debug, thiserror::Error)]
pub enum DemoError {
    /// The folder is there and is not of an earlier demo.
    #[error(
        "\"{}\" exists and is no folder of an earlier demo; choose another \
         with --out",
        path.display()
    )]
    FolderTaken {
        /// The folder.
        path: PathBuf,
    },
    /// A file cannot be written.
    #[error("cannot write \"{}\"", path.display())]
    File {
        /// The file.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// The trial folder cannot be read back.
    #[error(transparent)]
    Folder(#[from] FolderError),
    /// The trial folder has rows that cannot be taken.
    #[error("the demo's own files are wrong: {first}")]
    Rows {
        /// The first problem.
        first: String,
    },
    /// The settings cannot be read back.
    #[error(transparent)]
    Settings(#[from] SettingsError),
    /// The store says no.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// The daemon did not start.
    #[error(transparent)]
    Daemon(#[from] DaemonError),
    /// A board could not be played.
    #[error("board \"{board}\" could not be played: {why}")]
    Board {
        /// Which.
        board: String,
        /// Why.
        why: String,
    },
    /// The report could not be made.
    #[error(transparent)]
    Report(#[from] ReportError),
}

/// Plays the season into a folder and reports on it.
///
/// # Errors
/// [`DemoError`].
pub fn run(
    out: &Path,
    progress: &mut dyn FnMut(Step),
) -> Result<Made, DemoError> {
    progress(Step { what: "growing the season", done: 0, of: 1 });
    let season = demo_season();
    progress(Step { what: "growing the season", done: 1, of: 1 });
    folder::make(out)?;
    let settings = Settings::read(&out.join(folder::SETTINGS))?;
    let mut store = Store::open(&settings.data, Access::Create)?;
    let entries = import_trial(&mut store, out, &settings, &season)?;
    let ends = season.plan.ends();
    let live_from = ends.plus_hours(-LIVE_HOURS);
    let imported = import_readings(&mut store, &season, live_from, progress)?;
    drop(store);
    let live = boards::play(&season, &settings, live_from, ends, progress)?;
    let store = Store::open(&settings.data, Access::ReadOnly)?;
    let report = write_report(&store, out, settings.zone.zone, ends, progress)?;
    let (book, _) = Book::build(&store.ledger()?);
    Ok(Made { folder: out.to_owned(), entries, imported, live, book, report })
}

fn import_trial(
    store: &mut Store,
    out: &Path,
    settings: &Settings,
    season: &Season,
) -> Result<usize, DemoError> {
    let trial = out.join(folder::TRIAL);
    let read = read_folder(&trial, &settings.zone, &Book::default())?;
    if let Some(problem) = read.problems.first() {
        return Err(DemoError::Rows { first: problem.to_string() });
    }
    let drafts: Vec<Draft> =
        read.drafts.into_iter().map(|(_, draft)| draft).collect();
    let recorded = store.record(&Records {
        drafts: &drafts,
        on_conflict: OnConflict::Refuse,
        keep: Keep::AllOrNothing,
        by: "demo",
        origin: "import",
        now: season.plan.ends(),
        dry_run: false,
    })?;
    match recorded.refused.first() {
        Some(problem) => Err(DemoError::Rows { first: problem.text.clone() }),
        None => Ok(recorded.written.len()),
    }
}

/// The readings up to the live stretch, marked as the daemon would mark
/// them.
fn import_readings(
    store: &mut Store,
    season: &Season,
    until: Instant,
    progress: &mut dyn FnMut(Step),
) -> Result<usize, DemoError> {
    let what = "writing readings";
    let mut marking = Marking::default();
    let readings: Vec<(Series, Reading)> = season
        .readings(season.plan.begins(), until)
        .map(|(series, reading)| {
            let reading = marking.mark(&series, reading);
            (series, reading)
        })
        .collect();
    let of = readings.len() as u64;
    let mut done = 0;
    let mut new = 0;
    for chunk in readings.chunks(IMPORT_CHUNK) {
        progress(Step { what, done, of });
        new += store.import_readings(chunk)?.new;
        done += chunk.len() as u64;
    }
    progress(Step { what, done, of });
    Ok(new)
}

fn write_report(
    store: &Store,
    out: &Path,
    zone: Tz,
    now: Instant,
    progress: &mut dyn FnMut(Step),
) -> Result<Written, DemoError> {
    let request = report::Request {
        trial: None,
        out: out.join("report"),
        zone,
        until: None,
        now,
        version: env!("CARGO_PKG_VERSION").to_owned(),
    };
    let mut step = |at: report::Progress| {
        progress(Step {
            what: "writing the report",
            done: at.done as u64,
            of: at.of as u64,
        });
    };
    Ok(report::write(&request, store, &mut step)?)
}
