//! Labels to print: what stands on each, and sheets of them as SVG.
//!
//! Values in, text out; no file is written here. A label carries the unit's
//! id and its address, never a secret.

pub mod address;
mod code;
pub mod sheet;

use std::collections::BTreeSet;

use crate::trial::book::Trial;
use crate::trial::unit::Unit;
use crate::trial::when::When;

/// What stands on one label.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Tag {
    /// The id, in large letters.
    pub label: String,
    /// The unit's name.
    pub name: String,
    /// Lot, date, treatment; the first ones matter most.
    pub lines: Vec<String>,
    /// What the code leads to; none without a base address.
    pub address: Option<String>,
}

/// The tag of a unit.
///
/// # Arguments
/// - `base_url`: address of the pages without a path, such as
///   `http://seedbox.local:8420`; without one there is no code.
/// - `shown`: a stated time in the grower's zone.
#[must_use]
pub fn tag(
    trial: &Trial,
    unit: &Unit,
    base_url: Option<&str>,
    shown: impl Fn(&When) -> String,
) -> Tag {
    let label = unit.label.map(|label| label.to_string()).unwrap_or_default();
    let address = base_url
        .filter(|_| !label.is_empty())
        .map(|base| format!("{}/u/{label}", base.trim_end_matches('/')));
    let levels: Vec<String> = trial
        .factor_names()
        .into_iter()
        .filter_map(|factor| {
            let (level, _) = trial.level(unit, &factor)?;
            Some(format!("{factor} {level}"))
        })
        .collect();
    let done: BTreeSet<&str> = trial
        .lineage(unit)
        .iter()
        .flat_map(|member| &member.treatments)
        .map(|done| done.treatment.as_str())
        .collect();
    let done: Vec<&str> = done.into_iter().collect();
    let lot = trial.lot_of(unit);
    let species =
        lot.and_then(|lot| trial.lots.get(lot)).map(|lot| lot.species.clone());
    let begun = match (unit.is_container(), shown(&unit.begun)) {
        (true, at) => format!("sown {}", day(&at)),
        (false, at) => format!("begun {}", day(&at)),
    };
    let lines = [
        lot.map(|lot| format!("lot {lot}")),
        Some(begun),
        (!levels.is_empty()).then(|| levels.join(", ")),
        (!done.is_empty()).then(|| done.join(", ")),
        Some(format!("{} seeds", unit.entered())),
        species,
    ];
    Tag {
        label,
        name: unit.name.to_string(),
        lines: lines.into_iter().flatten().collect(),
        address,
    }
}

/// `2026-03-14 21:30` without its hour.
fn day(shown: &str) -> &str {
    shown.split(' ').next().unwrap_or(shown)
}
