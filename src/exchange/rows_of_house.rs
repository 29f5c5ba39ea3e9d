//! Rows about the house: places, boards, and entries without their own file.
//!
//! A bad cell is noted in the row and the row gives nothing.

use crate::exchange::nearest::did_you_mean;
use crate::exchange::row::Row;
use crate::observation::{Name, Quantity, shown};
use crate::trial::entry::{Draft, PlaceKind, QuantityWord, Statement};
use crate::trial::when::When;

/// The probe of a board that has only one.
pub(crate) const AIR: &str = "air";

pub(crate) fn place(row: &mut Row<'_>, _: &Name, started: When) -> Vec<Draft> {
    let place = row.name("place");
    let place_kind = row.word("kind", &PlaceKind::WORDS, None);
    let (Some(place), Some(place_kind)) = (place, place_kind) else {
        return vec![];
    };
    let statement = Statement::Place {
        place,
        place_kind,
        light_source: row.string("light_source"),
        title: row.string("title"),
    };
    vec![Draft::new(None, started, statement)]
}

/// The stay of a probe, and the quantities for which it is the main one.
pub(crate) fn board_stay(row: &mut Row<'_>, _: &Name, _: When) -> Vec<Draft> {
    let (board, place) = (row.name("board"), row.name("place"));
    let probe = row.name_if_any("probe").map(|probe| {
        probe.unwrap_or_else(|| Name::new(AIR).expect("air is a name"))
    });
    let (from, until) = (row.when("from"), row.when_if_any("to"));
    let main = main_quantities(row);
    let (Some(board), Some(place), Some(probe)) = (board, place, probe) else {
        return vec![];
    };
    let (Some(from), Some(until)) = (from, until) else { return vec![] };
    let stay = Statement::BoardStay {
        board: board.clone(),
        probe: probe.clone(),
        place: Some(place.clone()),
        until,
        position: row.string("position"),
    };
    let mains = main.into_iter().map(|quantity| Statement::MainBoard {
        place: place.clone(),
        quantity: QuantityWord(quantity),
        board: board.clone(),
        probe: probe.clone(),
    });
    std::iter::once(stay)
        .chain(mains)
        .map(|statement| Draft::new(None, from, statement))
        .collect()
}

fn main_quantities(row: &mut Row<'_>) -> Vec<Quantity> {
    let text = row.text("main").to_lowercase();
    match text.as_str() {
        "" | "no" | "false" | "0" => return vec![],
        "yes" | "true" | "1" => return Quantity::CLIMATE.to_vec(),
        _ => {}
    }
    let mut quantities = Vec::new();
    for word in text.split([' ', ',', '+']).filter(|word| !word.is_empty()) {
        if let Some(quantity) = Quantity::from_word(word) {
            quantities.push(quantity);
        } else {
            let known = Quantity::ALL.map(Quantity::word);
            row.problem(format!(
                "main: \"{}\" is none of yes, no, {}{}",
                shown(word),
                known.join(", "),
                did_you_mean(word, known)
            ));
        }
    }
    quantities
}

/// An entry as the export wrote it.
pub(crate) fn other(row: &mut Row<'_>, _: &Name, _: When) -> Vec<Draft> {
    let kind = row.needed_text("kind");
    let (trial, at) = (row.name_if_any("trial"), row.when("at"));
    let statement = row.needed_text("statement").and_then(|text| {
        serde_json::from_str::<Statement>(&text)
            .map_err(|error| row.problem(format!("statement: {error}")))
            .ok()
    });
    let (Some(kind), Some(trial), Some(at), Some(statement)) =
        (kind, trial, at, statement)
    else {
        return vec![];
    };
    if kind != statement.kind() {
        row.problem(format!(
            "kind is {} but the statement is a {}",
            shown(&kind),
            statement.kind()
        ));
        return vec![];
    }
    if matches!(statement, Statement::Undo) {
        row.problem("an undo cannot come in from a file");
        return vec![];
    }
    vec![Draft::new(trial.as_ref(), at, statement)]
}
