//! `status`: how things stand, on one screen; the exit code is 1 while an
//! alert lasts.

use std::fmt::Display;

use serde_json::{Value, json};

use crate::alert::blind::blind;
use crate::cli::failure::{Answer, Failure};
use crate::cli::opening::House;
use crate::cli::output::Output;
use crate::cli::{alerts, status_channels, status_keeping};
use crate::health::DaemonHealth;
use crate::observation::{Quantity, Reading, shown};
use crate::store::{Access, AlertRow, SeriesInfo, Store};
use crate::trial::book::{Book, Trial};
use crate::trial::entry::{Rule, word_of};
use crate::trial::house::Place;
use crate::units::Instant;

pub(crate) fn status(
    house: &House,
    output: &mut Output,
) -> Result<Answer, Failure> {
    let store = house.store(Access::ReadOnly)?;
    let (book, _) = Book::build(&store.ledger()?);
    let series = store.series()?;
    let mut lasting = store.alerts(house.now)?;
    lasting.retain(|alert| alert.cleared.is_none());
    if output.json {
        let value = as_json(house, &store, &book, &series, &lasting)?;
        output.object(&value)?;
    } else {
        tell(house, &store, &book, &series, &lasting, output)?;
    }
    Ok(if lasting.is_empty() { Answer::Done } else { Answer::No })
}

fn tell(
    house: &House,
    store: &Store,
    book: &Book,
    series: &[SeriesInfo],
    lasting: &[AlertRow],
    output: &mut Output,
) -> Result<(), Failure> {
    let readings: u64 = series.iter().map(|info| info.readings).sum();
    output.line(&format!(
        "data      {} ({:.1} MB, {readings} readings)",
        store.path().display(),
        megabytes(store.bytes_on_disk())
    ))?;
    let said = store.daemon_said()?;
    for line in daemon_in_words(house, said.as_ref()) {
        output.line(&line)?;
    }
    let health = said.as_ref().map(|(_, health)| health);
    for line in status_keeping::in_words(house, health) {
        output.line(&line)?;
    }
    if book.trials.is_empty() {
        output.line("trial     none is recorded yet")?;
    }
    for trial in book.trials.values() {
        output.line(&trial_in_words(house, trial))?;
    }
    if book.house.places.is_empty() {
        output.line("place     none is recorded yet")?;
    }
    for place in book.house.places.values() {
        let now = place_now(house, book, series, place);
        let values = if now.is_empty() {
            "no readings".to_owned()
        } else {
            let values: Vec<String> = now
                .iter()
                .map(|(quantity, reading)| value_in_words(*quantity, reading))
                .collect();
            let newest = now.iter().map(|(_, reading)| reading.at).max();
            let ago = newest.map(|at| house.ago(at)).unwrap_or_default();
            format!("{}  ({ago})", values.join(", "))
        };
        output.line(&format!("place     {}: {values}", place.name))?;
    }
    for board in silent_places(book, series) {
        output.line(&format!(
            "board     {board}: sends, but no place is recorded for it \
             (vernalog record move {board} PLACE --board)"
        ))?;
    }
    for gap in store.gaps()?.iter().filter(|gap| gap.missing > 0) {
        output.line(&format!(
            "gap       {}: {} of {} samples never came",
            gap.board,
            gap.missing,
            gap.missing + gap.stored
        ))?;
    }
    for line in blind_watches(house, book, series) {
        output.line(&format!("watch     {line}"))?;
    }
    for (name, count) in store.counters()? {
        output.line(&format!("counted   {name}: {count}"))?;
    }
    for line in status_channels::in_words(house, store, health)? {
        output.line(&line)?;
    }
    if lasting.is_empty() {
        output.line("alerts    none lasts")?;
    }
    for alert in lasting {
        let words = alerts::in_words(house, alert);
        output.line(&format!("alert     {words}"))?;
    }
    Ok(())
}

/// A word of the daemon older than this is history: it speaks twice a
/// minute.
const DAEMON_SPEAKS_MILLIS: i64 = 2 * 60_000;

fn is_recent(house: &House, said: Instant) -> bool {
    house.now.millis_since(said) <= DAEMON_SPEAKS_MILLIS
}

/// Whether the daemon runs, as far as it said.
pub(crate) fn daemon_runs(
    house: &House,
    said: Option<&(Instant, DaemonHealth)>,
) -> bool {
    said.is_some_and(|(at, health)| health.running && is_recent(house, *at))
}

/// Whether the daemon runs, and how its sources are.
fn daemon_in_words(
    house: &House,
    said: Option<&(Instant, DaemonHealth)>,
) -> Vec<String> {
    let Some((at, health)) = said else {
        return vec!["daemon    never ran on this data file".to_owned()];
    };
    let ago = house.ago(*at);
    let recent = is_recent(house, *at);
    let mut lines = vec![match (health.running, recent) {
        (true, true) => "daemon    runs".to_owned(),
        (true, false) => {
            format!("daemon    was not stopped, and last spoke {ago}")
        }
        (false, _) => format!("daemon    was stopped {ago}"),
    }];
    if health.failing {
        lines.push(
            "daemon    cannot store; nothing is acknowledged until it can"
                .to_owned(),
        );
    }
    for source in &health.sources {
        let detail = if source.detail.is_empty() {
            String::new()
        } else {
            format!(" ({})", shown(&source.detail))
        };
        lines.push(format!(
            "source    {}: {}, {} messages{detail}",
            source.name, source.state, source.delivered
        ));
    }
    // Channels have lines of their own.
    let sources = health.broken.iter().filter(|b| !b.starts_with("channel "));
    for broken in sources {
        lines.push(format!("source    not started: {}", shown(broken)));
    }
    lines
}

