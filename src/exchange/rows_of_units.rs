//! Rows about what there is to sow: lots, batches, containers, transfers.
//!
//! A bad cell is noted in the row and the row gives nothing.

use crate::exchange::row::Row;
use crate::observation::Name;
use crate::trial::entry::{Batch, Container, Draft, Lid, Lot, Statement};
use crate::trial::when::When;

pub(crate) fn lot(
    row: &mut Row<'_>,
    trial: &Name,
    started: When,
) -> Vec<Draft> {
    let lot = row.name("lot");
    let species = row.needed_text("species");
    let (Some(lot), Some(species)) = (lot, species) else { return vec![] };
    let statement = Statement::Lot(Lot {
        lot,
        species,
        supplier: row.string("supplier"),
        collected: row.string("collected"),
        received: row.string("received"),
        storage: row.string("storage"),
        factors: row.factors(),
    });
    vec![Draft::new(Some(trial), started, statement)]
}

pub(crate) fn batch(row: &mut Row<'_>, trial: &Name, _: When) -> Vec<Draft> {
    let batch = row.name("batch");
    let lot = row.name_if_any("lot");
    let parent = row.name_if_any("parent");
    let seeds = row.count("seeds", None);
    let at = row.when("started_at");
    let label = row.label();
    let (Some(batch), Some(lot), Some(parent)) = (batch, lot, parent) else {
        return vec![];
    };
    let (Some(seeds), Some(at), Some(label)) = (seeds, at, label) else {
        return vec![];
    };
    let factors = row.factors();
    let batch = Batch { batch, lot, parent, seeds, label, factors };
    vec![Draft::new(Some(trial), at, Statement::Batch(batch))]
}

pub(crate) fn container(
    row: &mut Row<'_>,
    trial: &Name,
    _: When,
) -> Vec<Draft> {
    let container = row.name("container");
    let batch = row.name_if_any("batch");
    let seeds = row.count("seeds", None);
    let at = row.when("sown_at");
    let lid = row.word("lid", &Lid::WORDS, Some(Lid::Closed));
    let label = row.label();
    let (Some(container), Some(batch), Some(seeds)) = (container, batch, seeds)
    else {
        return vec![];
    };
    let (Some(at), Some(lid), Some(label)) = (at, lid, label) else {
        return vec![];
    };
    let factors = row.factors();
    let container = Container { container, batch, seeds, lid, label, factors };
    vec![Draft::new(Some(trial), at, Statement::Container(container))]
}

pub(crate) fn transfer(row: &mut Row<'_>, trial: &Name, _: When) -> Vec<Draft> {
    let (from, to) = (row.name("from"), row.name("to"));
    let (seeds, at) = (row.count("seeds", None), row.when("at"));
    match (from, to, seeds, at) {
        (Some(from), Some(to), Some(seeds), Some(at)) => {
            let statement = Statement::Transfer { from, to, seeds };
            vec![Draft::new(Some(trial), at, statement)]
        }
        _ => vec![],
    }
}
