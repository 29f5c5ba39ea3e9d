//! `import`: a trial folder, or a file of readings.
//!
//! Everything that is wrong is told at once, and nothing is taken in unless
//! all is sound or the sound rows are asked for.

use indicatif::{ProgressBar, ProgressStyle};
use serde_json::{Value, json};

use crate::cli::arguments::{ImportReadings, ImportTrial};
use crate::cli::failure::{Answer, Failure};
use crate::cli::opening::House;
use crate::cli::output::Output;
use crate::cli::recording::{hints, on_conflict, tell_journal, writer};
use crate::exchange::folder_in::{RowProblem, read_folder};
use crate::exchange::marking::Marking;
use crate::exchange::readings_in::{self, ReadingsRow};
use crate::observation::{Reading, Series};
use crate::store::{
    Access, IMPORT_CHUNK, Imported, Keep, Recorded, Records, Store,
};
use crate::trial::book::Book;
use crate::trial::entry::Draft;

/// How many problems of a file of readings are told one by one: a wrong
/// column makes a million of them.
const MOST_TOLD: usize = 50;

pub(crate) fn trial(
    house: &House,
    arguments: &ImportTrial,
    output: &mut Output,
) -> Result<Answer, Failure> {
    let mut store = house.store(Access::ReadWrite)?;
    let (book, _) = Book::build(&store.ledger()?);
    let mut folder = read_folder(&arguments.folder, house.zone(), &book)?;
    if !output.json {
        for remark in &folder.remarks {
            output.talk(remark);
        }
    }
    if let (Some(wanted), Some(found)) = (&house.trial, &folder.trial)
        && wanted != found
    {
        return Err(Failure::new(format!(
            "the folder holds trial \"{found}\", not \"{wanted}\""
        )));
    }
    let drafts: Vec<Draft> =
        folder.drafts.iter().map(|(_, draft)| draft.clone()).collect();
    let all_or_nothing = !arguments.keep_good;
    let bad_rows = !folder.problems.is_empty();
    let recorded = store.record(&Records {
        drafts: &drafts,
        on_conflict: on_conflict(arguments.supersede.as_ref()),
        keep: if all_or_nothing { Keep::AllOrNothing } else { Keep::Good },
        by: &writer(arguments.by.as_ref()),
        origin: "import",
        now: house.now,
        // With bad rows the rest is judged all the same, to tell it all.
        dry_run: arguments.dry_run || (bad_rows && all_or_nothing),
    })?;
    tell_journal(&recorded, output);
    add_refusals(&mut folder.problems, &folder.drafts, &recorded, &book);
    let sound = folder.problems.is_empty();
    let written =
        if sound || arguments.keep_good { recorded.written.len() } else { 0 };
    if output.json {
        output.object(&json!({
            "format": "vernalog-import/1",
            "dry_run": arguments.dry_run,
            "written": written,
            "unchanged": recorded.unchanged,
            "remarks": folder.remarks,
            "problems": as_json(&folder.problems),
        }))?;
    } else if sound || arguments.keep_good {
        let done = if arguments.dry_run { "would be" } else { "are" };
        output.line(&format!(
            "{written} entries {done} recorded, {} were there before",
            recorded.unchanged
        ))?;
    }
    answer(&folder.problems, arguments.keep_good, arguments.dry_run, output)
}

/// Adds what the ledger refused, each with the row it came from.
fn add_refusals(
    problems: &mut Vec<RowProblem>,
    drafts: &[(crate::exchange::folder_in::RowOrigin, Draft)],
    recorded: &Recorded,
    book: &Book,
) {
    for refused in &recorded.refused {
        let (origin, draft) = &drafts[refused.index];
        let mut reason = refused.text.clone();
        for hint in hints(draft, book) {
            reason = format!("{reason}; {hint}");
        }
        problems.push(RowProblem {
            file: origin.file.clone(),
            line: origin.line,
            reason,
        });
    }
}

fn as_json(problems: &[RowProblem]) -> Vec<Value> {
    problems
        .iter()
        .map(|problem| {
            json!({
                "file": problem.file,
                "line": problem.line,
                "reason": problem.reason,
            })
        })
        .collect()
}

/// The end of an import: done, or everything that is wrong.
fn answer(
    problems: &[RowProblem],
    keep_good: bool,
    dry_run: bool,
    output: &mut Output,
) -> Result<Answer, Failure> {
    if problems.is_empty() {
        return Ok(Answer::Done);
    }
    if dry_run || keep_good {
        for problem in problems {
            output.talk(&format!("left out: {problem}"));
        }
        return Ok(Answer::No);
    }
    let rows = if problems.len() == 1 { "thing" } else { "things" };
    let error = format!(
        "nothing is taken in: {} {rows} in the files must be put right",
        problems.len()
    );
    Err(Failure::of_rows(&error, problems).hint(
        "put them right and import again, or take in the sound rows with \
         --keep-good",
    ))
}