pub(crate) fn megabytes(bytes: u64) -> f64 {
    #[allow(
        clippy::cast_precision_loss,
        reason = "a size to one decimal of a megabyte"
    )]
    let bytes = bytes as f64;
    bytes / 1.0e6
}

fn n_due(house: &House, trial: &Trial) -> usize {
    let today = house.zone().day_start(house.zone().date(house.now));
    trial.round(today, house.now).len()
}

fn trial_in_words(house: &House, trial: &Trial) -> String {
    let containers = trial.containers().count();
    let seeds: u32 = trial.containers().map(|unit| unit.entered()).sum();
    let germinated: u32 = trial.containers().map(|u| u.germinated()).sum();
    format!(
        "trial     {}: {}, {}, {germinated} of {} germinated, {} to look at \
         today",
        trial.name,
        counted(trial.batches().count(), "batch", "batches"),
        counted(containers, "container", "containers"),
        counted(seeds, "seed", "seeds"),
        counted(n_due(house, trial), "unit", "units")
    )
}

/// `1 batch`, `2 batches`.
fn counted<T: Display + PartialEq + From<u8>>(
    count: T,
    one: &str,
    many: &str,
) -> String {
    let word = if count == T::from(1) { one } else { many };
    format!("{count} {word}")
}

/// The newest reading of each quantity that speaks for a place now.
fn place_now(
    house: &House,
    book: &Book,
    series: &[SeriesInfo],
    place: &Place,
) -> Vec<(Quantity, Reading)> {
    let now = house.now;
    Quantity::CLIMATE
        .into_iter()
        .filter_map(|quantity| {
            let voices = book.house.voices(
                &place.name,
                quantity,
                now,
                now.plus_millis(1),
            );
            let voice = voices.last()?;
            let info =
                series.iter().find(|info| info.series == voice.series)?;
            Some((quantity, info.newest?))
        })
        .collect()
}

/// A value with its unit and its marks.
pub(crate) fn value_in_words(quantity: Quantity, reading: &Reading) -> String {
    let marks = reading.quality.words();
    let marks = if marks.is_empty() {
        String::new()
    } else {
        format!(" ({})", marks.join(", "))
    };
    format!("{} {}{marks}", reading.value, quantity.unit())
}

/// Boards that sent something and are recorded nowhere.
/// Watches that nothing can raise, each with why.
pub(crate) fn blind_watches(
    house: &House,
    book: &Book,
    series: &[SeriesInfo],
) -> Vec<String> {
    let known = series.iter().map(|info| info.series.clone()).collect();
    let mut lines: Vec<String> = blind(&book.house, &known, house.now)
        .into_iter()
        .map(|((place, quantity, rule), why)| {
            let rule = word_of(&Rule::WORDS, &rule);
            format!("{place} {quantity} ({rule}) cannot be judged: {why}")
        })
        .collect();
    // A place without a board says so once.
    lines.dedup_by_key(|line| {
        line.split_once(": no board")
            .map_or(line.clone(), |(_, why)| why.to_owned())
    });
    lines
}

fn silent_places(book: &Book, series: &[SeriesInfo]) -> Vec<String> {
    let mut boards: Vec<String> = series
        .iter()
        .filter(|info| !book.house.declares(&info.series.board))
        .map(|info| info.series.board.to_string())
        .collect();
    boards.dedup();
    boards
}

fn as_json(
    house: &House,
    store: &Store,
    book: &Book,
    series: &[SeriesInfo],
    lasting: &[AlertRow],
) -> Result<Value, Failure> {
    let trials: Vec<Value> = book
        .trials
        .values()
        .map(|trial| {
            json!({
                "trial": trial.name,
                "batches": trial.batches().count(),
                "containers": trial.containers().count(),
                "due_today": n_due(house, trial),
            })
        })
        .collect();
    let places: Vec<Value> = book
        .house
        .places
        .values()
        .map(|place| {
            let now: Vec<Value> = place_now(house, book, series, place)
                .iter()
                .map(|(quantity, reading)| {
                    json!({
                        "quantity": quantity.word(),
                        "value": reading.value,
                        "at": reading.at,
                        "quality": reading.quality.words(),
                    })
                })
                .collect();
            json!({"place": place.name, "newest": now})
        })
        .collect();
    let alerts: Vec<&str> =
        lasting.iter().map(|alert| alert.id.as_str()).collect();
    let (waiting, given_up) = store.undelivered()?;
    let numbers: Vec<Value> = store
        .gaps()?
        .iter()
        .map(|gap| {
            json!({
                "board": gap.board,
                "starts": gap.starts,
                "stored": gap.stored,
                "missing": gap.missing,
            })
        })
        .collect();
    let said = store.daemon_said()?;
    let health = said.as_ref().map(|(_, health)| health);
    Ok(json!({
        "format": "vernalog-status/1",
        "data": store.path(),
        "bytes": store.bytes_on_disk(),
        "trials": trials,
        "places": places,
        "boards_without_place": silent_places(book, series),
        "daemon": daemon_as_json(said.as_ref()),
        "keeping": status_keeping::as_json(house, health),
        "channels": status_channels::as_json(house, store, health)?,
        "numbers": numbers,
        "blind_watches": blind_watches(house, book, series),
        "counters": store.counters()?,
        "messages_waiting": waiting,
        "messages_given_up": given_up,
        "alerts": alerts,
    }))
}

fn daemon_as_json(said: Option<&(Instant, DaemonHealth)>) -> Value {
    said.map_or(Value::Null, |(at, health)| {
        json!({
            "at": at,
            "running": health.running,
            "failing": health.failing,
            "waiting": health.waiting,
            "sources": health.sources,
            "broken": health.broken,
        })
    })
}
