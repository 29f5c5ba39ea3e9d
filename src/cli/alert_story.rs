//! `alerts show`, `alerts seen`, `alerts snooze`: one alert, its story, and
//! what is answered to it.

use serde_json::{Value, json};

use crate::alert::telling::Answer as Said;
use crate::cli::alerts::alert_as_json;
use crate::cli::arguments::{AlertAnswer, AlertSnooze};
use crate::cli::failure::{Answer, Failure};
use crate::cli::opening::House;
use crate::cli::output::{Output, safe};
use crate::exchange::times::length_millis;
use crate::report::alert_story::{lines, readings};
use crate::store::{Access, AlertRow, NewAnswer, Store, Story};
use crate::units::MILLIS_PER_DAY;

/// Snoozed for longer, it would better be no alert: change the watch.
const LONGEST_SNOOZE: i64 = 30 * MILLIS_PER_DAY;
/// Alerts named when a text means several.
const MOST_NAMED: usize = 5;

pub(crate) fn show(
    house: &House,
    id: &str,
    output: &mut Output,
) -> Result<Answer, Failure> {
    let store = house.store(Access::ReadOnly)?;
    let alert = meant(&store, id)?;
    let Some(story) = store.story(&alert.id, house.now)? else {
        return Err(Failure::new(format!("no alert is called \"{id}\"")));
    };
    if output.json {
        output.object(&as_json(&story))?;
        return Ok(Answer::Done);
    }
    let zone = house.zone();
    output.line(&alert.id)?;
    output.line(&safe(&alert.text))?;
    output.line("")?;
    for line in lines(&story, |at| zone.local(at)) {
        output.line(&format!(
            "{}  {}",
            zone.local(line.at),
            safe(&line.text)
        ))?;
    }
    let around = readings(&story);
    if !around.is_empty() {
        output.line("")?;
        output.line(&format!(
            "readings around it, {} of {}:",
            around.len(),
            story.readings.len()
        ))?;
        for (at, value) in around {
            output.line(&format!("{}  {value}", zone.local(at)))?;
        }
    }
    Ok(Answer::Done)
}

pub(crate) fn seen(
    house: &House,
    what: &AlertAnswer,
    output: &mut Output,
) -> Result<Answer, Failure> {
    answer(house, what, Said::Seen, output)
}

pub(crate) fn snooze(
    house: &House,
    what: &AlertSnooze,
    output: &mut Output,
) -> Result<Answer, Failure> {
    let millis = length_millis(&what.length)
        .filter(|millis| (60_000..=LONGEST_SNOOZE).contains(millis))
        .ok_or_else(|| {
            Failure::new(format!(
                "\"{}\" is not a length of time from 1min to 30d",
                safe(&what.length)
            ))
            .hint("write --for 6h, or --for 2d")
        })?;
    let until = house.now.plus_millis(millis);
    answer(house, &what.answer, Said::Snoozed { until }, output)
}

fn answer(
    house: &House,
    what: &AlertAnswer,
    said: Said,
    output: &mut Output,
) -> Result<Answer, Failure> {
    let mut store = house.store(Access::ReadWrite)?;
    let alert = meant(&store, &what.id)?;
    if let Some(cleared) = alert.cleared {
        output.talk(&format!(
            "{} is over since {}; there is nothing to answer",
            alert.id,
            house.zone().local(cleared)
        ));
        return Ok(Answer::No);
    }
    let by = what.by.clone().or_else(|| std::env::var("USER").ok());
    let new = NewAnswer {
        alert: &alert.id,
        answer: said,
        reason: &what.because,
        by: by.as_deref().unwrap_or_default(),
        origin: "command",
        form: None,
    };
    store.answer_alert(&new, house.now)?;
    if output.json {
        output.object(&json!({
            "format": "vernalog-answer/1",
            "alert": alert.id,
            "answer": word(said),
            "until": until(said),
        }))?;
    } else {
        let told = match said {
            Said::Seen => "seen: it is not repeated".to_owned(),
            Said::Snoozed { until } => {
                format!("snoozed until {}", house.zone().local(until))
            }
        };
        output.line(&format!(
            "{}  {told}; its end, and that it becomes worse, are told all the \
             same",
            alert.id
        ))?;
    }
    Ok(Answer::Done)
}

/// The one alert that a text means.
fn meant(store: &Store, text: &str) -> Result<AlertRow, Failure> {
    let mut found = store.alerts_called(text)?;
    if found.len() > 1 {
        let named: Vec<&str> =
            found.iter().take(MOST_NAMED).map(|a| a.id.as_str()).collect();
        return Err(Failure::new(format!(
            "\"{}\" may mean {} alerts",
            safe(text),
            found.len()
        ))
        .because(named.join(", "))
        .hint("give the whole id"));
    }
    found.pop().ok_or_else(|| {
        Failure::new(format!("no alert is called \"{}\"", safe(text)))
            .hint("`vernalog alerts --since 30d` lists them with their ids")
    })
}

fn word(said: Said) -> &'static str {
    match said {
        Said::Seen => "seen",
        Said::Snoozed { .. } => "snoozed",
    }
}

fn until(said: Said) -> Option<crate::units::Instant> {
    match said {
        Said::Seen => None,
        Said::Snoozed { until } => Some(until),
    }
}

fn as_json(story: &Story) -> Value {
    let alert = &story.alert;
    let messages: Vec<Value> = story
        .messages
        .iter()
        .map(|(message, tries)| {
            let body: Value =
                serde_json::from_str(&message.body).unwrap_or_default();
            let tries: Vec<Value> = tries
                .iter()
                .map(|one| {
                    json!({
                        "attempt": one.attempt,
                        "at": one.at,
                        "ended": one.ended,
                        "error": one.error,
                    })
                })
                .collect();
            json!({
                "message": body["message"],
                "state": body["state"],
                "text": body["text"],
                "channel": message.channel,
                "written": message.written,
                "held": message.held,
                "taken": message.taken,
                "given_up": message.given_up,
                "told_in": message.told_in,
                "tries": tries,
            })
        })
        .collect();
    let answers: Vec<Value> = story
        .answers
        .iter()
        .map(|row| {
            json!({
                "answer": word(row.answered.answer),
                "at": row.answered.at,
                "until": until(row.answered.answer),
                "because": row.reason,
                "by": row.by,
                "from": row.origin,
            })
        })
        .collect();
    let readings: Vec<Value> = story
        .readings
        .iter()
        .map(|r| json!({"at": r.at, "value": r.value}))
        .collect();
    let mut json = alert_as_json("vernalog-alert-story/1", alert);
    json["worst"] = story.worst.into();
    json["messages"] = messages.into();
    json["answers"] = answers.into();
    json["readings"] = readings.into();
    json
}
