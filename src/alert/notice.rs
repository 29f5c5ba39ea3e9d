//! What is told beside alerts: that one lasts, what happened in quiet hours,
//! how each place is, messages that could not be delivered.
//!
//! Words only; when they are told is decided in `telling`.

use chrono_tz::Tz;

use crate::alert::telling::Again;
use crate::alert::wording::figure;
use crate::observation::Quantity;
use crate::units::Instant;

/// More lines than this are only counted.
const MOST_LINES: usize = 40;

/// An alert that is told once more, with its first text and, where it is
/// about a value, the one furthest out by now.
#[must_use]
pub fn again(
    why: Again,
    text: &str,
    worst: Option<(Quantity, f64)>,
    (raised, now): (Instant, Instant),
) -> String {
    let (head, tail) = text.split_once(". ").unwrap_or((text, ""));
    let head = head.trim_end_matches('.');
    let lasted = lasting(now.millis_since(raised));
    let why = match why {
        Again::Repeat => {
            format!("It was first told {lasted} ago, and nobody has answered.")
        }
        Again::SnoozeOver => format!(
            "It was to be told again now, and it still lasts ({lasted} after \
             it was first told)."
        ),
        Again::Worse => format!(
            "It has become worse since somebody answered ({lasted} after it \
             was first told)."
        ),
    };
    let still = match head.split_once(": ") {
        Some((place, complaint)) => format!("{place}: still {complaint}"),
        None => format!("Still: {head}"),
    };
    let worst = worst.map_or_else(String::new, |(quantity, value)| {
        format!(" At worst so far: {}.", figure(quantity, value))
    });
    format!("{still}. {why}{worst} As it was then: {tail}")
        .trim_end_matches(" As it was then: ")
        .to_owned()
}

/// One thing that happened in quiet hours.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Held {
    /// The alert.
    pub alert: String,
    /// What would have been told.
    pub text: String,
}

/// Everything that was kept back in quiet hours, in the order in which it
/// happened; of an alert that began and ended only the end, which tells the
/// beginning as well.
#[must_use]
pub fn summary(
    held: &[Held],
    since: Instant,
    now: Instant,
    zone: Tz,
) -> String {
    let last: Vec<String> = held
        .iter()
        .enumerate()
        .filter(|(i, one)| {
            held[i + 1..].iter().all(|later| later.alert != one.alert)
        })
        .map(|(_, one)| one.text.clone())
        .collect();
    let n = match last.len() {
        1 => "one thing".to_owned(),
        n => format!("{n} things"),
    };
    let mut text = format!(
        "In quiet hours: {n} that could wait. From {} to {}:",
        local(since, zone),
        local(now, zone)
    );
    for one in last.iter().take(MOST_LINES) {
        text.push_str("\n\n");
        text.push_str(one);
    }
    if last.len() > MOST_LINES {
        text.push_str(&format!("\n\nAnd {} more.", last.len() - MOST_LINES));
    }
    text
}

/// How a place was over the last day.
#[derive(Debug, Clone, PartialEq)]
pub struct PlaceDay {
    /// What the grower calls it.
    pub title: String,
    /// First sentences of alerts that last there.
    pub troubles: Vec<String>,
    /// Whether anything is watched there.
    pub watched: bool,
    /// Each quantity that is known: its word, its unit, lowest and highest
    /// value, decimals.
    pub ranges: Vec<(&'static str, &'static str, f64, f64, usize)>,
    /// Covered share of the day by its best-covered quantity, from 0 to 1.
    pub coverage: f64,
}

/// The daily message: one line for each place.
///
/// `alerts` last now; `undelivered` messages wait or were given up.
#[must_use]
pub fn daily(places: &[PlaceDay], alerts: usize, undelivered: u64) -> String {
    let mut head = match alerts {
        0 if places.iter().all(is_well) => "All well".to_owned(),
        0 => "No alert lasts, but not every place is known".to_owned(),
        1 => "One alert lasts".to_owned(),
        n => format!("{n} alerts last"),
    };
    match undelivered {
        0 => {}
        1 => head.push_str("; one message is not delivered yet"),
        n => head.push_str(&format!("; {n} messages are not delivered yet")),
    }
    head.push_str(". The last 24 hours:");
    let lines = places.iter().map(place_line);
    let none = places.is_empty().then(|| "No place is recorded.".to_owned());
    std::iter::once(head)
        .chain(lines)
        .chain(none)
        .collect::<Vec<_>>()
        .join("\n")
}

/// Below this share of the day, a place is not known well enough.
const ENOUGH_COVERED: f64 = 0.8;

fn is_well(place: &PlaceDay) -> bool {
    place.troubles.is_empty() && place.coverage >= ENOUGH_COVERED
}

fn place_line(place: &PlaceDay) -> String {
    let state = if !place.troubles.is_empty() {
        place.troubles.join("; ")
    } else if place.ranges.is_empty() {
        "nothing heard".to_owned()
    } else if place.watched {
        "no alert".to_owned()
    } else {
        "not watched".to_owned()
    };
    let ranges: Vec<String> = place
        .ranges
        .iter()
        .map(|(word, unit, low, high, digits)| {
            format!("{word} {low:.digits$} to {high:.digits$} {unit}")
        })
        .collect();
    let covered = (place.coverage.clamp(0.0, 1.0) * 100.0).floor();
    let ranges = match ranges.is_empty() {
        true => String::new(),
        false => {
            format!(" {}; {covered} % of the time known.", ranges.join(", "))
        }
    };
    format!("{}: {state}.{ranges}", place.title)
}

