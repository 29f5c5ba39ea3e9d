//! Alerts in words for a tired person, with everything a message says.
//!
//! Not JSON and not mail: the channels dress it. Times are in the grower's
//! zone; numbers have the digits a sensor deserves.

use chrono_tz::Tz;

use crate::alert::advice::advice;
use crate::alert::{
    Alert, AlertId, AlertKind, Change, Event, Limit, Severity, Side,
};
use crate::observation::{Name, Quality, Quantity, shown};
use crate::trial::entry::{Rule, Watch, word_of};
use crate::trial::house::Place;
use crate::units::Instant;

/// What a watch is called, as in `fridge-drawer-temperature` for a range and
/// `fridge-drawer-temperature-drift` for the other rules.
#[must_use]
pub fn watch_key(place: &Name, quantity: Quantity, rule: Rule) -> String {
    match rule {
        Rule::Range => format!("{place}-{quantity}"),
        _ => format!("{place}-{quantity}-{}", word_of(&Rule::WORDS, &rule)),
    }
}

/// What the watch on a board's silence is called, as in `box-1-silent`.
#[must_use]
pub fn silence_key(board: &Name) -> String {
    format!("{board}-silent")
}

/// The message about an event of a watch; none for
/// [`Change::BecameUnknown`] and [`Change::Known`], which are history only.
#[must_use]
pub fn watch_alert(
    watch: &Watch,
    place: &Place,
    event: &Event,
    zone: Tz,
) -> Option<Alert> {
    let quantity = watch.quantity.0;
    let (limit, raised, value) = (event.limit?, event.raised?, event.value?);
    let text = match event.change {
        Change::Raised => raised_text(watch, place, event, limit, value, zone),
        Change::Cleared => {
            cleared_text(watch, place, event, limit, value, zone)
        }
        Change::BecameUnknown | Change::Known => return None,
    };
    let key = watch_key(&watch.place, quantity, watch.rule);
    Some(Alert {
        id: AlertId::new(&key, raised),
        kind: AlertKind::of(watch.rule),
        watch: key,
        place: Some(watch.place.clone()),
        quantity: Some(quantity),
        state: event.change,
        since: event.since,
        at: event.at,
        value: Some(value),
        limit: Some(limit.value),
        severity: Severity::of(watch.urgent),
        text,
    })
}

/// The text of an alert as it is sent: one that begins says how to answer.
#[must_use]
pub fn with_answer(alert: &Alert) -> String {
    match alert.state {
        Change::Raised => format!(
            "{} To say that you have seen it: the alerts page, or `vernalog \
             alerts seen {}`.",
            alert.text, alert.id
        ),
        _ => alert.text.clone(),
    }
}

/// The message about an event of a silent board, with the place it speaks
/// for, if any; urgent when that place is watched urgently.
#[must_use]
pub fn silence_alert(
    board: &Name,
    place: Option<&Place>,
    severity: Severity,
    event: &Event,
    zone: Tz,
) -> Option<Alert> {
    let raised = event.raised?;
    let at_place =
        place.map_or_else(String::new, |p| format!(" at {}", called(p)));
    let since = local(event.since, zone);
    let lasted = lasting(event.at.millis_since(event.since));
    let text = match event.change {
        Change::Raised => {
            let unwatched = if place.is_some() {
                "Until it speaks, nobody watches this place. "
            } else {
                ""
            };
            format!(
                "Board {board}{at_place}: silent since {since} ({lasted}). \
                 {unwatched}Often: an empty cell, out of reach, or a router \
                 or plug switched off. Safe to do: read the place's own \
                 thermometer, then switch the board off and on, then put in \
                 a fresh cell."
            )
        }
        Change::Cleared => format!(
            "Board {board}{at_place}: heard again. It was silent from {since} \
             for {lasted}."
        ),
        Change::BecameUnknown | Change::Known => return None,
    };
    let key = silence_key(board);
    Some(Alert {
        id: AlertId::new(&key, raised),
        kind: AlertKind::SilentBoard,
        watch: key,
        place: place.map(|place| place.name.clone()),
        quantity: None,
        state: event.change,
        since: event.since,
        at: event.at,
        value: None,
        limit: None,
        severity,
        text,
    })
}

fn raised_text(
    watch: &Watch,
    place: &Place,
    event: &Event,
    limit: Limit,
    value: f64,
    zone: Tz,
) -> String {
    let quantity = watch.quantity.0;
    let advice = advice(watch.rule, place.kind, quantity, limit.side);
    format!(
        "{}: {}. Since {} ({}). {}{}Often: {}. Safe to do: {}.",
        called(place),
        finding(watch, event, limit, value),
        local(event.since, zone),
        lasting(event.at.millis_since(event.since)),
        caveat(watch, event.marks),
        last_readings(quantity, event, zone),
        advice.often,
        advice.safe,
    )
}

