//! The join: what the seeds lived through beside what came up, and what may
//! honestly be said about the two.
//!
//! It takes the ledger's book and raw readings and gives one [`Study`], plain
//! values from which the report writes every number and picture. It reads no
//! file and draws nothing.

pub mod cautions;
pub mod cells;
pub mod day_and_night;
pub mod design;
pub mod doses;
pub mod factors;
pub mod few_units;
pub mod findings;
pub mod fridge;
pub mod hourly;
pub mod next;
pub mod outcome;
pub mod pairs;
pub mod place;
pub mod prediction;
mod quality;
mod sieve;
pub mod speed;
pub mod thermal;
mod warmth;
pub mod wording;

use std::collections::{BTreeMap, BTreeSet};

use rayon::iter::{IntoParallelIterator, ParallelIterator};

use crate::climate::log::{LocalOffset, Span};
use crate::climate::strip::Strip;
use crate::observation::{Name, Quantity, Series};
use crate::trial::book::{Book, Trial};
use crate::trial::house::House;
use crate::units::Instant;

use cautions::Caution;
use doses::UnitDoses;
use factors::FactorStudy;
use findings::Finding;
use fridge::FridgeStudy;
use outcome::Outcome;
use pairs::Pair;
use place::{PlaceLogs, PlaceStudy};
use prediction::Prediction;
pub use quality::{Covered, DataQuality};
use speed::SpeedStudy;
use thermal::ThermalStudy;

/// What a study is made from.
#[derive(Clone, Copy)]
pub struct Material<'a> {
    /// The trial.
    pub trial: &'a Trial,
    /// The house it stands in.
    pub house: &'a House,
    /// Raw readings of the series that [`needed`] names.
    pub readings: &'a BTreeMap<Series, Strip>,
    /// The house's distance from UTC.
    pub local: LocalOffset<'a>,
    /// The end of what is known.
    pub until: Instant,
}

/// Everything a report says, before it is put into words and pictures.
#[derive(Debug, Clone)]
pub struct Study {
    /// The trial's name.
    pub trial: Name,
    /// Its question.
    pub question: String,
    /// When it began.
    pub started: Instant,
    /// The end of what is known.
    pub until: Instant,
    /// Days since sowing at which containers are compared: the shortest
    /// follow-up; none while there is no container.
    pub common_age_days: Option<f64>,
    /// Every place at which a unit of the trial stayed.
    pub places: Vec<PlaceStudy>,
    /// Every unit, batches first, with outcome and doses.
    pub units: Vec<UnitStudy>,
    /// Every factor that was stated, and the place; planned ones first.
    pub factors: Vec<FactorStudy>,
    /// Fraction and speed apart, for planned factors and the place.
    pub speed: Vec<SpeedStudy>,
    /// Germination against accumulated warmth.
    pub thermal_time: ThermalStudy,
    /// What is still to come; none when no container runs.
    pub prediction: Option<Prediction>,
    /// Every fridge at which a unit of the trial stayed.
    pub fridges: Vec<FridgeStudy>,
    /// What went together with what, and whether it can be told apart.
    pub pairs: Vec<Pair>,
    /// What may be said.
    pub findings: Vec<Finding>,
    /// What must be said with it.
    pub cautions: Vec<Caution>,
    /// What a next trial should change.
    pub next: Vec<next::Next>,
    /// What the numbers rest on.
    pub data_quality: DataQuality,
}

/// One unit with what it lived through and what came of it.
#[derive(Debug, Clone)]
pub struct UnitStudy {
    /// What came of it.
    pub outcome: Outcome,
    /// What it lived through.
    pub doses: UnitDoses,
}

impl Study {
    /// The containers.
    pub fn containers(&self) -> impl Iterator<Item = &UnitStudy> {
        self.units.iter().filter(|unit| unit.outcome.is_container)
    }

    /// The places at which seeds were to germinate: those where some
    /// container spent most of its time.
    pub(crate) fn germination_places(&self) -> Vec<&PlaceStudy> {
        let main: BTreeSet<&Name> = self
            .containers()
            .filter_map(|unit| unit.outcome.main_place())
            .collect();
        self.places.iter().filter(|p| main.contains(&p.name)).collect()
    }

    /// The batches.
    pub fn batches(&self) -> impl Iterator<Item = &UnitStudy> {
        self.units.iter().filter(|unit| !unit.outcome.is_container)
    }
}

/// The series a study needs, with the first and last instant of each.
#[must_use]
pub fn needed(
    book: &Book,
    trial: &Trial,
    until: Instant,
) -> BTreeMap<Series, Span> {
    let mut needed: BTreeMap<Series, Span> = BTreeMap::new();
    for (place, span) in place::spans(trial, until) {
        for quantity in Quantity::CLIMATE {
            for voice in book.house.voices(&place, quantity, span.from, span.to)
            {
                let own = Span::new(voice.from, voice.to);
                needed
                    .entry(voice.series)
                    .and_modify(|known| {
                        known.from = known.from.min(own.from);
                        known.to = known.to.max(own.to);
                    })
                    .or_insert(own);
            }
        }
    }
    needed
}

/// Joins conditions to outcomes.
///
/// Places, and later fits, are worked side by side in the pool of threads of
/// the caller; however many those are, the study is the same.
#[must_use]
pub fn study(material: Material<'_>) -> Study {
    let logs = PlaceLogs::of(material);
    let sums = logs.sums();
    let trial = material.trial;
    let mut units: Vec<_> = trial.batches().chain(trial.containers()).collect();
    units.sort_by_key(|unit| unit.is_container());
    let common_age_days = outcome::common_age_days(trial);
    let units: Vec<UnitStudy> = units
        .into_par_iter()
        .map(|unit| UnitStudy {
            outcome: outcome::of_unit(material, unit, common_age_days),
            doses: doses::of_unit(material, unit, &sums),
        })
        .collect();
    let places = place::studies(material, &logs, &sums, &units);
    let factors = factors::studies(trial, &units);
    let speed = speed::studies(material, &units, &factors);
    let thermal_time = thermal::study(material, &sums, &units);
    let prediction = prediction::predict(material, &sums, &units);
    let fridges = fridge::studies(material, &logs, &sums);
    let data_quality = quality::of(&logs, &places);
    let mut study = Study {
        trial: trial.name.clone(),
        question: trial.question.clone(),
        started: trial.started.at,
        until: material.until,
        common_age_days,
        places,
        units,
        factors,
        speed,
        thermal_time,
        prediction,
        fridges,
        pairs: Vec::new(),
        findings: Vec::new(),
        cautions: Vec::new(),
        next: Vec::new(),
        data_quality,
    };
    study.pairs = pairs::pairs(&study);
    study.findings = findings::findings(&study);
    study.cautions = cautions::cautions(material, &study);
    study.next = next::next(&study);
    study
}
