//! Rows about what was done to units and seen in them.
//!
//! A bad cell is noted in the row and the row gives nothing.

use crate::exchange::row::Row;
use crate::observation::Name;
use crate::trial::entry::{
    Check, Closure, Counted, Draft, Look, Severity, Statement,
};
use crate::trial::when::When;

/// Words for yes and no, and for moist and dry.
const MOIST: [(bool, &str); 8] = [
    (true, "yes"),
    (false, "no"),
    (true, "moist"),
    (false, "dry"),
    (true, "true"),
    (false, "false"),
    (true, "1"),
    (false, "0"),
];

pub(crate) fn treatment(
    row: &mut Row<'_>,
    trial: &Name,
    _: When,
) -> Vec<Draft> {
    let (unit, at) = (row.name("unit"), row.when("at"));
    let treatment = row.needed_text("kind");
    let (Some(unit), Some(at), Some(treatment)) = (unit, at, treatment) else {
        return vec![];
    };
    let statement = Statement::Treatment {
        unit,
        treatment,
        amount: row.string("amount"),
        note: row.note("note"),
    };
    vec![Draft::new(Some(trial), at, statement)]
}

pub(crate) fn stay(row: &mut Row<'_>, trial: &Name, _: When) -> Vec<Draft> {
    let (unit, place) = (row.name("unit"), row.name("place"));
    let (from, until) = (row.when("from"), row.when_if_any("to"));
    let moist = row.word("moist", &MOIST, Some(true));
    let (Some(unit), Some(place), Some(from)) = (unit, place, from) else {
        return vec![];
    };
    let (Some(until), Some(moist)) = (until, moist) else { return vec![] };
    let statement = Statement::Stay {
        unit,
        place: Some(place),
        until,
        moist,
        position: row.string("position"),
    };
    vec![Draft::new(Some(trial), from, statement)]
}

pub(crate) fn check(row: &mut Row<'_>, trial: &Name, _: When) -> Vec<Draft> {
    let (unit, at) = (row.name("unit"), row.when("at"));
    let germinated = counted(row);
    let mouldy_now = row.count("mouldy_now", Some(0));
    let removed_mould = row.count("removed_mould", Some(0));
    let removed_other = row.count("removed_other", Some(0));
    let looked = row.word("looked", &Look::WORDS, Some(Look::Opened));
    let (Some(unit), Some(at), Some(germinated)) = (unit, at, germinated)
    else {
        return vec![];
    };
    let (Some(mouldy_now), Some(removed_mould)) = (mouldy_now, removed_mould)
    else {
        return vec![];
    };
    let (Some(removed_other), Some(looked)) = (removed_other, looked) else {
        return vec![];
    };
    let check = Check {
        unit,
        germinated,
        mouldy_now,
        removed_mould,
        removed_other,
        medium: row.string("medium"),
        looked,
        note: row.note("note"),
        by: row.string("by"),
    };
    vec![Draft::new(Some(trial), at, Statement::Check(check))]
}

/// New seeds or a running total: one of the two, and never a silent zero.
fn counted(row: &mut Row<'_>) -> Option<Counted> {
    let new = !row.text("germinated").is_empty();
    let total = !row.text("germinated_total").is_empty();
    match (new, total) {
        (true, false) => row.count("germinated", None).map(Counted::New),
        (false, true) => {
            row.count("germinated_total", None).map(Counted::Total)
        }
        (true, true) => {
            row.problem(
                "germinated and germinated_total are both filled in: keep one",
            );
            None
        }
        (false, false) => {
            row.problem("germinated is empty: write 0 when nothing was new");
            None
        }
    }
}

pub(crate) fn mould(row: &mut Row<'_>, trial: &Name, _: When) -> Vec<Draft> {
    let (unit, at) = (row.name("unit"), row.when("at"));
    let severity = row.word("severity", &Severity::WORDS, None);
    match (unit, at, severity) {
        (Some(unit), Some(at), Some(severity)) => {
            let statement = Statement::Mould { unit, severity };
            vec![Draft::new(Some(trial), at, statement)]
        }
        _ => vec![],
    }
}

pub(crate) fn closure(row: &mut Row<'_>, trial: &Name, _: When) -> Vec<Draft> {
    let (unit, at) = (row.name("unit"), row.when("at"));
    let fates = ["viable", "empty", "dead", "mouldy", "lost"]
        .map(|fate| row.count(fate, Some(0)));
    let (Some(unit), Some(at)) = (unit, at) else { return vec![] };
    let [Some(viable), Some(empty), Some(dead), Some(mouldy), Some(lost)] =
        fates
    else {
        return vec![];
    };
    let closure = Closure { unit, viable, empty, dead, mouldy, lost };
    vec![Draft::new(Some(trial), at, Statement::Closure(closure))]
}
