//! A trial folder read into drafts: all that is sound, and all that is not.
//!
//! Nothing is judged against the ledger here and nothing is written: the
//! drafts go through `trial::admission` like everybody else's.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

use crate::exchange::columns::{self as c, TABLES, TRIAL, Table};
use crate::exchange::nearest::nearest;
use crate::exchange::package;
use crate::exchange::row::Row;
use crate::exchange::rows_of_events as events;
use crate::exchange::rows_of_house as house;
use crate::exchange::rows_of_units as units;
use crate::exchange::sheet::{Noticed, Sheet};
pub use crate::exchange::sheet::{RowOrigin, RowProblem};
use crate::exchange::times::ZoneRule;
use crate::observation::{Name, shown};
use crate::trial::book::Book;
use crate::trial::entry::{Batch, Draft, Statement};
use crate::trial::when::When;

/// Files that an export leaves beside the tables.
const BESIDE: [&str; 3] = ["history.jsonl", "datapackage.json", "readings.csv"];

/// Why a folder cannot be read at all.
#[derive(Debug, thiserror::Error)]
#[error("cannot read the folder \"{}\"", path.display())]
pub struct FolderError {
    /// The folder.
    pub path: PathBuf,
    /// Why.
    pub source: std::io::Error,
}

/// A trial folder, understood.
#[derive(Debug)]
pub struct Folder {
    /// The trial, when `trial.csv` names one.
    pub trial: Option<Name>,
    /// What the good rows say, each with where it stands.
    pub drafts: Vec<(RowOrigin, Draft)>,
    /// Everything that is wrong, in the order of files and lines.
    pub problems: Vec<RowProblem>,
    /// What the grower should know about the reading.
    pub remarks: Vec<String>,
}

/// What the rows of a folder have in common.
pub(crate) struct Reading<'a> {
    pub(crate) trial: Name,
    /// When the trial began; for rows that have no time of their own.
    pub(crate) started: When,
    zone: &'a ZoneRule,
    drafts: Vec<(RowOrigin, Draft)>,
    noticed: Noticed,
}

impl Reading<'_> {
    /// Makes drafts of all rows of a file, if there is one.
    fn read(
        &mut self,
        folder: &Path,
        table: &'static Table,
        drafts_of: fn(&mut Row<'_>, &Name, When) -> Vec<Draft>,
    ) {
        let Some(sheet) = Sheet::read(folder, table, &mut self.noticed) else {
            return;
        };
        for mut row in sheet.rows(self.zone) {
            let drafts = drafts_of(&mut row, &self.trial, self.started);
            self.noticed.remarks.append(&mut row.noticed.remarks);
            // A row with one bad cell says nothing.
            if row.noticed.problems.is_empty() {
                let origin = &row.origin;
                self.drafts.extend(
                    drafts.into_iter().map(|draft| (origin.clone(), draft)),
                );
            }
            self.noticed.problems.append(&mut row.noticed.problems);
        }
    }
}

/// Reads a folder. `book` is what the ledger says so far: a batch that it
/// knows is not made again.
///
/// # Errors
/// [`FolderError`] when there is no folder to read. What is wrong inside is
/// in the answer.
pub fn read_folder(
    folder: &Path,
    zone: &ZoneRule,
    book: &Book,
) -> Result<Folder, FolderError> {
    let files = files_of(folder)
        .map_err(|source| FolderError { path: folder.to_owned(), source })?;
    let mut noticed = Noticed::default();
    look_over(&files, &mut noticed);
    compare_zones(folder, zone, &mut noticed);
    let stated = read_trial(folder, zone, &mut noticed);
    // Without a name the other files are read all the same, for their
    // problems.
    let nameless = Name::new("unnamed").expect("it follows the rule");
    let mut reading = Reading {
        trial: stated.as_ref().map_or(nameless, |s| s.trial.clone()),
        started: When::exactly(crate::units::Instant::default()),
        zone,
        drafts: Vec::new(),
        noticed,
    };
    reading.read(folder, &c::BATCHES, units::batch);
    reading.read(folder, &c::CONTAINERS, units::container);
    let has_batches = files.iter().any(|f| f == c::BATCHES.file);
    if !has_batches {
        imply_batches(&mut reading, book);
    }
    let begun = first_begun(&reading.drafts);
    let Some(started) = stated.as_ref().and_then(|s| s.started).or(begun)
    else {
        return Ok(unnamed(reading, stated.is_some()));
    };
    reading.started = started;
    let first = reading.drafts.len();
    reading.read(folder, &c::PLACES, house::place);
    reading.read(folder, &c::LOTS, units::lot);
    // Definitions come first, so that entries are numbered as they are told.
    reading.drafts.rotate_left(first);
    if let Some(stated) = &stated {
        let draft = Draft::new(
            Some(&stated.trial),
            started,
            Statement::Trial {
                trial: stated.trial.clone(),
                question: stated.question.clone(),
                planned: stated.planned.clone(),
            },
        );
        reading.drafts.insert(0, (stated.origin.clone(), draft));
    }
    give_the_only_lot(&mut reading);
    reading.read(folder, &c::TRANSFERS, units::transfer);
    reading.read(folder, &c::TREATMENTS, events::treatment);
    reading.read(folder, &c::STAYS, events::stay);
    reading.read(folder, &c::CHECKS, events::check);
    reading.read(folder, &c::MOULD, events::mould);
    reading.read(folder, &c::CLOSURES, events::closure);
    reading.read(folder, &c::BOARDS, house::board_stay);
    reading.read(folder, &c::OTHER, house::other);
    let trial = stated.map(|stated| stated.trial);
    Ok(finished(reading, trial))
}

