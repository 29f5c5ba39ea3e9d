//! One alert: its story, and one tap for "seen" and "not now".
//!
//! Answers are no ledger entries: they are about messages, not about seeds.

use axum::extract::Path;
use maud::{Markup, html};

use crate::alert::telling::Answer as Said;
use crate::report::alert_story::{lines, readings};
use crate::report::words::plain;
use crate::store::{AlertRow, NewAnswer, StoreError, Story};
use crate::web::desk::{Answer, Desk, Tab};
use crate::web::form::{Form, Reading};
use crate::web::frame::{self, keys};
use crate::web::routes::Named;
use crate::web::words::{ago, moment};

/// Hours of "not now" to choose from.
const SNOOZES: [i64; 3] = [1, 6, 24];

/// `GET /alert/…`
pub(crate) fn page(
    desk: &Desk,
    Path(id): &Named,
) -> Result<Answer, StoreError> {
    let Some(story) = desk.store.story(id, desk.now)? else {
        return Ok(frame::missing("There is no such alert."));
    };
    let alert = &story.alert;
    let body = html! {
        p.kicker { a href="/alerts" { "Alerts" } }
        h1 { (plain(crate::alert::notice::first_sentence(&alert.text))) }
        p.state {
            @if alert.severity == "urgent" { strong { "Urgent. " } }
            "Since " (moment(desk.zone(), desk.now, alert.since)) " ("
            (ago(desk.now, alert.since)) ")"
            @match alert.cleared {
                None => { ", lasts." }
                Some(at) => { ", over since "
                    (moment(desk.zone(), desk.now, at)) "." }
            }
        }
        p { (plain(&alert.text)) }
        @if let Some(place) = &alert.place {
            p { a href={ "/place/" (place) } { "The place" } }
        }
        @if alert.cleared.is_none() { (answers(desk, alert)) }
        (told(desk, &story))
        p.soft { "Alert " (plain(&alert.id)) }
    };
    Ok(Answer::page("Alert", Tab::Alerts, body))
}

/// The buttons: seen, and not now.
pub(crate) fn answers(desk: &Desk, alert: &AlertRow) -> Markup {
    html! {
        form method="post" action={ "/alert/" (alert.id) } {
            (keys(&desk.visitor))
            p {
                button type="submit" name="answer" value="seen" { "Seen" }
                @for hours in SNOOZES {
                    " "
                    button.quiet type="submit" name="answer"
                        value={ "snooze-" (hours) } {
                        "Not for " (hours) " h"
                    }
                }
            }
            p.soft { "It is then not repeated; its end, and that it becomes \
                worse, are told all the same." }
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
    let reason = Reading::default().text(form, "because");
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
