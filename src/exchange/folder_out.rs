//! The ledger written as a trial folder that `folder_in` reads back.
//!
//! Lossless for everything that holds now; what was superseded is in
//! `history.jsonl`, for reading only.

use std::collections::BTreeSet;
use std::fs;
use std::io::Write as _;
use std::path::{Path, PathBuf};

use serde_json::Value;

use crate::exchange::columns::{self as c, TABLES, Table};
use crate::exchange::package::{self, FILE, FORMAT};
use crate::exchange::times::ZoneRule;
use crate::observation::{Name, Quantity};
use crate::store::StoreError;
use crate::trial::book::{Trial, superseded};
use crate::trial::entry::{
    Counted, Entry, EntryId, Factors, Lid, Look, PlaceKind, Severity,
    Statement, word_of,
};
use crate::trial::line;
use crate::trial::when::When;
use crate::units::Instant;

pub use crate::exchange::package::Written;

/// Why a folder could not be written.
#[derive(Debug, thiserror::Error)]
pub enum ExportError {
    /// There is something else in the folder.
    #[error("the folder \"{}\" is not empty", path.display())]
    NotEmpty {
        /// The folder.
        path: PathBuf,
    },
    /// A file cannot be written.
    #[error("cannot write \"{}\"", path.display())]
    Write {
        /// The file or folder.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// The readings cannot be read.
    #[error("cannot read what is to be exported")]
    Store(#[from] StoreError),
}

/// Makes the folder ready: new, empty, or holding an earlier export, whose
/// files are taken away.
///
/// # Errors
/// [`ExportError::NotEmpty`] when it holds anything else.
pub fn make_room(folder: &Path) -> Result<(), ExportError> {
    let failed =
        |source| ExportError::Write { path: folder.to_owned(), source };
    fs::create_dir_all(folder).map_err(failed)?;
    let not_empty = || ExportError::NotEmpty { path: folder.to_owned() };
    let mut found = BTreeSet::new();
    for entry in fs::read_dir(folder).map_err(failed)? {
        let name = entry.map_err(failed)?.file_name();
        found.insert(name.to_string_lossy().into_owned());
    }
    if found.is_empty() {
        return Ok(());
    }
    let ours = files_of_export(&folder.join(FILE)).ok_or_else(not_empty)?;
    if !found.is_subset(&ours) {
        return Err(not_empty());
    }
    for file in found {
        fs::remove_file(folder.join(file)).map_err(failed)?;
    }
    Ok(())
}

/// The files that an earlier export says it wrote.
fn files_of_export(descriptor: &Path) -> Option<BTreeSet<String>> {
    let text = fs::read_to_string(descriptor).ok()?;
    let package: Value = serde_json::from_str(&text).ok()?;
    if package["format"] != FORMAT {
        return None;
    }
    let mut files: BTreeSet<String> = package["resources"]
        .as_array()?
        .iter()
        .filter_map(|resource| resource["path"].as_str())
        .map(str::to_owned)
        .collect();
    files.extend([FILE, HISTORY].map(str::to_owned));
    Some(files)
}

const HISTORY: &str = "history.jsonl";

/// Writes the tables of a trial and the house, and the history.
///
/// # Errors
/// [`ExportError::Write`].
pub fn write_tables(
    folder: &Path,
    ledger: &[Entry],
    trial: &Name,
) -> Result<Vec<Written>, ExportError> {
    let sorted = Sorted::of(ledger, trial);
    let mut files = Vec::new();
    for table in TABLES {
        let rows = sorted.rows_of(table);
        if rows.is_empty() && !table.needed {
            continue;
        }
        files.push(write_table(folder, table, &rows)?);
    }
    write_history(&folder.join(HISTORY), ledger)?;
    Ok(files)
}

/// Writes the descriptor of all files written.
///
/// # Errors
/// [`ExportError::Write`].
pub fn write_descriptor(
    folder: &Path,
    trial: &Trial,
    files: &[Written],
    zone: &ZoneRule,
    now: Instant,
) -> Result<(), ExportError> {
    let path = folder.join(FILE);
    let value = package::descriptor(trial, files, zone, now);
    let text = format!("{value:#}\n");
    fs::write(&path, text).map_err(|source| ExportError::Write { path, source })
}

/// A row: the cells of the table's columns, and the factors stated.
struct Cells {
    cells: Vec<String>,
    factors: Factors,
}

impl Cells {
    fn plain(cells: Vec<String>) -> Self {
        Self { cells, factors: Factors::new() }
    }
}

fn write_table(
    folder: &Path,
    table: &'static Table,
    rows: &[Cells],
) -> Result<Written, ExportError> {
    let factors: BTreeSet<String> =
        rows.iter().flat_map(|row| row.factors.keys().cloned()).collect();
    let factors: Vec<String> = factors.into_iter().collect();
    let path = folder.join(table.file);
    let failed = |source| ExportError::Write { path: path.clone(), source };
    let mut writer =
        csv::Writer::from_path(&path).map_err(|e| failed(e.into()))?;
    let mut headings: Vec<&str> = table.names().collect();
    headings.extend(factors.iter().map(String::as_str));
    writer.write_record(headings).map_err(|e| failed(e.into()))?;
    for row in rows {
        let levels = factors
            .iter()
            .map(|name| row.factors.get(name).map_or("", String::as_str));
        writer
            .write_record(row.cells.iter().map(String::as_str).chain(levels))
            .map_err(|e| failed(e.into()))?;
    }
    writer.flush().map_err(failed)?;
    let n_rows = u64::try_from(rows.len()).expect("a count fits in 64 bits");
    Ok(Written::table(table, &factors, n_rows))
}

fn write_history(path: &Path, ledger: &[Entry]) -> Result<(), ExportError> {
    let failed = |source| ExportError::Write { path: path.to_owned(), source };
    let file = fs::File::create(path).map_err(failed)?;
    let mut file = std::io::BufWriter::new(file);
    for entry in ledger {
        writeln!(file, "{}", line::to_json(entry)).map_err(failed)?;
    }
    file.flush().map_err(failed)
}

/// The live entries of a trial and the house, with the main boards that a
/// stay of the board itself can say.
struct Sorted<'a> {
    live: Vec<&'a Entry>,
    said_by_stays: BTreeSet<EntryId>,
}

impl<'a> Sorted<'a> {
    fn of(ledger: &'a [Entry], trial: &Name) -> Self {
        let dead = superseded(ledger);
        let live: Vec<&Entry> = ledger
            .iter()
            .filter(|entry| !dead.contains(&entry.id))
            .filter(|entry| {
                entry.draft.statement.is_of_the_house()
                    || entry.draft.trial.as_ref().is_none_or(|t| t == trial)
            })
            .collect();
        let said_by_stays = live
            .iter()
            .filter(|entry| is_placed_stay(&entry.draft.statement))
            .flat_map(|stay| mains_of(&live, stay))
            .map(|(id, _)| id)
            .collect();
        Self { live, said_by_stays }
    }

