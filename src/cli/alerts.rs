//! `alerts`: what needs somebody, and what did.

use serde_json::{Value, json};

use crate::cli::alert_story;
use crate::cli::arguments::{AlertsArguments, OneAlert};
use crate::cli::failure::{Answer, Failure};
use crate::cli::opening::House;
use crate::cli::output::{Output, safe};
use crate::observation::Quantity;
use crate::store::{Access, AlertRow, Store};

/// Without --since, alerts that are over are not shown.
const NOTHING_OLDER: &str = "0s";

pub(crate) fn alerts(
    house: &House,
    arguments: &AlertsArguments,
    output: &mut Output,
) -> Result<Answer, Failure> {
    match &arguments.what {
        Some(OneAlert::Show { id }) => {
            return alert_story::show(house, id, output);
        }
        Some(OneAlert::Seen(what)) => {
            return alert_story::seen(house, what, output);
        }
        Some(OneAlert::Snooze(what)) => {
            return alert_story::snooze(house, what, output);
        }
        None => {}
    }
    let store = house.store(Access::ReadOnly)?;
    let since = arguments.since.as_deref().unwrap_or(NOTHING_OLDER);
    let since = house.beginning(since, house.now)?;
    let alerts = store.alerts(since)?;
    let lasting = alerts.iter().any(|alert| alert.cleared.is_none());
    if output.json {
        for alert in &alerts {
            output.object(&as_json(&store, alert)?)?;
        }
    } else if alerts.is_empty() {
        let over = match &arguments.since {
            Some(since) => format!(" and none was raised since {since}"),
            None => "; --since 30d shows those that are over".to_owned(),
        };
        output.talk(&format!("no alert lasts{over}"));
    } else {
        for alert in &alerts {
            output.line(&in_words(house, alert))?;
        }
    }
    Ok(if lasting { Answer::No } else { Answer::Done })
}

/// An alert in a line.
pub(crate) fn in_words(house: &House, alert: &AlertRow) -> String {
    let zone = house.zone();
    let until = match alert.cleared {
        None => "lasts".to_owned(),
        Some(cleared) => format!("over since {}", zone.local(cleared)),
    };
    format!(
        "{}  {}  since {}, {until}: {}",
        alert.id,
        alert.severity,
        zone.local(alert.since),
        safe(&alert.text)
    )
}

fn as_json(store: &Store, alert: &AlertRow) -> Result<Value, Failure> {
    let messages = store.messages_of(&alert.id)?;
    let messages: Vec<Value> = messages
        .iter()
        .map(|message| {
            json!({
                "channel": message.channel,
                "attempts": message.attempts,
                "taken": message.taken,
                "given_up": message.given_up,
                "error": message.error,
            })
        })
        .collect();
    let mut json = alert_as_json("vernalog-alerts/1", alert);
    json["messages"] = messages.into();
    Ok(json)
}

/// What every answer of the command line says of an alert.
pub(super) fn alert_as_json(format: &str, alert: &AlertRow) -> Value {
    json!({
        "format": format,
        "id": alert.id,
        "watch": alert.watch,
        "kind": alert.kind,
        "place": alert.place,
        "board": alert.board,
        "quantity": alert.quantity.map(Quantity::word),
        "severity": alert.severity,
        "lasts": alert.cleared.is_none(),
        "since": alert.since,
        "raised": alert.raised,
        "cleared": alert.cleared,
        "value": alert.value,
        "limit": alert.limit,
        "text": alert.text,
    })
}
