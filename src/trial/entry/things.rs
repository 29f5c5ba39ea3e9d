//! What a statement says of a thing: a lot, batch or container, a look at
//! one, its end, a watch.
//!
//! Not whether it can be so: that is for [`crate::trial::admission`].

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::observation::Name;
use crate::trial::entry::{Factors, Lid, Look, QuantityWord, Rule};
use crate::trial::label::Label;

/// Newly germinated seeds, as counted or as a running total.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Counted {
    /// New since the look before.
    New(u32),
    /// All that have germinated in this unit so far.
    Total(u32),
}

/// A lot: seeds of one origin.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Lot {
    /// Its name within the trial.
    pub lot: Name,
    /// Botanical name.
    pub species: String,
    /// Where it came from.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub supplier: String,
    /// When it was collected, as told.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub collected: String,
    /// When it arrived, as told.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub received: String,
    /// How it was kept until then.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub storage: String,
    /// Factors that apply to the lot.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub factors: Factors,
}

/// A batch: seeds prepared together.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Batch {
    /// Its name within the trial.
    pub batch: Name,
    /// The lot its seeds are of.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lot: Option<Name>,
    /// The batch its seeds were taken from, if they were.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub parent: Option<Name>,
    /// Seeds put in at the start.
    pub seeds: u32,
    /// The id on its label; given by the store when absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub label: Option<Label>,
    /// Factors that apply to the batch.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub factors: Factors,
}

/// A container: the closed box in which seeds lie to germinate.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Container {
    /// Its name within the trial.
    pub container: Name,
    /// The batch its first seeds came from.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub batch: Option<Name>,
    /// Seeds sown at the start.
    pub seeds: u32,
    /// How it is closed.
    pub lid: Lid,
    /// The id on its label; given by the store when absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub label: Option<Label>,
    /// Factors that apply to the container.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub factors: Factors,
}

/// A look at a unit. Zero is data.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Check {
    /// The unit looked at.
    pub unit: Name,
    /// Germinated seeds.
    pub germinated: Counted,
    /// Seeds with mould on them at this look, still in the unit.
    #[serde(default)]
    pub mouldy_now: u32,
    /// Seeds taken out because of mould.
    #[serde(default)]
    pub removed_mould: u32,
    /// Seeds taken out for another reason.
    #[serde(default)]
    pub removed_other: u32,
    /// How moist the medium was, in the grower's words.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub medium: String,
    /// How it was looked at.
    pub looked: Look,
    /// Free text.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub note: String,
    /// Who looked, if not who wrote.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub by: String,
}

/// The end of a unit: what became of the seeds that were left.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs, reason = "each is the plain word it shows")]
pub struct Closure {
    pub unit: Name,
    #[serde(default)]
    pub viable: u32,
    #[serde(default)]
    pub empty: u32,
    #[serde(default)]
    pub dead: u32,
    #[serde(default)]
    pub mouldy: u32,
    #[serde(default)]
    pub lost: u32,
}

impl Closure {
    /// All seeds classed.
    #[must_use]
    pub fn total(&self) -> u32 {
        self.viable + self.empty + self.dead + self.mouldy + self.lost
    }
}

/// A range for a quantity at a place that the grower wants kept, or another
/// thing about its readings that needs somebody.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Watch {
    /// Where.
    pub place: Name,
    /// What.
    pub quantity: QuantityWord,
    /// How it is judged; one watch for each place, quantity and rule.
    #[serde(default, skip_serializing_if = "Rule::is_range")]
    pub rule: Rule,
    /// Lowest wanted value.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub low: Option<f64>,
    /// Highest wanted value; with `drift` and `door` how far it may move.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub high: Option<f64>,
    /// The mean of so many minutes is compared.
    pub mean_minutes: u32,
    /// How long it must be out before it is an alert; with `day-sum` the
    /// minutes out that a day may have.
    pub for_minutes: u32,
    /// How far inside the range it must come to be in again.
    pub margin: f64,
    /// Whether quiet hours hold it back.
    #[serde(default)]
    pub urgent: bool,
    /// With `sensor`: full air is normal here, as in a closed wet box.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub wet_is_normal: bool,
}
