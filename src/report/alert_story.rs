//! The story of an alert in lines, each with its instant.
//!
//! For the command line and the page alike; neither paper nor colour.

use crate::alert::telling::Answer;
use crate::notify::body::AlertJson;
use crate::observation::Quantity;
use crate::report::words::plain;
use crate::store::Story;
use crate::units::Instant;

/// So many readings are shown, evenly chosen; the rest is in the JSON.
const MOST_READINGS: usize = 24;

/// Something that happened, and when.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Line {
    /// When.
    pub at: Instant,
    /// What, in words.
    pub text: String,
}

/// What happened, in order. `local` tells an instant as the house's clock
/// showed it.
#[must_use]
pub fn lines(story: &Story, local: impl Fn(Instant) -> String) -> Vec<Line> {
    let alert = &story.alert;
    let line = |at, text: String| Line { at, text };
    let mut lines = vec![line(alert.since, "the cause began".to_owned())];
    let limit = match (alert.value, alert.limit, alert.quantity) {
        (Some(value), Some(limit), Some(q)) => {
            format!(": {}, limit {}", figure(q, value), figure(q, limit))
        }
        _ => String::new(),
    };
    lines.push(line(alert.raised, format!("the alert began{limit}")));
    if let Some(at) = alert.cleared {
        lines.push(line(at, "the alert ended".to_owned()));
    }
    for answer in &story.answers {
        lines.push(line(answer.answered.at, answered(answer, &local)));
    }
    for (message, tries) in &story.messages {
        let what = serde_json::from_str::<AlertJson>(&message.body)
            .map_or_else(|_| "message".to_owned(), |body| body.state);
        let by = format!("“{what}” by {}", plain(&message.channel));
        if let Some(at) = message.held {
            lines.push(line(at, format!("{by}: kept back for quiet hours")));
        }
        for one in tries {
            let n = one.attempt;
            let (at, outcome) = match (one.ended, &one.error) {
                (Some(at), None) => (at, "taken".to_owned()),
                (Some(at), Some(why)) => {
                    (at, format!("not taken: {}", plain(why)))
                }
                (None, _) => (one.at, "begun, and cut off".to_owned()),
            };
            lines.push(line(at, format!("{by}, try {n}: {outcome}")));
        }
        if let Some(at) = message.given_up {
            lines.push(line(at, format!("{by}: given up")));
        }
        if let Some(other) = &message.told_in {
            lines.push(line(
                message.given_up.or(message.held).unwrap_or(message.written),
                format!("{by}: told within {}", plain(other)),
            ));
        }
        let waits = message.taken.is_none()
            && message.given_up.is_none()
            && message.told_in.is_none();
        if waits && tries.is_empty() {
            lines.push(line(message.written, format!("{by}: waits")));
        }
    }
    lines.sort_by_key(|line| line.at);
    lines
}

fn answered(
    answer: &crate::store::AnswerRow,
    local: impl Fn(Instant) -> String,
) -> String {
    let mut text = match answer.answered.answer {
        Answer::Seen => "seen".to_owned(),
        Answer::Snoozed { until } => {
            format!("snoozed until {}", local(until))
        }
    };
    if !answer.by.is_empty() {
        text.push_str(&format!(" by {}", plain(&answer.by)));
    }
    if !answer.reason.is_empty() {
        text.push_str(&format!(", because: {}", plain(&answer.reason)));
    }
    text
}

/// Readings around the alert, thinned evenly, the last one always there.
#[must_use]
pub fn readings(story: &Story) -> Vec<(Instant, String)> {
    let quantity = story.alert.quantity.unwrap_or(Quantity::Temperature);
    let all = &story.readings;
    let step = all.len().div_ceil(MOST_READINGS).max(1);
    let last = all.len().saturating_sub(1);
    all.iter()
        .enumerate()
        .filter(|(i, _)| (last - i).is_multiple_of(step))
        .map(|(_, reading)| (reading.at, figure(quantity, reading.value)))
        .collect()
}

/// A value with its unit and the digits a sensor deserves.
fn figure(quantity: Quantity, value: f64) -> String {
    let digits = match quantity {
        Quantity::Temperature => 1,
        Quantity::Battery => 2,
        _ => 0,
    };
    format!("{value:.digits$} {}", quantity.unit())
}
