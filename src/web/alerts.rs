//! Alerts in words: those that last first, then those of the last month.

use maud::{Markup, html};

use crate::report::words::plain;
use crate::store::{AlertRow, StoreError};
use crate::units::MILLIS_PER_DAY;
use crate::web::alert::answers;
use crate::web::blind;
use crate::web::desk::{Answer, Desk, Tab};
use crate::web::words::{ago, moment, n_of};

/// How far back those that are over are shown, days.
const DAYS: i64 = 30;

/// `GET /alerts`
pub(crate) fn page(desk: &Desk) -> Result<Answer, StoreError> {
    let since = desk.now.plus_millis(-DAYS * MILLIS_PER_DAY);
    let (lasting, over): (Vec<_>, Vec<_>) = desk
        .store
        .alerts(since)?
        .into_iter()
        .partition(|alert| alert.cleared.is_none());
    let body = html! {
        h1 { "Alerts" }
        @if lasting.is_empty() {
            p.state { "None lasts." }
        } @else {
            (list(desk, &lasting))
        }
        @for one in desk.store.undelivered_by_channel()? {
            p.message[one.given_up > 0] {
                "Not delivered by “" (plain(&one.channel)) "”: "
                (n_of(one.waiting, "message waits", "messages wait"))
                @if one.given_up > 0 { ", " (one.given_up) " given up" }
                "."
            }
        }
        h2 { "Over, in the last " (DAYS) " days" }
        @if over.is_empty() {
            p { "None." }
        } @else {
            (list(desk, &over))
        }
    };
    Ok(Answer::page("Alerts", Tab::Alerts, body))
}

/// Alerts in a list, each with its shape, severity and age.
pub(crate) fn list(desk: &Desk, alerts: &[AlertRow]) -> Markup {
    let zone = desk.zone();
    html! {
        ul.alerts {
            @for alert in alerts {
                li.over[alert.cleared.is_some()] {
                    p { strong {
                        span.mark aria-hidden="true" {
                            @if alert.cleared.is_some() { "○" } @else { "▲" }
                        }
                        " " (blind::worded(desk, &plain(&alert.text)))
                    } }
                    p.soft {
                        @if alert.severity == "urgent" { "Urgent. " }
                        "Since " (moment(zone, desk.now, alert.since)) " ("
                        (ago(desk.now, alert.since)) ")"
                        @match alert.cleared {
                            None => { ", lasts" }
                            Some(at) => {
                                ", over " (moment(zone, desk.now, at))
                            }
                        }
                        @if let Some(place) = &alert.place {
                            " · " a href={ "/place/" (place) } { (place) }
                        }
                        " · " a href={ "/alert/" (alert.id) } { "story" }
                    }
                    @if alert.cleared.is_none() { (answers(desk, alert)) }
                }
            }
        }
    }
}