    fn rows_of(&self, table: &'static Table) -> Vec<Cells> {
        self.live
            .iter()
            .filter(|entry| !self.said_by_stays.contains(&entry.id))
            .filter(|entry| {
                std::ptr::eq(table_of(&entry.draft.statement), table)
            })
            .filter_map(|entry| self.row(entry))
            .collect()
    }

    fn row(&self, entry: &Entry) -> Option<Cells> {
        let at = || entry.draft.when.text();
        let row = match &entry.draft.statement {
            Statement::Undo => return None,
            Statement::Trial { trial, question, planned } => {
                Cells::plain(vec![
                    trial.to_string(),
                    question.clone(),
                    at(),
                    planned.join(" "),
                ])
            }
            Statement::Place { place, place_kind, light_source, title } => {
                Cells::plain(vec![
                    place.to_string(),
                    word_of(&PlaceKind::WORDS, place_kind).to_owned(),
                    light_source.clone(),
                    title.clone(),
                ])
            }
            Statement::Lot(lot) => Cells {
                cells: vec![
                    lot.lot.to_string(),
                    lot.species.clone(),
                    lot.supplier.clone(),
                    lot.collected.clone(),
                    lot.received.clone(),
                    lot.storage.clone(),
                ],
                factors: lot.factors.clone(),
            },
            Statement::Batch(batch) => Cells {
                cells: vec![
                    batch.batch.to_string(),
                    or_empty(batch.lot.as_ref()),
                    or_empty(batch.parent.as_ref()),
                    batch.seeds.to_string(),
                    at(),
                    or_empty(batch.label.as_ref()),
                ],
                factors: batch.factors.clone(),
            },
            Statement::Container(container) => Cells {
                cells: vec![
                    container.container.to_string(),
                    or_empty(container.batch.as_ref()),
                    container.seeds.to_string(),
                    at(),
                    word_of(&Lid::WORDS, &container.lid).to_owned(),
                    or_empty(container.label.as_ref()),
                ],
                factors: container.factors.clone(),
            },
            Statement::BoardStay {
                board,
                probe,
                place: Some(place),
                until,
                position,
            } => Cells::plain(vec![
                board.to_string(),
                probe.to_string(),
                place.to_string(),
                position.clone(),
                at(),
                until.as_ref().map(When::text).unwrap_or_default(),
                self.main_word(entry),
            ]),
            statement => Cells::plain(
                row_of_event(statement, entry)
                    .unwrap_or_else(|| row_of_other(entry)),
            ),
        };
        Some(row)
    }

