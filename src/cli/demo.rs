//! `demo`: an invented season through the whole program, told in ten lines.

use serde_json::json;

use crate::cli::arguments::DemoArguments;
use crate::cli::failure::{Answer, Failure};
use crate::cli::output::Output;
use crate::cli::progress::Progress;
use crate::demo::{DemoError, Made, Step, run};
use crate::observation::shown;
use crate::trial::book::Trial;

pub(crate) fn demo(
    arguments: &DemoArguments,
    output: &mut Output,
) -> Result<Answer, Failure> {
    let mut progress = Progress::new(output);
    let mut step = |step: Step| progress.at(step.what, step.done, step.of);
    let made = run(&arguments.out, &mut step).map_err(failed)?;
    drop(progress);
    let trial = made.book.trial(None).map_err(Failure::new)?;
    if output.json {
        output.object(&json!({
            "folder": made.folder,
            "trial": trial.name,
            "entries": made.entries,
            "readings": made.imported,
            "mqtt_boards": made.live.mqtt_boards,
            "mqtt_samples": made.live.mqtt_samples,
            "serial_samples": made.live.serial_samples,
            "page": made.report.page,
            "findings": made.report.findings,
        }))?;
    } else {
        for line in summary(&made, trial) {
            output.line(&line)?;
        }
    }
    Ok(Answer::Done)
}

fn summary(made: &Made, trial: &Trial) -> Vec<String> {
    let folder = made.folder.display();
    let containers: Vec<_> = trial.containers().collect();
    let seeds: u32 = containers.iter().map(|unit| unit.entered()).sum();
    let germinated: u32 = containers.iter().map(|unit| unit.germinated()).sum();
    let mut lines = vec![
        format!(
            "An invented season, played through the whole program: {folder}"
        ),
        format!("  asked: {}", shown(&trial.question)),
        format!(
            "  {} lots, {} batches, {} containers with {seeds} seeds, {} \
             places",
            trial.lots.len(),
            trial.batches().count(),
            containers.len(),
            made.book.house.places.len()
        ),
        format!(
            "  {} entries and {} readings came from files; {} samples over \
             MQTT from {} boards, {} over a serial line",
            made.entries,
            made.imported,
            made.live.mqtt_samples,
            made.live.mqtt_boards,
            made.live.serial_samples
        ),
        format!("  {germinated} seeds came up in the containers"),
    ];
    let first = made.report.findings.first();
    lines.extend(first.map(|finding| format!("  {finding}")));
    lines.push(format!("Report: {}", made.report.page.display()));
    lines.push("Try next:".to_owned());
    lines.push(format!("  vernalog status --settings {folder}/settings.toml"));
    lines.push(format!(
        "  vernalog round --settings {folder}/settings.toml --at 2026-03-20"
    ));
    lines
}

fn failed(error: DemoError) -> Failure {
    Failure::of(&error)
}
