//! `watches try`: plays stored readings through a watch, as it stands or
//! changed, and shows the alerts it would have raised.
//!
//! Nothing is written and nothing is told.

use serde_json::{Value, json};

use crate::alert::preset::{self, plain};
use crate::alert::replay::{Replayed, needed_from, replay};
use crate::alert::wording::watch_alert;
use crate::cli::arguments::TryArguments;
use crate::cli::failure::{Answer, Failure};
use crate::cli::opening::{House, known_place};
use crate::cli::output::Output;
use crate::observation::{Quality, Quantity, Reading};
use crate::store::place::place_readings;
use crate::store::{Access, Store};
use crate::trial::book::{Book, sound_watch};
use crate::trial::entry::{Rule, Watch, word_of};
use crate::units::Instant;

/// So much light beside a probe is the sun, as in the daemon, lx.
const SUN_LUX: f64 = 10_000.0;
const SUN_FELT_MILLIS: i64 = 15 * 60_000;

/// A watch to be tried, and as it stands if it was changed.
struct Tried {
    watch: Watch,
    stands: Option<Watch>,
    changed: bool,
}

pub(crate) fn watches_try(
    house: &House,
    arguments: &TryArguments,
    output: &mut Output,
) -> Result<Answer, Failure> {
    let store = house.store(Access::ReadOnly)?;
    let (book, _) = Book::build(&store.ledger()?);
    let until = house.end(arguments.until.as_deref())?;
    let since = house.beginning(&arguments.since, until)?;
    let tried = to_try(&book, arguments)?;
    if tried.is_empty() {
        output.talk(
            "no watch is kept there; give a place, a quantity and limits, \
             such as: vernalog watches try fridge-drawer temperature --high 7",
        );
        return Ok(Answer::No);
    }
    for one in &tried {
        let readings = readings_for(&store, &book, &one.watch, (since, until))?;
        let n = readings.iter().filter(|r| r.at >= since).count();
        let alerts = replay(&one.watch, &readings, since, until);
        let stands = one
            .stands
            .as_ref()
            .filter(|_| one.changed)
            .map(|stands| {
                let own = readings_for(&store, &book, stands, (since, until))?;
                Ok::<_, Failure>(replay(stands, &own, since, until).len())
            })
            .transpose()?;
        if output.json {
            let span = (since, until);
            output.object(&as_json(
                house, &book, one, &alerts, n, stands, span,
            ))?;
        } else {
            tell(house, &book, one, &alerts, n, stands, output)?;
        }
    }
    Ok(Answer::Done)
}

fn to_try(
    book: &Book,
    arguments: &TryArguments,
) -> Result<Vec<Tried>, Failure> {
    let TryArguments { place, quantity, limits, .. } = arguments;
    if let Some(place) = place {
        known_place(book, place)?;
    }
    if limits.says_something() {
        let (Some(place), Some(quantity)) = (place, quantity) else {
            return Err(Failure::new(
                "limits are given, but not what they are for",
            )
            .hint("vernalog watches try PLACE QUANTITY --high …"));
        };
        let rule = limits.rule.unwrap_or_default();
        let key = (place.clone(), *quantity, rule);
        let stands = book.house.watches.get(&key).map(|(_, w)| w.clone());
        let base =
            stands.clone().unwrap_or_else(|| plain(place, *quantity, rule));
        let watch = limits.over(&base);
        sound_watch(&watch).map_err(Failure::new)?;
        let changed = stands.as_ref() != Some(&watch);
        return Ok(vec![Tried { watch, stands, changed }]);
    }
    Ok(book
        .house
        .watches
        .values()
        .filter(|(_, watch)| {
            place.as_ref().is_none_or(|place| *place == watch.place)
                && quantity.is_none_or(|q| q == watch.quantity.0)
        })
        .map(|(_, watch)| Tried {
            watch: watch.clone(),
            stands: Some(watch.clone()),
            changed: false,
        })
        .collect())
}

