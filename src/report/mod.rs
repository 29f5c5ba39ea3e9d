//! From the store to a folder a careful stranger would believe: one page,
//! its figures, two tables and one file of results.
//!
//! It fetches, lets `study` think and `chart` draw, and writes. No number is
//! made here that `study` does not give.

pub mod alert_story;
pub mod compare;
pub mod dose;
pub mod explain;
pub mod figures;
pub mod levels;
pub mod messages;
pub mod page;
pub mod results;
pub mod words;

mod files;
mod material;
mod tables;

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use chrono_tz::Tz;
use rayon::{ThreadPool, ThreadPoolBuilder};

use crate::climate::strip::Strip;
use crate::observation::{Name, Series};
use crate::store::{Store, StoreError};
use crate::study::{Material, Study, study};
use crate::trial::book::Trial;
use crate::trial::house::House;
use crate::units::Instant;

pub use results::FORMAT;

/// What is asked for.
#[derive(Debug, Clone)]
pub struct Request {
    /// The trial; may be left out while there is one.
    pub trial: Option<Name>,
    /// The folder to write into; made when it is not there.
    pub out: PathBuf,
    /// The house's time zone.
    pub zone: Tz,
    /// The end of what is told; else the newest that is known.
    pub until: Option<Instant>,
    /// The present: printed on the page, never in the results.
    pub now: Instant,
    /// Version of the program, as printed.
    pub version: String,
}

/// What was written.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Written {
    /// The trial reported.
    pub trial: Name,
    /// The page.
    pub page: PathBuf,
    /// Every file, the page last.
    pub files: Vec<PathBuf>,
    /// Findings, word for word: for a summary on the terminal.
    pub findings: Vec<String>,
    /// Ledger entries that break a rule and were left out.
    pub problems: Vec<String>,
}

/// How far the work is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Progress {
    /// Steps done.
    pub done: usize,
    /// Steps there are.
    pub of: usize,
    /// What is being done now.
    pub doing: &'static str,
}

/// Why there is no report.
#[derive(Debug, thiserror::Error)]
pub enum ReportError {
    /// No such trial, several and none named, or none at all.
    #[error("{0}")]
    Trial(String),
    /// The data file could not be read.
    #[error("cannot read what the report is made from")]
    Store(#[from] StoreError),
    /// The threads that would work on it could not be started.
    #[error("cannot start a thread to work on the report")]
    Threads(#[from] rayon::ThreadPoolBuildError),
    /// A file or folder could not be written.
    #[error("cannot write \"{}\"", path.display())]
    Write {
        /// Which.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
}

/// Everything the writers look at.
#[derive(Clone, Copy)]
pub struct Scene<'a> {
    /// What is said.
    pub study: &'a Study,
    /// The trial.
    pub trial: &'a Trial,
    /// The house it stands in.
    pub house: &'a House,
    /// The house's time zone.
    pub zone: Tz,
    /// Ledger entries that break a rule and were left out.
    pub problems: &'a [String],
}

const STEPS: usize = 6;

/// Writes the report of a trial into a folder.
///
/// Every file is first written under a temporary name and renamed at the
/// end, the page last: an old report is never half overwritten. `step` is
/// told before each step; the same store and `until` give the same bytes,
/// except for the date on the page.
///
/// # Errors
/// [`ReportError`]; the folder then still holds the old report.
pub fn write(
    request: &Request,
    store: &Store,
    step: &mut dyn FnMut(Progress),
) -> Result<Written, ReportError> {
    let mut done = 0;
    let mut at = |doing| {
        step(Progress { done, of: STEPS, doing });
        done += 1;
    };
    with_scene(request, store, &mut at, |scene, _, at| {
        written(request, scene, at)
    })
}

/// What `results.json` would say, without writing anything.
///
/// # Errors
/// [`ReportError`].
pub fn results(
    request: &Request,
    store: &Store,
) -> Result<results::Results, ReportError> {
    with_scene(request, store, &mut |_| {}, |scene, _, _| {
        Ok(results::of(scene))
    })
}

/// Reads and thinks; `then` puts it into words.
pub(crate) fn with_scene<T, E: From<ReportError>>(
    request: &Request,
    store: &Store,
    at: &mut dyn FnMut(&'static str),
    then: impl FnOnce(
        Scene<'_>,
        &BTreeMap<Series, Strip>,
        &mut dyn FnMut(&'static str),
    ) -> Result<T, E>,
) -> Result<T, E> {
    at("reading the ledger");
    let known =
        material::Ledger::read(store, request.trial.as_ref(), request.now)?;
    let trial = known.trial();
    let until = request.until.unwrap_or(known.until);
    at("reading the log");
    let readings = material::readings(store, &known.book, trial, until)
        .map_err(ReportError::from)?;
    at("joining conditions to counts");
    let offset = |instant| words::offset_seconds(request.zone, instant);
    let material = Material {
        trial,
        house: &known.book.house,
        readings: &readings,
        local: &offset,
        until,
    };
    let study = side_by_side()?.install(|| study(material));
    let scene = Scene {
        study: &study,
        trial,
        house: &known.book.house,
        zone: request.zone,
        problems: &known.problems,
    };
    then(scene, &readings, at)
}

/// Two threads: each has the readings of one place and quantity in memory.
fn side_by_side() -> Result<ThreadPool, ReportError> {
    Ok(ThreadPoolBuilder::new().num_threads(2).build()?)
}

fn written(
    request: &Request,
    scene: Scene<'_>,
    at: &mut dyn FnMut(&'static str),
) -> Result<Written, ReportError> {
    at("drawing");
    let figures = figures::all(scene);
    at("writing words");
    let mut pending = files::Pending::new(&request.out);
    let results = results::of(scene);
    pending.add("results.json", &results.to_json())?;
    pending.add("containers.csv", &tables::containers(scene))?;
    pending.add("places.csv", &tables::places(scene))?;
    for figure in &figures {
        pending.add(&figure.file(), &figure.wide)?;
        pending.add(&figure.narrow_file(), &figure.narrow)?;
    }
    let made = page::Made { at: request.now, version: &request.version };
    pending.add("index.html", &page::html(scene, &figures, made))?;
    at("putting files in place");
    let files = pending.put_in_place()?;
    let findings = &scene.study.findings;
    Ok(Written {
        trial: scene.trial.name.clone(),
        page: request.out.join(Path::new("index.html")),
        files,
        findings: findings.iter().map(|f| f.text.clone()).collect(),
        problems: scene.problems.to_vec(),
    })
}
