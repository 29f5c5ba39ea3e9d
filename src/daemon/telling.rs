//! How alerts are told, beside the channels themselves: the section
//! `[telling]`, what is told again, and the daily message.
//!
//! When is decided in `alert::telling`, the words are `alert::notice`; here
//! the store is asked and written.

use std::collections::BTreeMap;

use chrono::NaiveTime;
use chrono_tz::Tz;
use serde::{Deserialize, Deserializer};

use crate::alert::telling::{Lasting, QuietHours, again, daily_is_due};
use crate::alert::{AlertKind, Severity, notice};
use crate::climate::log::Span;
use crate::daemon::heartbeat;
use crate::exchange::times::length_millis;
use crate::notify::body::{AlertJson, Notice};
use crate::notify::retry;
use crate::observation::{Quantity, Series, shown};
use crate::report::words::offset_seconds;
use crate::store::{AlertRow, Hour, Store, StoreError};
use crate::study::place::{Logged, climate};
use crate::trial::book::Book;
use crate::trial::entry::from_word;
use crate::trial::house::{House, Place};
use crate::units::{Instant, MILLIS_PER_DAY};

/// How often the urgent is repeated, unless the settings say otherwise, ms.
const REPEAT_URGENT: i64 = 4 * 3_600_000;
/// Urgent things are not repeated more often, ms: somebody sleeps.
const SHORTEST_REPEAT: i64 = 5 * 60_000;
/// So many alerts an hour are told, unless the settings say otherwise.
pub(crate) const MOST_AN_HOUR: usize = 12;
/// Hours of a day, for its covered share.
const DAY_HOURS: f64 = 24.0;

/// What else there is to know about telling alerts.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Telling {
    /// Channels that cannot be used, each with its reason.
    pub broken_channels: Vec<String>,
    /// `[telling]`
    pub settings: Settings,
    /// `[heartbeat]`
    pub heartbeat: Option<heartbeat::Heartbeat>,
}

/// The section `[telling]`.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Settings {
    /// Quiet hours begin at this hour of the wall clock.
    #[serde(deserialize_with = "hour")]
    pub quiet_from: Option<NaiveTime>,
    /// And end at this one.
    #[serde(deserialize_with = "hour")]
    pub quiet_until: Option<NaiveTime>,
    /// How often what stays urgent is repeated until somebody answers, ms.
    #[serde(deserialize_with = "length")]
    pub repeat_urgent: i64,
    /// The hour of the daily message; none without it.
    #[serde(deserialize_with = "hour")]
    pub daily_at: Option<NaiveTime>,
    /// The wait before a message that was not taken is tried again, ms; each
    /// further wait is twice as long.
    #[serde(deserialize_with = "length")]
    pub try_again: i64,
    /// So many alerts an hour are told, and urgent ones beyond them up to
    /// two and a half times as many; the rest is kept and shown.
    pub most_an_hour: usize,
}

impl Default for Settings {
    fn default() -> Self {
        Self {
            quiet_from: None,
            quiet_until: None,
            repeat_urgent: REPEAT_URGENT,
            daily_at: None,
            try_again: retry::FIRST_WAIT,
            most_an_hour: MOST_AN_HOUR,
        }
    }
}

fn hour<'de, D: Deserializer<'de>>(
    from: D,
) -> Result<Option<NaiveTime>, D::Error> {
    let text = String::deserialize(from)?;
    NaiveTime::parse_from_str(&text, "%H:%M").map(Some).map_err(|_| {
        serde::de::Error::custom(format!(
            "\"{}\" is not an hour such as \"22:30\"",
            shown(&text)
        ))
    })
}

/// A length of time as it is written in settings, ms.
pub(super) fn length<'de, D: Deserializer<'de>>(
    from: D,
) -> Result<i64, D::Error> {
    let text = String::deserialize(from)?;
    length_millis(&text).filter(|millis| *millis > 0).ok_or_else(|| {
        serde::de::Error::custom(format!(
            "\"{}\" is not a length of time such as \"30min\" or \"4h\"",
            shown(&text)
        ))
    })
}

impl Settings {
    /// Whether they make sense together.
    ///
    /// # Errors
    /// A sentence that says what to write.
    pub fn look(&self) -> Result<(), String> {
        match (self.quiet_from, self.quiet_until) {
            (Some(from), Some(until)) if from == until => Err(
                "quiet_from and quiet_until are the same hour; leave both out \
                 for no quiet hours"
                    .to_owned(),
            ),
            (Some(_), None) | (None, Some(_)) => Err(
                "quiet_from and quiet_until belong together; one of them is \
                 missing"
                    .to_owned(),
            ),
            _ if self.repeat_urgent < SHORTEST_REPEAT => {
                Err("repeat_urgent is shorter than 5 minutes".to_owned())
            }
            _ if self.most_an_hour == 0 => Err("most_an_hour is 0, and \
                 nothing would be told; leave it out for 12"
                .to_owned()),
            _ => Ok(()),
        }
    }

    /// Whether only the urgent may be told now.
    pub(crate) fn hour(&self, zone: Tz, now: Instant) -> Hour {
        let wall = now.utc().with_timezone(&zone).time();
        match (self.quiet_from, self.quiet_until) {
            (Some(from), Some(until))
                if (QuietHours { from, until }).hold_at(wall) =>
            {
                Hour::Quiet
            }
            _ => Hour::Open,
        }
    }
}