fn finished(mut reading: Reading<'_>, trial: Option<Name>) -> Folder {
    let place = |problem: &RowProblem| {
        TABLES.iter().position(|table| table.file == problem.file)
    };
    reading.noticed.problems.sort_by_key(|p| (place(p), p.line));
    Folder {
        // Rows of a trial without a name cannot be written.
        drafts: if trial.is_some() { reading.drafts } else { Vec::new() },
        trial,
        problems: reading.noticed.problems,
        remarks: reading.noticed.remarks,
    }
}

/// The end when nothing says when the trial began.
fn unnamed(mut reading: Reading<'_>, has_trial: bool) -> Folder {
    if has_trial {
        reading.noticed.problems.push(RowProblem::of_file(
            TRIAL.file,
            "does not say when the trial started, and no unit does",
        ));
    }
    finished(reading, None)
}

fn files_of(folder: &Path) -> Result<Vec<String>, std::io::Error> {
    let mut files = Vec::new();
    for entry in fs::read_dir(folder)? {
        files.push(entry?.file_name().to_string_lossy().into_owned());
    }
    files.sort();
    Ok(files)
}

/// Needed files that are missing, and files that are not read.
fn look_over(files: &[String], noticed: &mut Noticed) {
    let is_known = |file: &String| TABLES.iter().any(|t| t.file == file);
    let unknown: Vec<&str> = files
        .iter()
        .filter(|file| !is_known(file))
        .map(String::as_str)
        .collect();
    for table in TABLES.iter().filter(|table| table.needed) {
        if !files.iter().any(|file| file == table.file) {
            let near = nearest(table.file, unknown.iter().copied())
                .map(|near| format!("; is it the file {near}?"))
                .unwrap_or_default();
            let reason = format!("is missing and needed{near}");
            noticed.problems.push(RowProblem::of_file(table.file, reason));
        }
    }
    for file in unknown {
        let csv = file.to_lowercase().ends_with(".csv");
        let readings = file.starts_with("readings");
        if csv && readings {
            noticed.remarks.push(format!(
                "{}: not read here; readings come in by `vernalog import \
                 readings`",
                shown(file)
            ));
        } else if csv && !BESIDE.contains(&file) {
            let known = TABLES.iter().map(|table| table.file);
            let near = nearest(file, known)
                .map(|near| format!("; is it meant to be {near}?"))
                .unwrap_or_default();
            noticed.remarks.push(format!("{}: not read{near}", shown(file)));
        }
    }
}

/// Says when an exported folder means another hour by a date alone.
fn compare_zones(folder: &Path, zone: &ZoneRule, noticed: &mut Noticed) {
    let Ok(text) = fs::read_to_string(folder.join(package::FILE)) else {
        return;
    };
    let Ok(package) = serde_json::from_str::<serde_json::Value>(&text) else {
        return;
    };
    let stated = |key: &str| package[key].as_str().map(str::to_owned);
    let ours = (
        Some(zone.zone.name().to_owned()),
        Some(zone.evening.format("%H:%M").to_string()),
    );
    let theirs = (stated("time_zone"), stated("evening"));
    if let (Some(their_zone), Some(their_evening)) = &theirs
        && theirs != ours
    {
        noticed.remarks.push(format!(
            "the folder was written where a date alone means {} in {}; here \
             it means {} in {}",
            shown(their_evening),
            shown(their_zone),
            zone.evening.format("%H:%M"),
            zone.zone
        ));
    }
}

