//! `export`: a trial as a folder of files that `import` reads back.

use serde_json::json;

use crate::cli::arguments::ExportArguments;
use crate::cli::failure::{Answer, Failure};
use crate::cli::opening::House;
use crate::cli::output::Output;
use crate::exchange::folder_out::{make_room, write_descriptor, write_tables};
use crate::exchange::readings_out::{ONE_FILE, write_readings};
use crate::store::Access;
use crate::trial::book::Book;

pub(crate) fn export(
    house: &House,
    arguments: &ExportArguments,
    output: &mut Output,
) -> Result<Answer, Failure> {
    let store = house.store(Access::ReadOnly)?;
    let ledger = store.ledger()?;
    let (book, _) = Book::build(&ledger);
    let trial = house.trial(&book)?;
    let folder = &arguments.out;
    make_room(folder)?;
    let mut files = write_tables(folder, &ledger, &trial.name)?;
    files.extend(write_readings(folder, &store, ONE_FILE)?);
    write_descriptor(folder, trial, &files, house.zone(), house.now)?;
    if output.json {
        let files: Vec<_> = files
            .iter()
            .map(|written| json!({"file": written.file, "rows": written.rows}))
            .collect();
        output.object(&json!({
            "format": "vernalog-export/1",
            "folder": folder,
            "trial": trial.name,
            "files": files,
        }))?;
        return Ok(Answer::Done);
    }
    for written in &files {
        output.line(&format!(
            "{}: {} rows",
            folder.join(&written.file).display(),
            written.rows
        ))?;
    }
    Ok(Answer::Done)
}