pub(crate) fn readings(
    house: &House,
    arguments: &ImportReadings,
    output: &mut Output,
) -> Result<Answer, Failure> {
    let seen = look_through(house, arguments, output)?;
    let sound = seen.n_problems == 0;
    let mut imported = Taken::default();
    if !arguments.dry_run && (sound || arguments.keep_good) {
        imported = take_in(house, arguments, &seen, output)?;
    }
    if output.json {
        output.object(&json!({
            "format": "vernalog-import-readings/1",
            "dry_run": arguments.dry_run,
            "rows": seen.rows,
            "readings": seen.readings,
            "new": imported.new,
            "repeated": imported.repeated,
            "conflicts": imported.n_conflicts,
            "n_problems": seen.n_problems,
            "problems": as_json(&seen.problems),
        }))?;
    } else if arguments.dry_run {
        output.line(&format!(
            "{} sound readings in {} rows",
            seen.readings, seen.rows
        ))?;
    } else if sound || arguments.keep_good {
        output.line(&format!(
            "{} readings are new, {} were there before",
            imported.new, imported.repeated
        ))?;
    }
    if imported.n_conflicts > 0 {
        for conflict in &imported.conflicts {
            output.talk(&format!("left out: {conflict}"));
        }
        output.talk(&format!(
            "{} readings differ from what is kept for the same instant; kept \
             values are never changed",
            imported.n_conflicts
        ));
    }
    let more = seen.n_problems.saturating_sub(seen.problems.len());
    if more > 0 {
        output.talk(&format!("and {more} more rows are wrong"));
    }
    let answer =
        answer(&seen.problems, arguments.keep_good, arguments.dry_run, output)?;
    Ok(if imported.n_conflicts > 0 { Answer::No } else { answer })
}

/// What a look through a file of readings showed.
#[derive(Default)]
struct Seen {
    rows: u64,
    readings: u64,
    problems: Vec<RowProblem>,
    n_problems: usize,
}

/// Reads a whole file and keeps only what is wrong.
fn look_through(
    house: &House,
    arguments: &ImportReadings,
    output: &Output,
) -> Result<Seen, Failure> {
    let mut seen = Seen::default();
    let rows = match readings_in::open(&arguments.file, house.zone())? {
        Ok(rows) => rows,
        Err(problems) => {
            seen.n_problems = problems.len();
            seen.problems = problems;
            return Ok(seen);
        }
    };
    let mut n_twice = 0_u64;
    for row in rows {
        seen.rows += 1;
        match row {
            Ok(ReadingsRow { readings, line, remark }) => {
                seen.readings +=
                    u64::try_from(readings.len()).expect("a few quantities");
                if let Some(remark) = remark {
                    n_twice += 1;
                    if n_twice == 1 {
                        output.talk(&format!("line {line}: {remark}"));
                    }
                }
            }
            Err(problem) => {
                seen.n_problems += 1;
                if seen.problems.len() < MOST_TOLD {
                    seen.problems.push(problem);
                }
            }
        }
    }
    if n_twice > 1 {
        output.talk(&format!(
            "{n_twice} rows have a local time that occurs twice; write times \
             with Z or an offset to be certain"
        ));
    }
    Ok(seen)
}

#[derive(Default)]
struct Taken {
    new: usize,
    repeated: usize,
    n_conflicts: usize,
    conflicts: Vec<String>,
}

impl Taken {
    fn add(&mut self, imported: &Imported, chunk: &[(Series, Reading)]) {
        self.new += imported.new;
        self.repeated += imported.repeated;
        self.n_conflicts += imported.conflicts.len();
        for (index, stored) in &imported.conflicts {
            if self.conflicts.len() < MOST_TOLD {
                let (series, reading) = &chunk[*index];
                self.conflicts.push(format!(
                    "{series} at {}: {} here, {stored} kept",
                    reading.at, reading.value
                ));
            }
        }
    }
}

fn take_in(
    house: &House,
    arguments: &ImportReadings,
    seen: &Seen,
    output: &Output,
) -> Result<Taken, Failure> {
    let mut store = house.store(Access::ReadWrite)?;
    let mut taken = Taken::default();
    let Ok(rows) = readings_in::open(&arguments.file, house.zone())? else {
        return Ok(taken);
    };
    let bar = progress(seen.readings, output);
    let mut marking = Marking::default();
    let mut chunk: Vec<(Series, Reading)> = Vec::with_capacity(IMPORT_CHUNK);
    for row in rows.flatten() {
        if chunk.len() + row.readings.len() > IMPORT_CHUNK {
            put(&mut store, &mut chunk, &mut taken, &bar)?;
        }
        chunk.extend(row.readings.into_iter().map(|(series, reading)| {
            let reading = marking.mark(&series, reading);
            (series, reading)
        }));
    }
    put(&mut store, &mut chunk, &mut taken, &bar)?;
    bar.finish_and_clear();
    Ok(taken)
}

fn put(
    store: &mut Store,
    chunk: &mut Vec<(Series, Reading)>,
    taken: &mut Taken,
    bar: &ProgressBar,
) -> Result<(), Failure> {
    let imported = store.import_readings(chunk)?;
    taken.add(&imported, chunk);
    bar.inc(u64::try_from(chunk.len()).expect("a chunk is small"));
    chunk.clear();
    Ok(())
}

/// A bar on stderr where somebody watches.
fn progress(readings: u64, output: &Output) -> ProgressBar {
    if !output.is_watched() {
        return ProgressBar::hidden();
    }
    let style = ProgressStyle::with_template(
        "{pos} of {len} readings {bar:30} {eta} left",
    )
    .expect("the template is well-formed");
    ProgressBar::new(readings).with_style(style)
}