/// Writes what is to be told now beside new alerts: those that last and are
/// told once more, and the daily message.
pub(crate) fn step(
    store: &mut Store,
    settings: &Settings,
    channels: &[String],
    zone: Tz,
    now: Instant,
) -> Result<(), StoreError> {
    if channels.is_empty() {
        return Ok(());
    }
    let mut lasting = store.alerts(now)?;
    lasting.retain(|alert| alert.cleared.is_none());
    for alert in &lasting {
        tell_again(store, settings, channels, alert, now)?;
    }
    daily(store, settings, channels, &lasting, zone, now)
}

fn tell_again(
    store: &mut Store,
    settings: &Settings,
    channels: &[String],
    alert: &AlertRow,
    now: Instant,
) -> Result<(), StoreError> {
    let Some((last_told, body)) = store.last_told(&alert.id)? else {
        return Ok(());
    };
    let answers = store.answers_to(&alert.id)?;
    let standing = Lasting {
        severity: from_word(&Severity::WORDS, &alert.severity)
            .unwrap_or(Severity::Normal),
        last_told,
        answered: answers.last().map(|answer| answer.answered),
        quantity: alert.quantity,
        limit: alert.limit,
        worst: store.worst_of(&alert.id)?,
    };
    let Some(why) = again(&standing, now, Some(settings.repeat_urgent)) else {
        return Ok(());
    };
    let Ok(first) = serde_json::from_str::<AlertJson>(&body) else {
        return Ok(());
    };
    // Of other kinds the value is minutes, a difference, or none.
    let kind = from_word(&AlertKind::WORDS, &alert.kind).ok();
    let in_its_unit = matches!(
        kind,
        Some(AlertKind::Range | AlertKind::Freezing | AlertKind::Door)
    );
    let worst = standing.quantity.filter(|_| in_its_unit).zip(standing.worst);
    let times = (alert.raised, now);
    let text = notice::again(why, &first.text, worst, times);
    let mut again = first.again(now, text);
    again.value = standing.worst.or(again.value);
    store.tell_again(&alert.id, channels, &again.to_line(), now)
}

fn daily(
    store: &mut Store,
    settings: &Settings,
    channels: &[String],
    lasting: &[AlertRow],
    zone: Tz,
    now: Instant,
) -> Result<(), StoreError> {
    let Some(at) = settings.daily_at else { return Ok(()) };
    let wall = now.utc().with_timezone(&zone).naive_local();
    if !daily_is_due(at, wall, false) {
        return Ok(());
    }
    let date = wall.date().to_string();
    let notice =
        |text: &str| AlertJson::notice(Notice::Daily, &date, now, text);
    let written = store.message_was_written(&notice("").message)?;
    if !daily_is_due(at, wall, written) {
        return Ok(());
    }
    let text = daily_text(store, lasting, zone, now)?;
    store.write_notice(channels, &notice(&text).to_line(), now)
}

/// One line for each place, over the last 24 hours.
fn daily_text(
    store: &Store,
    lasting: &[AlertRow],
    zone: Tz,
    now: Instant,
) -> Result<String, StoreError> {
    let (book, _) = Book::build(&store.ledger()?);
    let house = &book.house;
    let mut places = Vec::new();
    for place in house.places.values() {
        places.push(place_day(store, house, place, lasting, zone, now)?);
    }
    let (waiting, given_up) = store.undelivered()?;
    Ok(notice::daily(&places, lasting.len(), waiting + given_up))
}

fn place_day(
    store: &Store,
    house: &House,
    place: &Place,
    lasting: &[AlertRow],
    zone: Tz,
    now: Instant,
) -> Result<notice::PlaceDay, StoreError> {
    let span = Span::new(now.plus_millis(-MILLIS_PER_DAY), now);
    let mut wanted: Vec<Series> = Quantity::CLIMATE
        .into_iter()
        .flat_map(|q| house.voices(&place.name, q, span.from, span.to))
        .map(|voice| voice.series)
        .collect();
    wanted.sort();
    wanted.dedup();
    let found = store.strips(&wanted, span.from, span.to.plus_millis(1))?;
    let readings: BTreeMap<_, _> = wanted.into_iter().zip(found).collect();
    let local = |at| offset_seconds(zone, at);
    let logged = Logged { house, readings: &readings, local: &local };
    let climate = climate(logged, &place.name, span);
    let mut ranges = Vec::new();
    let mut coverage = 0.0_f64;
    for (quantity, study) in &climate.quantities {
        let (Some(low), Some(high)) = (study.low, study.high) else {
            continue;
        };
        coverage = coverage.max(study.coverage(DAY_HOURS));
        let digits = usize::from(*quantity == Quantity::Temperature);
        ranges.push((quantity.word(), quantity.unit(), low, high, digits));
    }
    let title =
        if place.title.is_empty() { place.name.as_str() } else { &place.title };
    Ok(notice::PlaceDay {
        title: shown(title),
        troubles: lasting
            .iter()
            .filter(|alert| alert.place.as_ref() == Some(&place.name))
            .map(|alert| notice::first_sentence(&alert.text).to_owned())
            .collect(),
        watched: house.watches.keys().any(|key| key.0 == place.name),
        ranges,
        coverage,
    })
}
