//! `record` for what belongs to the house: places, boards, ranges to be
//! kept, corrections, hand readings.
//!
//! Whether a statement may be written is judged by the ledger.

use crate::alert::preset::presets;
use crate::cli::failure::Failure;
use crate::cli::opening::{House, known_place};
use crate::cli::record::trimmed;
use crate::cli::record_arguments::{Limits, What};
use crate::observation::{Name, Quantity};
use crate::trial::book::Book;
use crate::trial::entry::{Draft, QuantityWord, Statement, Watch};
use crate::trial::when::When;

/// What a watch compares and waits unless told otherwise, min.
const MEAN_MINUTES: u32 = 30;
const FOR_MINUTES: u32 = 45;

/// The drafts of a statement about the house; `None` when it is about a
/// trial.
pub(crate) fn drafts(
    house: &House,
    book: &Book,
    at: When,
    what: &What,
) -> Result<Option<Vec<Draft>>, Failure> {
    let mut from = at;
    let statements = match what {
        What::Place { name, kind, light_source, title } => {
            vec![Statement::Place {
                place: name.clone(),
                place_kind: *kind,
                light_source: trimmed(light_source),
                title: trimmed(title),
            }]
        }
        What::Watch { place, quantity: Some(quantity), limits } => {
            vec![Statement::Watch(watch(place, *quantity, limits))]
        }
        What::Watch { place, quantity: None, limits } => {
            if limits.says_something() {
                return Err(Failure::new(
                    "limits are given, but not what they are for",
                )
                .hint(format!("vernalog record watch {place} temperature …")));
            }
            usual(book, place)?
        }
        What::Unwatch { place, quantity } => vec![Statement::Unwatch {
            place: place.clone(),
            quantity: QuantityWord(*quantity),
        }],
        What::Move {
            what, place, board: true, probe, position, until, ..
        } => {
            vec![Statement::BoardStay {
                board: name(what)?,
                probe: probe.clone(),
                place: place.clone(),
                until: when_if_any(house, until.as_deref())?,
                position: trimmed(position),
            }]
        }
        What::Main { place, board, probe, quantities } => {
            let quantities = if quantities.is_empty() {
                &Quantity::CLIMATE[..]
            } else {
                quantities
            };
            quantities
                .iter()
                .map(|quantity| Statement::MainBoard {
                    place: place.clone(),
                    quantity: QuantityWord(*quantity),
                    board: board.clone(),
                    probe: probe.clone(),
                })
                .collect()
        }
        What::Climate { place, temperature, humidity, light } => {
            vec![Statement::Climate {
                place: place.clone(),
                temperature_celsius: *temperature,
                humidity_percent: *humidity,
                light_lux: *light,
            }]
        }
        What::Calibration { board, quantity, probe, gain, offset, note } => {
            vec![Statement::Calibration {
                board: board.clone(),
                probe: probe.clone(),
                quantity: QuantityWord(*quantity),
                gain: *gain,
                offset: *offset,
                note: trimmed(note),
            }]
        }
        What::Exclude { board, why, since, until, probe, quantity } => {
            from = house.when(since, |_| {})?;
            vec![Statement::Excluded {
                board: board.clone(),
                probe: probe.clone(),
                quantity: quantity.map(QuantityWord),
                until: house.when(until, |_| {})?,
                why: trimmed(why),
            }]
        }
        _ => return Ok(None),
    };
    Ok(Some(
        statements
            .into_iter()
            .map(|statement| Draft::new(None, from, statement))
            .collect(),
    ))
}

fn name(text: &str) -> Result<Name, Failure> {
    Name::new(text).map_err(|error| Failure::new(error.to_string()))
}

fn when_if_any(
    house: &House,
    text: Option<&str>,
) -> Result<Option<When>, Failure> {
    text.map(|text| house.when(text, |_| {})).transpose()
}

impl Limits {
    fn says_something(&self) -> bool {
        let Self { low, high, mean_minutes, for_minutes, margin, urgent } =
            self;
        [low, high, margin].iter().any(|value| value.is_some())
            || mean_minutes.is_some()
            || for_minutes.is_some()
            || *urgent
    }
}

fn watch(place: &Name, quantity: Quantity, limits: &Limits) -> Watch {
    let margin = limits.margin.unwrap_or(match quantity {
        Quantity::Temperature => 0.5,
        Quantity::Humidity => 3.0,
        _ => 0.0,
    });
    Watch {
        place: place.clone(),
        quantity: QuantityWord(quantity),
        low: limits.low,
        high: limits.high,
        mean_minutes: limits.mean_minutes.unwrap_or(MEAN_MINUTES),
        for_minutes: limits.for_minutes.unwrap_or(FOR_MINUTES),
        margin,
        urgent: limits.urgent,
    }
}

/// The ranges that are usual for this kind of place.
fn usual(book: &Book, place: &Name) -> Result<Vec<Statement>, Failure> {
    let known = known_place(book, place)?;
    let usual: Vec<Statement> = presets(known.kind)
        .iter()
        .map(|preset| Statement::Watch(preset.at(place)))
        .collect();
    if usual.is_empty() {
        return Err(Failure::new(format!(
            "no range is usual for a place such as {place}"
        ))
        .hint(format!(
            "name what you want kept: vernalog record watch {place} \
             temperature --high 28"
        )));
    }
    Ok(usual)
}