/// What a watch is judged by, marked where the sun was on the probe.
fn readings_for(
    store: &Store,
    book: &Book,
    watch: &Watch,
    (since, until): (Instant, Instant),
) -> Result<Vec<Reading>, Failure> {
    let quantity = watch.quantity.0;
    let span = (needed_from(watch, since), until);
    let of = |quantity| {
        place_readings(store, &book.house, &watch.place, quantity, span)
    };
    let mut readings = of(quantity)?;
    if quantity == Quantity::Temperature && watch.rule != Rule::Sensor {
        let mut lit = of(Quantity::Light)?;
        lit.retain(|reading| reading.value >= SUN_LUX);
        for reading in &mut readings {
            let next = lit.partition_point(|light| light.at < reading.at);
            let near = |light: &Reading| {
                light.at.millis_since(reading.at).abs() <= SUN_FELT_MILLIS
            };
            let after = lit.get(next).is_some_and(near);
            let before =
                next.checked_sub(1).and_then(|i| lit.get(i)).is_some_and(near);
            if after || before {
                reading.quality = reading.quality.with(Quality::SUN);
            }
        }
    }
    Ok(readings)
}

fn tell(
    house: &House,
    book: &Book,
    one: &Tried,
    alerts: &[Replayed],
    n_readings: usize,
    stands: Option<usize>,
    output: &mut Output,
) -> Result<(), Failure> {
    let watch = &one.watch;
    let words = preset::in_words(watch);
    let compared = match stands {
        Some(n) => format!(" (as it stands: {n})"),
        None if one.changed => " (no such watch is kept yet)".to_owned(),
        None => String::new(),
    };
    output.line(&format!(
        "{} {words}: {} alerts in {n_readings} readings{compared}",
        watch.place,
        alerts.len()
    ))?;
    let zone = house.zone();
    for alert in alerts {
        let text = text_of(house, book, watch, alert);
        let end = alert.cleared.map_or_else(
            || "lasts".to_owned(),
            |event| format!("until {}", zone.local(event.at)),
        );
        output.line(&format!(
            "  {}  {end}  {text}",
            zone.local(alert.raised.at)
        ))?;
    }
    if n_readings == 0 {
        output.talk(&format!(
            "nothing was read of {} at {} in that time",
            watch.quantity.0, watch.place
        ));
    }
    Ok(())
}

/// The message's finding, without advice.
fn text_of(
    house: &House,
    book: &Book,
    watch: &Watch,
    alert: &Replayed,
) -> String {
    let Some(place) = book.house.places.get(&watch.place) else {
        return String::new();
    };
    let zone = house.zone().zone;
    watch_alert(watch, place, &alert.raised, zone)
        .map(|alert| alert.text)
        .map(|text| match text.find(". Since ") {
            Some(end) => format!("{}.", &text[..end]),
            None => text,
        })
        .unwrap_or_default()
}

fn as_json(
    house: &House,
    book: &Book,
    one: &Tried,
    alerts: &[Replayed],
    n_readings: usize,
    stands: Option<usize>,
    (since, until): (Instant, Instant),
) -> Value {
    let watch = &one.watch;
    let alerts: Vec<Value> = alerts
        .iter()
        .map(|alert| {
            json!({
                "since": alert.raised.since,
                "raised": alert.raised.at,
                "cleared": alert.cleared.map(|event| event.at),
                "value": alert.raised.value,
                "limit": alert.raised.limit.map(|limit| limit.value),
                "furthest": alert.cleared.and_then(|event| event.furthest),
                "text": text_of(house, book, watch, alert),
            })
        })
        .collect();
    json!({
        "format": "vernalog-watch-try/1",
        "place": watch.place,
        "quantity": watch.quantity,
        "rule": word_of(&Rule::WORDS, &watch.rule),
        "low": watch.low,
        "high": watch.high,
        "mean_minutes": watch.mean_minutes,
        "for_minutes": watch.for_minutes,
        "margin": watch.margin,
        "changed": one.changed,
        "alerts_as_it_stands": stands,
        "since": since,
        "until": until,
        "readings": n_readings,
        "alerts": alerts,
    })
}