/// That a channel gave up messages, each by its first sentence.
#[must_use]
pub fn dropped(
    channel: &str,
    texts: &[String],
    now: Instant,
    zone: Tz,
) -> String {
    let (n, they) = match texts.len() {
        1 => ("One message".to_owned(), "it was"),
        n => (format!("{n} messages"), "they were"),
    };
    let mut lines: Vec<String> = texts
        .iter()
        .take(MOST_LINES)
        .map(|text| format!("- {}", first_sentence(text)))
        .collect();
    if texts.len() > MOST_LINES {
        lines.push(format!("- and {} more", texts.len() - MOST_LINES));
    }
    format!(
        "{n} could not be delivered by the channel \"{channel}\". For days \
         {they} tried in vain, until {}:\n{}",
        local(now, zone),
        lines.join("\n")
    )
}

/// Up to the first full stop that ends a sentence, or the first line's end.
#[must_use]
pub fn first_sentence(text: &str) -> &str {
    let line = text.lines().next().unwrap_or_default();
    let sentence = line.split_once(". ").map_or(line, |(first, _)| first);
    sentence.trim_end_matches('.')
}

fn local(instant: Instant, zone: Tz) -> String {
    instant.utc().with_timezone(&zone).format("%a %-d %B %H:%M").to_string()
}

/// A length of time in words, to the minute or the hour.
fn lasting(millis: i64) -> String {
    let minutes = millis.max(0) / 60_000;
    match minutes {
        0..=119 => format!("{minutes} minutes"),
        120..=2879 => format!("{} hours", minutes / 60),
        _ => format!("{} days", minutes / 1440),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(hour: i64) -> Instant {
        Instant::from_millis(1_773_489_600_000 + hour * 3_600_000)
    }

    const WARM: &str = "Salad drawer (fridge-drawer): too warm. 9.9 °C. Often: \
                        a door.";

    #[test]
    fn what_lasts_says_so_in_its_first_sentence() {
        let warm = Some((Quantity::Temperature, 10.25));
        let text = again(Again::Repeat, WARM, warm, (at(0), at(5)));
        assert_eq!(
            text,
            "Salad drawer (fridge-drawer): still too warm. It was first told 5 \
             hours ago, and nobody has answered. At worst so far: 10.2 °C. As \
             it was then: 9.9 °C. Often: a door."
        );
        let times = (at(0), at(5));
        let short = again(Again::SnoozeOver, "Disk full.", None, times);
        assert!(short.starts_with("Still: Disk full. It was to be"), "{short}");
        assert!(short.ends_with("first told)."), "{short}");
    }

    #[test]
    fn an_alert_that_began_and_ended_overnight_is_one_thing() {
        let held = |alert: &str, text: &str| Held {
            alert: alert.to_owned(),
            text: text.to_owned(),
        };
        let zone = chrono_tz::Europe::Dublin;
        let all = [
            held("a", "Shelf: too dry."),
            held("b", "Sill: too damp."),
            held("a", "Shelf: back in range."),
        ];
        assert_eq!(
            summary(&all, at(11), at(19), zone),
            "In quiet hours: 2 things that could wait. From Sat 14 March 23:00 \
             to Sun 15 March 07:00:\n\nSill: too damp.\n\nShelf: back in range."
        );
    }

    #[test]
    fn the_daily_message_has_a_line_for_each_place() {
        let well = PlaceDay {
            title: "Salad drawer".to_owned(),
            troubles: Vec::new(),
            watched: true,
            ranges: vec![("temperature", "°C", 3.24, 5.25, 1)],
            coverage: 0.996,
        };
        let text = daily(std::slice::from_ref(&well), 0, 0);
        assert_eq!(
            text,
            "All well. The last 24 hours:\nSalad drawer: no alert. temperature \
             3.2 to 5.2 °C; 99 % of the time known."
        );
        let silent = PlaceDay {
            ranges: Vec::new(),
            coverage: 0.0,
            watched: false,
            ..well.clone()
        };
        let text = daily(&[well, silent], 0, 3);
        assert!(
            text.starts_with(
                "No alert lasts, but not every place is known; 3 messages"
            ),
            "{text}"
        );
        assert!(text.ends_with("Salad drawer: nothing heard."), "{text}");
    }

    #[test]
    fn what_was_dropped_is_listed_by_its_first_sentences() {
        let zone = chrono_tz::Europe::Dublin;
        let texts = vec![WARM.to_owned(); 50];
        let text = dropped("mail", &texts, at(0), zone);
        assert!(text.starts_with("50 messages could not be delivered"));
        assert!(text.contains("\n- Salad drawer (fridge-drawer): too warm\n"));
        assert!(text.ends_with("- and 10 more"), "{text}");
    }
}
