//! `labels`: a printable sheet with a code for each unit.

use std::fs;
use std::path::{Path, PathBuf};

use serde_json::json;

use crate::cli::arguments::LabelsArguments;
use crate::cli::failure::{Answer, Failure};
use crate::cli::opening::{House, unit_name};
use crate::cli::output::Output;
use crate::labels::address::warning;
use crate::labels::sheet::{Grid, sheets};
use crate::labels::{Tag, tag};
use crate::trial::unit::Unit;

/// Edge of the paper unless told otherwise, mm.
const MARGIN_TO_CUT: f64 = 10.0;

pub(crate) fn labels(
    house: &House,
    arguments: &LabelsArguments,
    output: &mut Output,
) -> Result<Answer, Failure> {
    let (_, book) = house.ledger()?;
    let trial = house.trial(&book)?;
    let mut units: Vec<&Unit> = Vec::new();
    for text in &arguments.unit {
        let name = unit_name(trial, text)?;
        units.push(trial.units.get(&name).ok_or_else(|| {
            Failure::new(format!("trial {} has no unit {name}", trial.name))
                .hint("`vernalog round` lists the units with their labels")
        })?);
    }
    if units.is_empty() {
        units = trial.units.values().filter(|u| u.closure.is_none()).collect();
    }
    if units.is_empty() {
        return Err(Failure::new(format!(
            "trial {} has no open batch or container to label",
            trial.name
        ))
        .hint(
            "`vernalog record container` makes one; --unit names a closed one",
        ));
    }
    let base = house.settings.base_url();
    if let Some(warning) = warning(base) {
        output.talk(&format!("warning: {warning}"));
    }
    let zone = house.zone();
    let tags: Vec<Tag> = units
        .iter()
        .map(|unit| tag(trial, unit, base, |when| zone.shown(when)))
        .collect();
    let (rows, columns) = arguments.grid;
    let begin = if arguments.cut { MARGIN_TO_CUT } else { 0.0 };
    let grid = Grid {
        rows,
        columns,
        margin: arguments.margin.unwrap_or(begin),
        cut: arguments.cut,
        skip: arguments.skip,
    };
    let sheets = sheets(&tags, &grid).map_err(|error| {
        Failure::of(&error).hint("such as --grid 8x3, or --grid 6x3 --cut")
    })?;
    let files = write(&arguments.out, &sheets)?;
    if output.json {
        output.object(&json!({
            "trial": trial.name.as_str(),
            "labels": tags.len(),
            "sheets": sheets.len(),
            "files": files,
        }))?;
    } else {
        for file in &files {
            output.line(&format!("labels: {}", file.display()))?;
        }
        output.talk(&format!(
            "{} labels; print on A4 at 100 %, first on plain paper",
            tags.len()
        ));
    }
    Ok(Answer::Done)
}

/// One page for HTML; for SVG a file a sheet.
fn write(out: &Path, sheets: &[String]) -> Result<Vec<PathBuf>, Failure> {
    let is_svg = out.extension().is_some_and(|kind| kind == "svg");
    let files: Vec<(PathBuf, String)> = if !is_svg {
        vec![(out.to_owned(), whole_page(sheets))]
    } else if let [only] = sheets {
        vec![(out.to_owned(), only.clone())]
    } else {
        let stem = out.file_stem().unwrap_or_default().to_string_lossy();
        (1..)
            .zip(sheets)
            .map(|(n, sheet)| {
                (out.with_file_name(format!("{stem}-{n}.svg")), sheet.clone())
            })
            .collect()
    };
    for (file, text) in &files {
        fs::write(file, text).map_err(|error| {
            Failure::new(format!("cannot write {}", file.display()))
                .because(error.to_string())
                .hint("choose another file with --out FILE")
        })?;
    }
    Ok(files.into_iter().map(|(file, _)| file).collect())
}

fn whole_page(sheets: &[String]) -> String {
    format!(
        "<!DOCTYPE html><html lang=\"en\"><head><meta charset=\"utf-8\">\
         <title>Labels</title><style>\
         @page {{ size: A4; margin: 0 }} \
         body {{ margin: 0 }} \
         svg {{ display: block; break-after: page }}\
         </style></head><body>\n{}\n</body></html>\n",
        sheets.join("\n")
    )
}
