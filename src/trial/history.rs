//! What the seeds of a unit lived through: its own stays and those of the
//! units they came from, up to the transfer.
//!
//! Only who was where and when; the climate there is joined in `study`.

use crate::observation::Name;
use crate::trial::book::Trial;
use crate::trial::entry::Factors;
use crate::trial::unit::Unit;
use crate::units::Instant;

/// A stretch of a seed's life at one place.
#[derive(Debug, Clone, PartialEq)]
pub struct Stretch {
    /// The unit it was in.
    pub unit: Name,
    /// Where.
    pub place: Name,
    /// From here.
    pub from: Instant,
    /// To here.
    pub to: Instant,
    /// Whether the seeds were moist.
    pub moist: bool,
}

impl Stretch {
    /// Its length, h.
    #[must_use]
    pub fn hours(&self) -> f64 {
        self.to.hours_since(self.from)
    }
}

/// The thing a factor was applied to: its experimental unit.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum AppliedTo {
    /// Stated for a lot.
    Lot,
    /// Stated for a batch.
    Batch,
    /// Stated for a container, or its place.
    Container,
}

impl AppliedTo {
    /// The word in files and sentences.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Lot => "lot",
            Self::Batch => "batch",
            Self::Container => "container",
        }
    }
}

impl Trial {
    /// The stays of a unit itself, an open one ending at its closure, or
    /// when the last seed was moved out of it, or else at `until`.
    #[must_use]
    pub fn own_stretches(&self, unit: &Unit, until: Instant) -> Vec<Stretch> {
        let closed = unit.closure.as_ref().map(|(when, _)| when.at);
        let end = closed.or(unit.emptied()).map_or(until, |at| at.min(until));
        unit.stays
            .iter()
            .map(|stay| Stretch {
                unit: unit.name.clone(),
                place: stay.place.clone(),
                from: stay.from.at,
                to: stay.to.map_or(end, |to| to.at.min(end)),
                moist: stay.moist,
            })
            .filter(|stretch| stretch.to > stretch.from)
            .collect()
    }

    /// A unit and the units its first seeds came from, youngest first.
    #[must_use]
    pub fn lineage<'a>(&'a self, unit: &'a Unit) -> Vec<&'a Unit> {
        let mut line = vec![unit];
        while let Some(source) = line
            .last()
            .and_then(|u| u.source.as_ref())
            .and_then(|name| self.units.get(name))
        {
            if line.iter().any(|known| known.name == source.name) {
                break;
            }
            line.push(source);
        }
        line
    }

    /// All stretches of the seeds first put into a unit, oldest first.
    #[must_use]
    pub fn history(&self, unit: &Unit, until: Instant) -> Vec<Stretch> {
        let mut end = until;
        let mut stretches = Vec::new();
        for member in self.lineage(unit) {
            let mut own = self.own_stretches(member, end);
            own.append(&mut stretches);
            stretches = own;
            end = end.min(member.begun.at);
        }
        stretches
    }

    /// The lot a unit's seeds are of, its own or an ancestor's.
    #[must_use]
    pub fn lot_of<'a>(&'a self, unit: &'a Unit) -> Option<&'a Name> {
        self.lineage(unit).into_iter().find_map(|member| member.lot.as_ref())
    }

    /// The batch a container was sown from: the nearest batch of its lineage.
    #[must_use]
    pub fn batch_of<'a>(&'a self, unit: &'a Unit) -> Option<&'a Name> {
        self.lineage(unit)
            .into_iter()
            .find(|member| !member.is_container())
            .map(|member| &member.name)
    }

    /// The level of a factor for a unit and the thing it was applied to:
    /// stated for itself, for an ancestor, or for its lot.
    #[must_use]
    pub fn level<'a>(
        &'a self,
        unit: &'a Unit,
        factor: &str,
    ) -> Option<(&'a str, AppliedTo)> {
        let of = |factors: &'a Factors| factors.get(factor).map(String::as_str);
        for member in self.lineage(unit) {
            if let Some(level) = of(&member.factors) {
                let applied = if member.is_container() {
                    AppliedTo::Container
                } else {
                    AppliedTo::Batch
                };
                return Some((level, applied));
            }
        }
        let lot = self.lots.get(self.lot_of(unit)?)?;
        of(&lot.factors).map(|level| (level, AppliedTo::Lot))
    }

    /// The names of all factors stated anywhere, planned ones first.
    #[must_use]
    pub fn factor_names(&self) -> Vec<String> {
        let mut names: Vec<String> = Vec::new();
        let stated = self
            .lots
            .values()
            .map(|lot| &lot.factors)
            .chain(self.units.values().map(|unit| &unit.factors))
            .flat_map(|factors| factors.keys());
        for name in self.planned.iter().chain(stated) {
            if !names.contains(name) {
                names.push(name.clone());
            }
        }
        names
    }
}
