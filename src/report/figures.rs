//! The figures of a report: which there are, what they are called, and how
//! the study becomes the plain numbers that `chart` draws.

pub(crate) mod climate;
mod comparison;
mod conditions;
mod placed;
mod warmth;

use crate::chart::{Heading, Layout};
use crate::observation::Name;
use crate::report::Scene;
use crate::stats::interval::Confidence;
use crate::stats::proportion::{IntervalMethod, Proportion};
use crate::study::outcome::Outcome;
use crate::trial::entry::PlaceKind;

/// Folder of the figures within a report.
pub const FOLDER: &str = "figures";

/// What a figure is about.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum About {
    /// One place: germination above climate.
    Place(Name),
    /// Places beside each other, by day and by night.
    Places,
    /// Doses against germination.
    Conditions,
    /// Temperature against the time to germination.
    Speed,
    /// Germination against days and against accumulated warmth.
    Collapse,
    /// The treatment of batches, such as chill, by place.
    Treatment,
    /// One fridge.
    Fridge(Name),
}

/// A drawn figure in both layouts.
#[derive(Debug, Clone)]
pub struct Figure {
    /// What it is about.
    pub about: About,
    /// Its words.
    pub heading: Heading,
    /// SVG for paper and desks.
    pub wide: String,
    /// SVG for phones.
    pub narrow: String,
}

impl Figure {
    fn new(
        about: About,
        heading: &Heading,
        draw: impl Fn(Layout) -> String,
    ) -> Self {
        Self {
            about,
            heading: heading.clone(),
            wide: draw(Layout::Wide),
            narrow: draw(Layout::Narrow),
        }
    }

    fn stem(&self) -> String {
        match &self.about {
            About::Place(name) => format!("place-{name}"),
            About::Fridge(name) => format!("fridge-{name}"),
            About::Places => "places".to_owned(),
            About::Conditions => "conditions".to_owned(),
            About::Speed => "speed".to_owned(),
            About::Collapse => "warmth".to_owned(),
            About::Treatment => "chill".to_owned(),
        }
    }

    /// Where the wide one is written, within the report's folder.
    #[must_use]
    pub fn file(&self) -> String {
        format!("{FOLDER}/{}.svg", self.stem())
    }

    /// Where the narrow one is written.
    #[must_use]
    pub fn narrow_file(&self) -> String {
        format!("{FOLDER}/{}.narrow.svg", self.stem())
    }
}

/// Whether a file of the figures' folder carries a name that reports give.
pub(crate) fn is_our_name(name: &str) -> bool {
    let Some(stem) = name.strip_suffix(".svg") else { return false };
    let stem = stem.strip_suffix(".narrow").unwrap_or(stem);
    ["places", "conditions", "speed", "warmth", "chill"].contains(&stem)
        || stem.starts_with("place-")
        || stem.starts_with("fridge-")
}

/// Every figure of a report, in the order of the page.
#[must_use]
pub fn all(scene: Scene<'_>) -> Vec<Figure> {
    let study = scene.study;
    let mut figures = Vec::new();
    for place in &study.places {
        let only_a_fridge =
            place.kind == PlaceKind::Fridge && place.containers.is_empty();
        if !only_a_fridge {
            figures.push(placed::place(scene, place));
        }
    }
    figures.extend(warmth::places(scene));
    figures.push(conditions::doses(scene));
    figures.extend(conditions::speed(scene));
    figures.extend(warmth::collapse(scene));
    figures.extend(comparison::treatment(scene));
    for fridge in &study.fridges {
        figures.push(placed::fridge(scene, fridge));
    }
    figures
}

/// `56 days`.
fn days_words(days: f64) -> String {
    let whole = days.round();
    let word = if (whole - 1.0).abs() < 0.5 { "day" } else { "days" };
    format!("{whole:.0} {word}")
}

/// A count with its Wilson interval, for a mark.
pub(crate) fn counted(germinated: u32, seeds: u32) -> crate::chart::Outcome {
    let interval = Proportion::new(germinated, seeds).ok().map(|share| {
        let interval =
            share.interval(IntervalMethod::Wilson, Confidence::NINETY_FIVE);
        crate::chart::Range { low: interval.lower, high: interval.upper }
    });
    crate::chart::Outcome { germinated, seeds, interval }
}

/// At the common age, at which containers are compared.
fn at_common_age(outcome: &Outcome) -> crate::chart::Outcome {
    counted(outcome.germinated_at_common_age, outcome.entered)
}
