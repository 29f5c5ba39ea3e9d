//! `round`: the units to look at today, in the order of a walk.

use serde_json::json;

use crate::cli::arguments::RoundArguments;
use crate::cli::failure::{Answer, Failure};
use crate::cli::opening::{House, known_place};
use crate::cli::output::{Output, safe};
use crate::observation::Name;
use crate::trial::book::Book;
use crate::trial::entry::{Entry, Statement};
use crate::trial::round::Due;
use crate::units::Instant;

pub(crate) fn round(
    house: &House,
    arguments: &RoundArguments,
    output: &mut Output,
) -> Result<Answer, Failure> {
    let (ledger, mut book) = house.ledger()?;
    let zone = house.zone();
    let now = match &arguments.at {
        Some(text) => {
            let at = house.when(text, |remark| output.talk(remark))?.at;
            book = Book::build(&until(ledger, at)).0;
            at
        }
        None => house.now,
    };
    if let Some(place) = &arguments.place {
        known_place(&book, place)?;
    }
    let trial = house.trial(&book)?;
    let today = zone.day_start(zone.date(now));
    let mut due = trial.round(today, now);
    if let Some(place) = &arguments.place {
        due.retain(|due| due.place == Some(place));
    }
    if output.json {
        for due in &due {
            output.object(&as_json(due, now))?;
        }
        return Ok(Answer::Done);
    }
    if due.is_empty() {
        let open = trial
            .units
            .values()
            .filter(|u| u.closure.is_none() && u.left() > 0)
            .count();
        output.talk(&format!(
            "nothing to look at{}: {open} units of trial {} have seeds left, \
             all looked at on {}",
            at_place(arguments.place.as_ref()),
            trial.name,
            zone.date(now)
        ));
        return Ok(Answer::Done);
    }
    let rows: Vec<Vec<String>> =
        due.iter().map(|due| as_row(house, due, now)).collect();
    output.table(
        &[
            "place",
            "position",
            "unit",
            "label",
            "day",
            "germinated",
            "left",
            "last looked",
            "then",
        ],
        &rows,
    )?;
    output.talk(&format!(
        "{} to look at; vernalog record check UNIT NEW",
        rows.len()
    ));
    Ok(Answer::Done)
}

/// What the ledger says of the time up to an instant, as known today.
fn until(ledger: Vec<Entry>, at: Instant) -> Vec<Entry> {
    let holds_always = |statement: &Statement| {
        matches!(
            statement,
            Statement::Trial { .. }
                | Statement::Place { .. }
                | Statement::Lot(_)
                | Statement::Undo
        )
    };
    ledger
        .into_iter()
        .filter(|entry| {
            entry.draft.when.at <= at || holds_always(&entry.draft.statement)
        })
        .collect()
}

fn at_place(place: Option<&Name>) -> String {
    place.map(|place| format!(" at {place}")).unwrap_or_default()
}

/// Whole days of 24 hours since the unit began.
fn day(due: &Due<'_>, now: Instant) -> i64 {
    now.millis_since(due.unit.begun.at) / crate::units::MILLIS_PER_DAY
}

fn as_row(house: &House, due: &Due<'_>, now: Instant) -> Vec<String> {
    let unit = due.unit;
    let (looked, then) = match due.last {
        None => ("never".to_owned(), String::new()),
        Some(last) => {
            let mut then = vec![format!("{} new", last.germinated)];
            if last.mouldy_now > 0 {
                then.push(format!("{} mouldy", last.mouldy_now));
            }
            then.extend(
                [&last.medium, &last.note]
                    .into_iter()
                    .filter(|text| !text.is_empty())
                    .map(|text| safe(text)),
            );
            (house.zone().shown(&last.when), then.join(", "))
        }
    };
    vec![
        due.place.map_or("(no place)".to_owned(), Name::to_string),
        safe(due.position),
        unit.name.to_string(),
        unit.label.map(|label| label.to_string()).unwrap_or_default(),
        day(due, now).to_string(),
        format!("{} of {}", unit.germinated(), unit.entered()),
        unit.left().to_string(),
        looked,
        then,
    ]
}

fn as_json(due: &Due<'_>, now: Instant) -> serde_json::Value {
    let unit = due.unit;
    let last = due.last.map(|last| {
        json!({
            "at": last.when.text(),
            "germinated": last.germinated,
            "mouldy_now": last.mouldy_now,
            "medium": last.medium,
            "note": last.note,
            "by": last.by,
        })
    });
    json!({
        "format": "vernalog-round/1",
        "unit": unit.name,
        "label": unit.label,
        "kind": unit.kind.word(),
        "place": due.place,
        "position": due.position,
        "begun": unit.begun.text(),
        "day": day(due, now),
        "seeds": unit.entered(),
        "germinated": unit.germinated(),
        "left": unit.left(),
        "last": last,
    })
}