/// What was found and how far out it is.
fn finding(watch: &Watch, event: &Event, limit: Limit, value: f64) -> String {
    let quantity = watch.quantity.0;
    let by = figure(quantity, (value - limit.value).abs());
    let wanted = figure(quantity, limit.value);
    let (beyond, end) = match limit.side {
        Side::Low => ("below", "lowest"),
        Side::High => ("above", "highest"),
    };
    let complaint = complaint(watch.rule, quantity, limit.side);
    match watch.rule {
        Rule::Range | Rule::Freezing => format!(
            "{complaint}. {}{}, {by} {beyond} the {end} wanted, {wanted}",
            figure(quantity, value),
            averaged(watch),
        ),
        Rule::DaySum => format!(
            "{complaint}. Outside for {value:.0} minutes in the last 24 \
             hours; {:.0} are allowed",
            limit.value
        ),
        Rule::Drift => format!(
            "{complaint}. The mean of the last 24 hours lies {} {beyond} that \
             of the days before; {} is allowed",
            figure(quantity, value.abs()),
            figure(quantity, limit.value.abs()),
        ),
        Rule::Door => format!(
            "{complaint}. {}, {by} above {wanted}, which it does not pass by \
             itself",
            figure(quantity, value),
        ),
        Rule::Sensor => format!("{complaint}: {}", blindness(event.marks)),
    }
}

fn blindness(marks: Quality) -> &'static str {
    if marks.has(Quality::KNOWN_FALSE) {
        "it says what such a sensor says when it cannot measure"
    } else if marks.has(Quality::SATURATED) {
        "it lies at the end of its scale"
    } else {
        "it has said one and the same number for hours"
    }
}

/// The last three readings, with their times of day.
fn last_readings(quantity: Quantity, event: &Event, zone: Tz) -> String {
    let readings: Vec<String> = event
        .recent
        .iter()
        .map(|reading| {
            let at = reading.at.utc().with_timezone(&zone);
            format!(
                "{} at {}",
                figure(quantity, reading.value),
                at.format("%H:%M")
            )
        })
        .collect();
    if readings.is_empty() {
        String::new()
    } else {
        format!("Last readings: {}. ", readings.join(", "))
    }
}

fn cleared_text(
    watch: &Watch,
    place: &Place,
    event: &Event,
    limit: Limit,
    value: f64,
    zone: Tz,
) -> String {
    let quantity = watch.quantity.0;
    let still_outside = match limit.side {
        Side::Low => value < limit.value,
        Side::High => value > limit.value,
    };
    let now = match watch.rule {
        Rule::Range | Rule::Freezing => {
            format!("Now {}{}. ", figure(quantity, value), averaged(watch))
        }
        Rule::Door => format!("Now {}. ", figure(quantity, value)),
        Rule::DaySum | Rule::Drift | Rule::Sensor => String::new(),
    };
    let outcome = if still_outside {
        "the watch was changed or withdrawn".to_owned()
    } else {
        match watch.rule {
            Rule::Range | Rule::Freezing => format!("{quantity} back in range"),
            Rule::DaySum => format!(
                "{quantity} hardly out of range any more, {value:.0} minutes \
                 in the last 24 hours"
            ),
            Rule::Drift => format!(
                "the daily mean of {quantity} is near that of the days \
                 before again"
            ),
            Rule::Door => format!("{quantity} back in its own cycle"),
            Rule::Sensor => format!("the {quantity} sensor measures again"),
        }
    };
    let furthest = event.furthest.unwrap_or(value);
    let worst = match watch.rule {
        Rule::Range | Rule::Freezing | Rule::Door => {
            format!(", at worst {}", figure(quantity, furthest))
        }
        Rule::Drift => {
            format!(", at most by {}", figure(quantity, furthest.abs()))
        }
        Rule::DaySum => format!(", at worst {furthest:.0} minutes in a day"),
        Rule::Sensor => String::new(),
    };
    let it_was = match watch.rule {
        Rule::Range | Rule::Freezing | Rule::Door => {
            let complaint = complaint(watch.rule, quantity, limit.side);
            format!("It was {complaint}")
        }
        Rule::DaySum | Rule::Drift | Rule::Sensor => "It lasted".to_owned(),
    };
    format!(
        "{}: {outcome}. {now}{it_was} from {} for {}{worst}.",
        called(place),
        local(event.since, zone),
        lasting(event.at.millis_since(event.since)),
    )
}

/// The grower's title with the name behind it, or the name alone.
pub(super) fn called(place: &Place) -> String {
    if place.title == place.name.as_str() || place.title.is_empty() {
        place.name.to_string()
    } else {
        format!("{} ({})", shown(&place.title), place.name)
    }
}

