//! `readings`: raw values as they were sent; an empty answer explains
//! itself.

use serde_json::{Value, json};

use crate::cli::arguments::ReadingsArguments;
use crate::cli::failure::{Answer, Failure};
use crate::cli::opening::{House, known_place, near};
use crate::cli::output::Output;
use crate::cli::status::value_in_words;
use crate::observation::{Name, Quantity, Reading, Series};
use crate::store::{Access, SeriesInfo, Store};
use crate::trial::book::Book;
use crate::units::Instant;

/// A stretch of a series to be shown.
struct Wanted {
    series: Series,
    from: Instant,
    to: Instant,
}

pub(crate) fn readings(
    house: &House,
    arguments: &ReadingsArguments,
    output: &mut Output,
) -> Result<Answer, Failure> {
    let store = house.store(Access::ReadOnly)?;
    let (book, _) = Book::build(&store.ledger()?);
    let known = store.series()?;
    let to = house.end(arguments.until.as_deref())?;
    let from = house.beginning(&arguments.since, to)?;
    if from >= to {
        return Err(Failure::new(format!(
            "nothing lies between {} and {}",
            house.zone().local(from),
            house.zone().local(to)
        )));
    }
    let mut wanted = match &arguments.place {
        Some(place) => of_place(&book, place, from, to)?,
        None => of_boards(&known, arguments.board.as_ref(), from, to)?,
    };
    wanted.retain(|wanted| {
        let series = &wanted.series;
        arguments.probe.as_ref().is_none_or(|p| *p == series.probe)
            && arguments.quantity.is_none_or(|q| q == series.quantity)
    });
    let mut rows = gather(&store, &wanted)?;
    rows.sort_by(|(a, ra), (b, rb)| ra.at.cmp(&rb.at).then_with(|| a.cmp(b)));
    if rows.is_empty() {
        let reason = explain(house, arguments, &known, &wanted, from, to);
        output.talk(&reason);
        return Ok(Answer::No);
    }
    for (series, reading) in &rows {
        if output.json {
            output.object(&as_json(series, reading))?;
        } else {
            output.line(&in_words(house, series, reading))?;
        }
    }
    Ok(Answer::Done)
}

/// A reading as an object.
pub(crate) fn as_json(series: &Series, reading: &Reading) -> Value {
    json!({
        "board": series.board,
        "probe": series.probe,
        "quantity": series.quantity.word(),
        "at": reading.at,
        "value": reading.value,
        "unit": series.quantity.unit(),
        "quality": reading.quality.words(),
    })
}

/// A reading in a line.
pub(crate) fn in_words(
    house: &House,
    series: &Series,
    reading: &Reading,
) -> String {
    format!(
        "{}  {series}  {}",
        house.zone().local(reading.at),
        value_in_words(series.quantity, reading)
    )
}

/// The series that speak for a place, each while it does.
fn of_place(
    book: &Book,
    place: &Name,
    from: Instant,
    to: Instant,
) -> Result<Vec<Wanted>, Failure> {
    known_place(book, place)?;
    Ok(Quantity::ALL
        .into_iter()
        .flat_map(|quantity| book.house.voices(place, quantity, from, to))
        .map(|voice| Wanted {
            series: voice.series,
            from: voice.from,
            to: voice.to,
        })
        .collect())
}

fn of_boards(
    known: &[SeriesInfo],
    board: Option<&Name>,
    from: Instant,
    to: Instant,
) -> Result<Vec<Wanted>, Failure> {
    let wanted: Vec<Wanted> = known
        .iter()
        .filter(|info| board.is_none_or(|b| *b == info.series.board))
        .map(|info| Wanted { series: info.series.clone(), from, to })
        .collect();
    if let (true, Some(board)) = (wanted.is_empty(), board) {
        let failure = Failure::new(format!("nothing came from board {board}"));
        let boards = known.iter().map(|info| &info.series.board);
        return Err(match near(board, boards) {
            Some(near) => failure.hint(format!("did you mean \"{near}\"?")),
            None => failure,
        });
    }
    Ok(wanted)
}

fn gather(
    store: &Store,
    wanted: &[Wanted],
) -> Result<Vec<(Series, Reading)>, Failure> {
    let mut rows = Vec::new();
    for Wanted { series, from, to } in wanted {
        let readings = store.readings(series, *from, *to)?;
        rows.extend(readings.into_iter().map(|r| (series.clone(), r)));
    }
    Ok(rows)
}

/// Why there is nothing to show, and what would show something.
fn explain(
    house: &House,
    arguments: &ReadingsArguments,
    known: &[SeriesInfo],
    wanted: &[Wanted],
    from: Instant,
    to: Instant,
) -> String {
    let local = |at| house.zone().local(at);
    let mut text =
        format!("no readings between {} and {}", local(from), local(to));
    if let (Some(place), true) = (&arguments.place, wanted.is_empty()) {
        return format!(
            "{text}: no board was at {place} then; `vernalog record move \
             BOARD {place} --board` records one"
        );
    }
    let newest = known
        .iter()
        .filter(|info| wanted.iter().any(|w| w.series == info.series))
        .filter_map(|info| info.newest)
        .map(|reading| reading.at)
        .max();
    match newest {
        Some(at) => {
            let days = house.now.millis_since(at) / 86_400_000 + 1;
            text.push_str(&format!("; the newest is of {}", local(at)));
            if at < from {
                text.push_str(&format!("; try --since {days}d"));
            }
        }
        None if known.is_empty() => {
            text.push_str("; no board has sent anything so far");
        }
        None => text.push_str("; there is none of this kind at all"),
    }
    text
}
