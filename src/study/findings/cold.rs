//! Plain counts from the fridge: seeds that germinated in the cold, and mould
//! seen there.
//!
//! No chance and no cause: one fridge in one run gives neither.

use std::collections::{BTreeMap, BTreeSet};

use crate::study::Study;
use crate::study::findings::{Finding, FindingKind};
use crate::study::fridge::{FridgeStay, FridgeStudy};
use crate::study::wording::counted;

/// Seeds that germinated in the cold: in batches, which are sown from later,
/// and in containers that were put back.
pub(super) fn germinated(study: &Study) -> Option<Finding> {
    let is_container = |stay: &FridgeStay| {
        study.containers().any(|unit| unit.outcome.name == stay.unit)
    };
    let judged = || study.fridges.iter().flat_map(FridgeStudy::judged);
    let (boxes, batches): (Vec<&FridgeStay>, Vec<&FridgeStay>) =
        judged().partition(|stay| is_container(stay));
    let mut sentences = Vec::new();
    sentences.extend(in_the_cold(&batches, "batch").map(|words| {
        format!(
            "{words}. They count in the cold, not among the seeds that were \
             sown later."
        )
    }));
    sentences.extend(in_the_cold(&boxes, "container").map(|words| {
        format!("{words}. They count in their container, as sown.")
    }));
    (!sentences.is_empty()).then(|| Finding {
        kind: FindingKind::Count,
        factor: String::new(),
        text: sentences.join(" "),
        levels: String::new(),
        basis: "Plain counts from looks into the fridge.".to_owned(),
    })
}

/// How many of how many, in which units, and when the first was seen.
fn in_the_cold(stays: &[&FridgeStay], unit: &str) -> Option<String> {
    let early: Vec<_> =
        stays.iter().filter(|stay| stay.germinated > 0).collect();
    let (since, seen) = early
        .iter()
        .flat_map(|stay| {
            let from = stay.span.from;
            stay.germinated_between.iter().map(move |(since, at, _)| {
                (since.days_since(from).max(0.0), at.days_since(from))
            })
        })
        .min_by(|a, b| a.1.total_cmp(&b.1))?;
    let germinated: u32 = early.iter().map(|stay| stay.germinated).sum();
    // A unit that was in twice brought its seeds once.
    let entered: BTreeMap<_, u32> =
        stays.iter().map(|stay| (&stay.unit, stay.seeds)).collect();
    let with: BTreeSet<_> = early.iter().map(|stay| &stay.unit).collect();
    let in_it = if unit == "batch" {
        "In the cold itself"
    } else {
        "Back in the cold after sowing,"
    };
    let seeds: u32 = entered.values().sum();
    Some(format!(
        "{in_it} {germinated} of the {seeds} seeds of {} germinated, in {}, \
         the first between day {since:.0} and {seen:.0} of its stay",
        counted(entered.len(), unit),
        counted(with.len(), unit),
    ))
}

pub(super) fn mould(study: &Study, fridge: &FridgeStudy) -> Option<Finding> {
    let (judged, mouldy) = (fridge.judged().count(), fridge.n_mouldy());
    let name = if study.fridges.len() == 1 {
        "the fridge"
    } else {
        fridge.title.as_str()
    };
    if judged == 0 {
        return None;
    }
    let days = |hours: Option<f64>| {
        hours.map_or_else(|| "–".to_owned(), |h| format!("{:.0}", h / 24.0))
    };
    let (with, without) = fridge.median_hours_at_risk;
    let stays = counted(judged, "moist stay");
    let rival = if mouldy == 0 || mouldy == judged {
        String::new()
    } else {
        format!(
            " Length of stay is the rival explanation: until the sighting a \
             median of {} days where there was mould, {} days where there was \
             none.",
            days(with),
            days(without)
        )
    };
    Some(Finding {
        kind: FindingKind::Count,
        factor: String::new(),
        text: match mouldy {
            0 => {
                format!("No mould was seen in {stays} in {name}.")
            }
            1 if judged == 1 => {
                format!("Mould was seen in the only moist stay in {name}.")
            }
            all if all == judged => {
                format!("Mould was seen in all {stays} in {name}.")
            }
            _ => format!(
                "Mould was seen in {mouldy} of {stays} in {name}.{rival}"
            ),
        },
        levels: String::new(),
        basis: "Plain counts; one fridge in one run gives no chance of mould \
                and no cause."
            .to_owned(),
    })
}
