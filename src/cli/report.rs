//! `report`: the report of a trial, and what it found in a few lines; where
//! one of its numbers comes from; two trials side by side.

use std::path::PathBuf;

use serde_json::json;

use crate::cli::arguments::ReportArguments;
use crate::cli::failure::{Answer, Failure};
use crate::cli::opening::House;
use crate::cli::output::Output;
use crate::cli::progress::Progress;
use crate::observation::Name;
use crate::report::compare::compare;
use crate::report::explain::{NoTrace, explain};
use crate::report::words::plain;
use crate::report::{self, ReportError, Request, write};
use crate::store::{Access, Store};
use crate::units::Instant;

pub(crate) fn report(
    house: &House,
    arguments: &ReportArguments,
    output: &mut Output,
) -> Result<Answer, Failure> {
    if let [one, other] = &arguments.compare[..] {
        return compare_trials(house, (one, other), output);
    }
    let until = match &arguments.until {
        Some(text) => Some(house.when(text, |remark| output.talk(remark))?.at),
        None => None,
    };
    let store = house.store(Access::ReadOnly)?;
    // Says which trials there are, where several are.
    let (_, book) = house.ledger()?;
    let trial = house.trial(&book)?.name.clone();
    let request = request(house, Some(trial), until, arguments.out.clone());
    if let Some(path) = &arguments.explain {
        return explain_number(&request, &store, path, output);
    }
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

/// What a report is asked for.
pub(crate) fn request(
    house: &House,
    trial: Option<Name>,
    until: Option<Instant>,
    out: PathBuf,
) -> Request {
    Request {
        trial,
        out,
        zone: house.zone().zone,
        until,
        now: house.now,
        version: env!("CARGO_PKG_VERSION").to_owned(),
    }
}

fn explain_number(
    request: &Request,
    store: &Store,
    path: &str,
    output: &mut Output,
) -> Result<Answer, Failure> {
    let found = explain(request, store, path).map_err(|error| match error {
        NoTrace::Report(error) => failed(error),
        NoTrace::Unknown { .. } => Failure::new(error.to_string()),
    })?;
    if output.json {
        output.object(&json!(found))?;
        return Ok(Answer::Done);
    }
    output.line(&format!("{} = {}", found.path, found.value))?;
    output.line(&format!("rule: {}", found.rule))?;
    for used in &found.readings {
        output.line(&format!(
            "readings: {} at {} ({}), {} to {}: {} used, {} left out",
            used.series,
            used.place,
            used.standing,
            used.from,
            used.until,
            used.used,
            used.left_out
        ))?;
    }
    for entry in &found.entries {
        output.line(&format!(
            "entry {}: {}",
            entry.entry,
            plain(&entry.says)
        ))?;
    }
    for path in &found.rests_on {
        output.line(&format!("rests on: {path}"))?;
    }
    Ok(Answer::Done)
}

fn compare_trials(
    house: &House,
    (one, other): (&Name, &Name),
    output: &mut Output,
) -> Result<Answer, Failure> {
    let store = house.store(Access::ReadOnly)?;
    let told = |trial: &Name| {
        let asked = request(house, Some(trial.clone()), None, PathBuf::new());
        report::results(&asked, &store).map_err(failed)
    };
    let found = compare(&told(one)?, &told(other)?);
    if output.json {
        output.object(&json!(found))?;
        return Ok(Answer::Done);
    }
    let rows: Vec<Vec<String>> = found
        .lines
        .iter()
        .map(|line| {
            let [a, b] = &line.told;
            [&line.what, a, b].map(|text| plain(text)).to_vec()
        })
        .collect();
    let [a, b] = &found.trials;
    output.table(&["", a, b], &rows)?;
    for difference in &found.differences {
        output.line(&format!("differs: {}", plain(difference)))?;
    }
    output.talk(&found.caution);
    Ok(Answer::Done)
}

pub(crate) fn failed(error: ReportError) -> Failure {
    let failure = Failure::of(&error);
    match error {
        ReportError::Write { .. } => {
            failure.hint("choose another folder with --out DIR")
        }
        ReportError::Threads(_) => failure.hint(
            "the machine has none left: end what else runs, then try again",
        ),
        ReportError::Trial(_) | ReportError::Store(_) => failure,
    }
}