struct StatedTrial {
    origin: RowOrigin,
    trial: Name,
    question: String,
    started: Option<When>,
    planned: Vec<String>,
}

fn read_trial(
    folder: &Path,
    zone: &ZoneRule,
    noticed: &mut Noticed,
) -> Option<StatedTrial> {
    let sheet = Sheet::read(folder, &TRIAL, noticed)?;
    let mut rows = sheet.rows(zone);
    let Some(mut row) = rows.next() else {
        let reason = "has headings but no row";
        noticed.problems.push(RowProblem::of_file(TRIAL.file, reason));
        return None;
    };
    let (trial, started) = (row.name("trial"), row.when_if_any("started"));
    let planned = row
        .text("planned")
        .split([' ', ','])
        .filter(|word| !word.is_empty())
        .map(crate::exchange::sheet::heading)
        .collect();
    let question = row.note("question");
    let origin = row.origin.clone();
    noticed.problems.append(&mut row.noticed.problems);
    noticed.remarks.append(&mut row.noticed.remarks);
    for mut surplus in rows {
        surplus.problem(
            "a folder holds one trial; a second one needs a folder of its own",
        );
        noticed.problems.append(&mut surplus.noticed.problems);
    }
    Some(StatedTrial {
        origin,
        trial: trial?,
        question,
        started: started?,
        planned,
    })
}

fn first_begun(drafts: &[(RowOrigin, Draft)]) -> Option<When> {
    drafts.iter().map(|(_, draft)| draft.when).min_by_key(|when| when.at)
}

/// Makes the batches that containers name when no file describes any.
fn imply_batches(reading: &mut Reading<'_>, book: &Book) {
    let known = book.trials.get(&reading.trial);
    let mut implied: BTreeMap<Name, (RowOrigin, When, u64)> = BTreeMap::new();
    for (origin, draft) in &reading.drafts {
        let Statement::Container(container) = &draft.statement else {
            continue;
        };
        let Some(batch) = &container.batch else { continue };
        if known.is_some_and(|trial| trial.units.contains_key(batch)) {
            continue;
        }
        let seeds = u64::from(container.seeds);
        implied
            .entry(batch.clone())
            .and_modify(|(_, begun, sum)| {
                *sum += seeds;
                if draft.when.at < begun.at {
                    *begun = draft.when;
                }
            })
            .or_insert_with(|| (origin.clone(), draft.when, seeds));
    }
    for (batch, (origin, begun, seeds)) in implied.into_iter().rev() {
        let Ok(seeds) = u32::try_from(seeds) else {
            reading.noticed.problems.push(RowProblem {
                file: origin.file,
                line: origin.line,
                reason: format!("batch {batch} would have {seeds} seeds"),
            });
            continue;
        };
        reading.noticed.remarks.push(format!(
            "there is no batches.csv: batch {batch} is taken to have begun at \
             {} with the {seeds} seeds of its containers",
            begun.text()
        ));
        let batch = Batch {
            batch,
            lot: None,
            parent: None,
            seeds,
            label: None,
            factors: BTreeMap::new(),
        };
        let draft =
            Draft::new(Some(&reading.trial), begun, Statement::Batch(batch));
        reading.drafts.insert(0, (origin, draft));
    }
}

/// Batches without a lot and a parent are of the only lot there is.
fn give_the_only_lot(reading: &mut Reading<'_>) {
    let lots: Vec<Name> = reading
        .drafts
        .iter()
        .filter_map(|(_, draft)| match &draft.statement {
            Statement::Lot(lot) => Some(lot.lot.clone()),
            _ => None,
        })
        .collect();
    let [only] = &lots[..] else { return };
    let mut given = Vec::new();
    for (origin, draft) in &mut reading.drafts {
        // Only those that no file describes: a stated blank is meant.
        if origin.file == c::BATCHES.file {
            continue;
        }
        if let Statement::Batch(batch) = &mut draft.statement {
            batch.lot = Some(only.clone());
            given.push(batch.batch.to_string());
        }
    }
    if !given.is_empty() {
        reading.noticed.remarks.push(format!(
            "lots.csv has one lot: {} taken to be of lot {only}",
            if given.len() == 1 { "the batch is" } else { "the batches are" }
        ));
    }
}
