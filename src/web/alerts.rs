//! Alerts in words: those that last first, then those of the last month.

use maud::{Markup, html};

use crate::health::ChannelState;
use crate::report::words::plain;
use crate::store::{AlertRow, StoreError, Undelivered};
use crate::units::MILLIS_PER_DAY;
use crate::web::alert::{
    Buttons, answers, first_and_rest, last_answer, lasted,
};
use crate::web::blind;
use crate::web::desk::{Answer, Desk, Tab};
use crate::web::words::n_of;

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
            (list(desk, &lasting)?)
        }
        @for line in &undelivered(desk)? {
            p.message.trouble { (plain(line)) }
        }
        h2 { "Over, in the last " (DAYS) " days" }
        @if over.is_empty() {
            p { "None." }
        } @else {
            (list(desk, &over)?)
        }
    };
    Ok(Answer::page("Alerts", Tab::Alerts, body))
}

/// What has not left, by channel, and what the channel last met.
fn undelivered(desk: &Desk) -> Result<Vec<String>, StoreError> {
    let undelivered = desk.store.undelivered_by_channel()?;
    let said = match undelivered.is_empty() {
        true => None,
        false => desk.store.daemon_said()?,
    };
    let channels = said.map(|(_, health)| health.channels).unwrap_or_default();
    let line = |one: &Undelivered| {
        let counts = [
            (one.waiting, "message waits", "messages wait"),
            (one.given_up, "was given up", "were given up"),
        ];
        let counts: Vec<String> = counts
            .into_iter()
            .filter(|(n, ..)| *n > 0)
            .map(|(n, is, are)| n_of(n, is, are))
            .collect();
        let met = channels
            .iter()
            .find(|channel| channel.name == one.channel)
            .filter(|channel| channel.state == ChannelState::Fails)
            .map(|channel| format!(" ({})", channel.detail))
            .unwrap_or_default();
        format!(
            "Not delivered by “{}”: {}{met}.",
            one.channel,
            counts.join(", ")
        )
    };
    Ok(undelivered.iter().map(line).collect())
}

/// Alerts in a list, each with its shape, severity and age, what was
/// answered, and a button for "seen".
pub(crate) fn list(
    desk: &Desk,
    alerts: &[AlertRow],
) -> Result<Markup, StoreError> {
    let items = alerts
        .iter()
        .map(|alert| item(desk, alert))
        .collect::<Result<Vec<_>, _>>()?;
    Ok(html! { ul.alerts { @for item in &items { (item) } } })
}

fn item(desk: &Desk, alert: &AlertRow) -> Result<Markup, StoreError> {
    let over = alert.cleared.is_some();
    let text = blind::worded(desk, &plain(&alert.text));
    let (first, rest) = first_and_rest(&text);
    let answer = match over {
        true => None,
        false => last_answer(desk, &alert.id)?,
    };
    Ok(html! {
        li.over[over] {
            p {
                span.mark aria-hidden="true" {
                    @if over { "○" } @else { "▲" }
                }
                " " strong { (first) "." }
                @if !over { " " (rest) }
            }
            p.soft {
                @if alert.severity == "urgent" { "Urgent. " }
                (lasted(desk, alert))
                @if let Some(place) = &alert.place {
                    " · " a href={ "/place/" (place) } { (place) }
                }
                " · " a href={ "/alert/" (alert.id) } { "the whole story" }
            }
            @if let Some(answer) = &answer { p { strong { (answer) } } }
            @if !over { (answers(desk, alert, Buttons::Short)) }
        }
    })
}
