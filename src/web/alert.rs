//! One alert: its story, and one tap for "seen" and "not now".
//!
//! Answers are no ledger entries: they are about messages, not about seeds.

use axum::extract::Path;
use maud::{Markup, html};

use crate::alert::notice::first_sentence;
use crate::alert::telling::Answer as Said;
use crate::report::alert_story::{lines, readings};
use crate::report::words::plain;
use crate::store::{AlertRow, NewAnswer, StoreError, Story};
use crate::web::blind;
use crate::web::desk::{Answer, Desk, Tab};
use crate::web::form::Form;
use crate::web::frame::{self, keys};
use crate::web::routes::Named;
use crate::web::words::{ago, moment};

/// Hours of "not now" to choose from.
const SNOOZES: [i64; 3] = [1, 6, 24];
/// Letters of a reason.
const LONGEST_REASON: usize = 200;

/// `GET /alert/…`
pub(crate) fn page(
    desk: &Desk,
    Path(id): &Named,
) -> Result<Answer, StoreError> {
    let Some(story) = desk.store.story(id, desk.now)? else {
        return Ok(frame::missing("There is no such alert."));
    };
    let alert = &story.alert;
    let text = blind::worded(desk, &plain(&alert.text));
    let (first, rest) = first_and_rest(&text);
    let answer = last_answer(desk, id)?;
    let body = html! {
        p.kicker { a href="/alerts" { "Alerts" } }
        h1 { (first) }
        p.state {
            @if alert.severity == "urgent" { strong { "Urgent. " } }
            (lasted(desk, alert)) "."
        }
        @if !rest.is_empty() { p { (rest) } }
        @if let Some(place) = &alert.place {
            p { a href={ "/place/" (place) } { "The place" } }
        }
        @if let Some(answer) = &answer {
            p.message { strong { (answer) } }
        }
        @if alert.cleared.is_none() { (answers(desk, alert, Buttons::All)) }
        (told(desk, &story))
        p.soft { "Alert " (plain(&alert.id)) }
    };
    Ok(Answer::page("Alert", Tab::Alerts, body))
}

/// What an alert says first, which is its heading, and the rest.
pub(crate) fn first_and_rest(text: &str) -> (&str, &str) {
    let first = first_sentence(text);
    let rest = text.get(first.len()..).unwrap_or_default();
    (first, rest.trim_start_matches('.').trim_start())
}

/// `Since today 11:02 (5 min ago), lasts`.
pub(crate) fn lasted(desk: &Desk, alert: &AlertRow) -> String {
    let at = |instant| moment(desk.zone(), desk.now, instant);
    let until = match alert.cleared {
        None => "lasts".to_owned(),
        Some(cleared) => format!("over since {}", at(cleared)),
    };
    let began = ago(desk.now, alert.since);
    format!("Since {} ({began}), {until}", at(alert.since))
}

/// What somebody answered last, if anybody did.
pub(crate) fn last_answer(
    desk: &Desk,
    id: &str,
) -> Result<Option<String>, StoreError> {
    let answers = desk.store.answers_to(id)?;
    Ok(answers.last().map(|row| {
        let at = |instant| moment(desk.zone(), desk.now, instant);
        let mut text = match row.answered.answer {
            Said::Seen => "Seen".to_owned(),
            Said::Snoozed { until } if until <= desk.now => {
                format!("Was not to be told until {}", at(until))
            }
            Said::Snoozed { until } => {
                format!("Not told again until {}", at(until))
            }
        };
        let by = match row.by.as_str() {
            "" => String::new(),
            by => format!("{}, ", plain(by)),
        };
        text.push_str(&format!(" ({by}{})", at(row.answered.at)));
        if !row.reason.is_empty() {
            text.push_str(&format!(", because: {}", plain(&row.reason)));
        }
        blind::worded(desk, &text)
    }))
}

/// How much can be answered.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Buttons {
    /// One tap for "seen"; the rest is on the alert's page.
    Short,
    /// Seen and not now, with a reason.
    All,
}

/// The buttons: seen, and not now.
pub(crate) fn answers(
    desk: &Desk,
    alert: &AlertRow,
    buttons: Buttons,
) -> Markup {
    let text = blind::worded(desk, &plain(&alert.text));
    let about = first_sentence(&text);
    html! {
        form method="post" action={ "/alert/" (alert.id) } {
            (keys(&desk.visitor))
            @match buttons {
                Buttons::Short => {
                    p.taps {
                        button type="submit" name="answer" value="seen"
                            aria-label={ "Seen: " (about) } { "Seen" }
                        a.button.quiet href={ "/alert/" (alert.id) "#answer" }
                            aria-label={ "Not now: " (about) } {
                            "Not now …"
                        }
                    }
                }
                Buttons::All => {
                    h2 #answer { "Answer" }
                    div.field {
                        label for="because" { "Reason, if you like" }
                        input #because name="because" type="text"
                            maxlength=(LONGEST_REASON) autocomplete="off"
                            aria-describedby="answered";
                    }
                    p.taps {
                        button type="submit" name="answer" value="seen" {
                            "Seen"
                        }
                        @for hours in SNOOZES {
                            button.quiet type="submit" name="answer"
                                value={ "snooze-" (hours) } {
                                "Not for " (hours) " h"
                            }
                        }
                    }
                    p.soft #answered { "It is then not repeated; its end, \
                        and that it becomes worse, are told all the same." }
                }
            }
        }
    }
}

/// What happened, and the readings around it.
fn told(desk: &Desk, story: &Story) -> Markup {
    let zone = desk.zone();
    let around = readings(story);
    html! {
        h2 { "What happened" }
        ul {
            @for line in lines(story, |at| zone.local(at)) {
                li { (zone.local(line.at)) " " (plain(&line.text)) }
            }
        }
        @if !around.is_empty() {
            h2 { "Readings around it" }
            p.soft { (around.len()) " of " (story.readings.len()) }
            table {
                thead { tr { th scope="col" { "Time" } th scope="col" {
                    "Reading" } } }
                tbody {
                    @for (at, value) in around {
                        tr { td { (zone.local(at)) } td { (value) } }
                    }
                }
            }
        }
    }
}

/// `POST /alert/…`
pub(crate) fn answer(
    desk: &Desk,
    Path(id): &Named,
    form: &Form,
) -> Result<Answer, StoreError> {
    let Some(alert) = desk.store.alert(id)? else {
        return Ok(frame::missing("There is no such alert."));
    };
    let to = Answer::See(format!("/alert/{}", alert.id));
    let said = match form.text("answer") {
        "seen" => Some(Said::Seen),
        other => other
            .strip_prefix("snooze-")
            .and_then(|hours| hours.parse::<i64>().ok())
            .filter(|hours| SNOOZES.contains(hours))
            .map(|hours| Said::Snoozed {
                until: desk.now.plus_millis(hours * 3_600_000),
            }),
    };
    let (Some(said), Ok(key), None) = (said, form.key(), alert.cleared) else {
        // Over meanwhile, or not a form of ours: the page says how it is.
        return Ok(to);
    };
    let reason = form.text("because").trim();
    let reason: String = reason.chars().take(LONGEST_REASON).collect();
    let new = NewAnswer {
        alert: &alert.id,
        answer: said,
        reason: &reason,
        by: desk.who(form),
        origin: "page",
        form: Some(key),
    };
    desk.answer_alert(&new)?;
    Ok(to)
}