fn complaint(rule: Rule, quantity: Quantity, side: Side) -> String {
    let plain = match (quantity, side) {
        (Quantity::Temperature, Side::High) => "too warm",
        (Quantity::Temperature, Side::Low) => "too cold",
        (Quantity::Humidity, Side::High) => "too damp",
        (Quantity::Humidity, Side::Low) => "too dry",
        (Quantity::Light, Side::High) => "too bright",
        (Quantity::Light, Side::Low) => "too dark",
        (Quantity::Battery, Side::High) => "battery too high",
        (Quantity::Battery, Side::Low) => "battery too low",
        (Quantity::Signal, Side::High) => "signal too strong",
        (Quantity::Signal, Side::Low) => "signal too weak",
    };
    match rule {
        Rule::Range => plain.to_owned(),
        Rule::Freezing => "freezing".to_owned(),
        Rule::DaySum => format!("{quantity} out of range too often"),
        Rule::Drift => match side {
            Side::High => format!("{quantity} has drifted up"),
            Side::Low => format!("{quantity} has drifted down"),
        },
        Rule::Door => "warmer than its own cycle".to_owned(),
        Rule::Sensor => {
            format!("the {quantity} sensor seems to measure nothing")
        }
    }
}

fn averaged(watch: &Watch) -> String {
    match watch.mean_minutes {
        0 => String::new(),
        n => format!(" on average over {}", lasting(i64::from(n) * 60_000)),
    }
}

fn caveat(watch: &Watch, marks: Quality) -> String {
    let quantity = watch.quantity.0;
    let full = quantity == Quantity::Humidity && marks.has(Quality::SATURATED);
    if quantity == Quantity::Temperature && marks.has(Quality::SUN) {
        "The sun was on the probe: unless it is shaded, part of this is its \
         housing and not the air. "
            .to_owned()
    } else if full && watch.rule == Rule::Sensor {
        format!(
            "Truly full air looks the same as a wet sensor. If it is normal \
             here, as in a closed wet box, say so: `vernalog record watch {} \
             humidity --rule sensor --wet-is-normal`. ",
            watch.place
        )
    } else if full {
        "The sensor is at the end of its scale: truly wet air, or a wet \
         sensor. "
            .to_owned()
    } else {
        String::new()
    }
}

/// A value with its unit: one digit for degrees, two for volts.
pub(super) fn figure(quantity: Quantity, value: f64) -> String {
    let digits = match quantity {
        Quantity::Temperature => 1,
        Quantity::Battery => 2,
        Quantity::Humidity | Quantity::Light | Quantity::Signal => 0,
    };
    // A small negative value must not show as "-0.0".
    let text = format!("{value:.digits$}");
    let zero = text.bytes().all(|b| matches!(b, b'-' | b'0' | b'.'));
    let number = if zero { text.trim_start_matches('-') } else { &text };
    format!("{number} {}", quantity.unit())
}

pub(super) fn local(instant: Instant, zone: Tz) -> String {
    instant.utc().with_timezone(&zone).format("%a %-d %B %H:%M").to_string()
}

/// A length of time in words, to the minute, hour or so.
pub(super) fn lasting(millis: i64) -> String {
    let minutes = millis.max(0) / 60_000;
    let (days, hours) = (minutes / 1440, minutes / 60 % 24);
    match minutes {
        0 => "under a minute".to_owned(),
        1 => "1 minute".to_owned(),
        2..=119 => format!("{minutes} minutes"),
        120..=2879 => format!("{} h {} min", minutes / 60, minutes % 60),
        _ => format!("{days} days {hours} h"),
    }
}

/// Names in a row, with an end.
pub(super) fn listed(names: &[String]) -> String {
    /// So many names a message holds.
    const NAMED: usize = 12;
    let named = names.iter().take(NAMED).cloned().collect::<Vec<_>>();
    match names.len().checked_sub(NAMED) {
        Some(more @ 1..) => format!("{} and {more} more", named.join(", ")),
        _ => named.join(", "),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::trial::entry::PlaceKind;

    #[test]
    fn lengths_of_time_read_naturally() {
        for (minutes, expected) in [
            (0, "under a minute"),
            (1, "1 minute"),
            (90, "90 minutes"),
            (130, "2 h 10 min"),
            (4380, "3 days 1 h"),
        ] {
            assert_eq!(lasting(minutes * 60_000), expected);
        }
    }

    #[test]
    fn figures_have_the_digits_a_sensor_deserves() {
        assert_eq!(figure(Quantity::Temperature, -0.04), "0.0 °C");
        assert_eq!(figure(Quantity::Temperature, -0.25), "-0.2 °C");
        assert_eq!(figure(Quantity::Humidity, 95.4), "95 %");
        assert_eq!(figure(Quantity::Battery, 2.984), "2.98 V");
    }

    #[test]
    fn every_kind_of_place_has_advice_for_both_ends() {
        for (kind, _) in PlaceKind::WORDS {
            for quantity in Quantity::ALL {
                for (rule, _) in Rule::WORDS {
                    for side in [Side::Low, Side::High] {
                        let advice = advice(rule, kind, quantity, side);
                        assert!(!advice.often.ends_with('.'));
                        assert!(!advice.safe.ends_with('.'));
                    }
                }
            }
        }
    }
}
