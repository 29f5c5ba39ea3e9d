//! `report`: the report of a trial, and what it found in a few lines.

use serde_json::json;

use crate::cli::arguments::ReportArguments;
use crate::cli::failure::{Answer, Failure};
use crate::cli::opening::House;
use crate::cli::output::Output;
use crate::cli::progress::Progress;
use crate::report::{self, ReportError, Request, write};
use crate::store::Access;

pub(crate) fn report(
    house: &House,
    arguments: &ReportArguments,
    output: &mut Output,
) -> Result<Answer, Failure> {
    let until = match &arguments.until {
        Some(text) => Some(house.when(text, |remark| output.talk(remark))?.at),
        None => None,
    };
    let store = house.store(Access::ReadOnly)?;
    // Says which trials there are, where several are.
    let (_, book) = house.ledger()?;
    let request = Request {
        trial: Some(house.trial(&book)?.name.clone()),
        out: arguments.out.clone(),
        zone: house.zone().zone,
        until,
        now: house.now,
        version: env!("CARGO_PKG_VERSION").to_owned(),
    };
    let mut progress = Progress::new(output);
    let mut step = |at: report::Progress| {
        if arguments.steps {
            output.talk(&format!("step {}/{} {}", at.done, at.of, at.doing));
        } else {
            progress.at(at.doing, at.done as u64, at.of as u64);
        }
    };
    let written = write(&request, &store, &mut step).map_err(failed)?;
    drop(progress);
    for problem in &written.problems {
        output.talk(&format!("left out: {problem}"));
    }
    if output.json {
        output.object(&json!({
            "trial": written.trial,
            "page": written.page,
            "files": written.files,
            "findings": written.findings,
            "left_out": written.problems,
        }))?;
    } else {
        for finding in &written.findings {
            output.line(&format!("- {finding}"))?;
        }
        output.line(&format!("report: {}", written.page.display()))?;
    }
    Ok(Answer::Done)
}

fn failed(error: ReportError) -> Failure {
    let failure = Failure::of(&error);
    match error {
        ReportError::Write { .. } => {
            failure.hint("choose another folder with --out DIR")
        }
        ReportError::Trial(_) | ReportError::Store(_) => failure,
    }
}
