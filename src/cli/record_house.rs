//! `record` for what belongs to the house: places, boards, ranges to be
//! kept, corrections, hand readings.
//!
//! Whether a statement may be written is judged by the ledger.

use crate::alert::preset::{plain, presets};
use crate::cli::failure::Failure;
use crate::cli::opening::{House, known_place};
use crate::cli::record::trimmed;
use crate::cli::record_arguments::{Limits, What};
use crate::observation::{Name, Quantity};
use crate::trial::book::Book;
use crate::trial::entry::{Draft, QuantityWord, Statement, Watch};
use crate::trial::when::When;

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
            let rule = limits.rule.unwrap_or_default();
            let plain = plain(place, *quantity, rule);
            vec![Statement::Watch(limits.over(&plain))]
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
        What::Unwatch { place, quantity, rule } => vec![Statement::Unwatch {
            place: place.clone(),
            quantity: QuantityWord(*quantity),
            rule: *rule,
        }],
        What::Cells { board, chemistry, low_volts, lasts_days } => {
            vec![Statement::Cells {
                board: board.clone(),
                chemistry: *chemistry,
                low_volts: *low_volts,
                lasts_days: *lasts_days,
            }]
        }
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
    pub(crate) fn says_something(&self) -> bool {
        let Self {
            rule,
            low,
            high,
            mean_minutes,
            for_minutes,
            margin,
            urgent,
            wet_is_normal,
        } = self;
        [low, high, margin].iter().any(|value| value.is_some())
            || mean_minutes.is_some()
            || for_minutes.is_some()
            || rule.is_some()
            || *urgent
            || *wet_is_normal
    }

    /// The limits laid over a watch.
    pub(crate) fn over(&self, watch: &Watch) -> Watch {
        Watch {
            place: watch.place.clone(),
            quantity: watch.quantity,
            rule: self.rule.unwrap_or(watch.rule),
            low: self.low.or(watch.low),
            high: self.high.or(watch.high),
            mean_minutes: self.mean_minutes.unwrap_or(watch.mean_minutes),
            for_minutes: self.for_minutes.unwrap_or(watch.for_minutes),
            margin: self.margin.unwrap_or(watch.margin),
            urgent: self.urgent || watch.urgent,
            wet_is_normal: self.wet_is_normal || watch.wet_is_normal,
        }
    }
}

/// The watches that are usual for this kind of place.
fn usual(book: &Book, place: &Name) -> Result<Vec<Statement>, Failure> {
    let known = known_place(book, place)?;
    Ok(presets(known.kind)
        .iter()
        .map(|preset| Statement::Watch(preset.at(place)))
        .collect())
}