    fn main_word(&self, stay: &Entry) -> String {
        let quantities: Vec<Quantity> =
            mains_of(&self.live, stay).into_iter().map(|(_, q)| q).collect();
        if quantities.is_empty() {
            "no".to_owned()
        } else if quantities == Quantity::CLIMATE {
            "yes".to_owned()
        } else {
            let words: Vec<&str> =
                quantities.into_iter().map(Quantity::word).collect();
            words.join(" ")
        }
    }
}

fn or_empty(value: Option<&impl ToString>) -> String {
    value.map(ToString::to_string).unwrap_or_default()
}

fn is_placed_stay(statement: &Statement) -> bool {
    matches!(statement, Statement::BoardStay { place: Some(_), .. })
}

/// The main boards stated for a stay's board, place and very time.
fn mains_of(live: &[&Entry], stay: &Entry) -> Vec<(EntryId, Quantity)> {
    let Statement::BoardStay { board, probe, place, .. } =
        &stay.draft.statement
    else {
        return Vec::new();
    };
    live.iter()
        .filter(|entry| entry.draft.when == stay.draft.when)
        .filter_map(|entry| match &entry.draft.statement {
            Statement::MainBoard {
                place: at,
                quantity,
                board: main,
                probe: main_probe,
            } if Some(at) == place.as_ref()
                && main == board
                && main_probe == probe =>
            {
                Some((entry.id, quantity.0))
            }
            _ => None,
        })
        .collect()
}

/// The file that an entry goes into.
fn table_of(statement: &Statement) -> &'static Table {
    match statement {
        Statement::Trial { .. } => &c::TRIAL,
        Statement::Place { .. } => &c::PLACES,
        Statement::Lot(_) => &c::LOTS,
        Statement::Batch(_) => &c::BATCHES,
        Statement::Container(_) => &c::CONTAINERS,
        Statement::Transfer { .. } => &c::TRANSFERS,
        Statement::Treatment { .. } => &c::TREATMENTS,
        Statement::Stay { place: Some(_), .. } => &c::STAYS,
        Statement::Check(_) => &c::CHECKS,
        Statement::Mould { .. } => &c::MOULD,
        Statement::Closure(_) => &c::CLOSURES,
        Statement::BoardStay { place: Some(_), .. } => &c::BOARDS,
        _ => &c::OTHER,
    }
}

fn row_of_event(statement: &Statement, entry: &Entry) -> Option<Vec<String>> {
    let at = entry.draft.when.text();
    Some(match statement {
        Statement::Transfer { from, to, seeds } => {
            vec![from.to_string(), to.to_string(), seeds.to_string(), at]
        }
        Statement::Treatment { unit, treatment, amount, note } => vec![
            unit.to_string(),
            at,
            treatment.clone(),
            amount.clone(),
            note.clone(),
        ],
        Statement::Stay {
            unit,
            place: Some(place),
            until,
            moist,
            position,
        } => vec![
            unit.to_string(),
            place.to_string(),
            at,
            until.as_ref().map(When::text).unwrap_or_default(),
            if *moist { "yes" } else { "no" }.to_owned(),
            position.clone(),
        ],
        Statement::Check(check) => {
            let (new, total) = match check.germinated {
                Counted::New(new) => (new.to_string(), String::new()),
                Counted::Total(total) => (String::new(), total.to_string()),
            };
            let by = if check.by.is_empty() { &entry.by } else { &check.by };
            vec![
                check.unit.to_string(),
                at,
                new,
                total,
                check.mouldy_now.to_string(),
                check.removed_mould.to_string(),
                check.removed_other.to_string(),
                check.medium.clone(),
                word_of(&Look::WORDS, &check.looked).to_owned(),
                by.clone(),
                check.note.clone(),
            ]
        }
        Statement::Mould { unit, severity } => vec![
            unit.to_string(),
            at,
            word_of(&Severity::WORDS, severity).to_owned(),
        ],
        Statement::Closure(closure) => vec![
            closure.unit.to_string(),
            at,
            closure.viable.to_string(),
            closure.empty.to_string(),
            closure.dead.to_string(),
            closure.mouldy.to_string(),
            closure.lost.to_string(),
        ],
        _ => return None,
    })
}

fn row_of_other(entry: &Entry) -> Vec<String> {
    let statement = &entry.draft.statement;
    vec![
        statement.kind().to_owned(),
        or_empty(entry.draft.trial.as_ref()),
        entry.draft.when.text(),
        serde_json::to_string(statement)
            .expect("a statement can always be written as JSON"),
    ]
}
