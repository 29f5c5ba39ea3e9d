//! The pages' knowledge as JSON, for programs of the household: places and
//! their newest readings, the round, units, alerts; and one way to record a
//! check.
//!
//! Not a second set of rules: the ledger's admission judges, as for a form.

use std::sync::Arc;

use axum::Router;
use axum::extract::{Extension, Path};
use axum::http::StatusCode;
use axum::response::Response;
use axum::routing::{get, post};
use serde::Deserialize;
use serde_json::{Value, json};

use crate::observation::shown;
use crate::store::{AlertRow, StoreError};
use crate::trial::entry::{Draft, Look, from_word, word_of};
use crate::trial::house::Place;
use crate::trial::unit::Looked;
use crate::trial::when::When;
use crate::units::MILLIS_PER_DAY;
use crate::web::count::{COUNTS, Numbers};
use crate::web::desk::{Answer, Desk, Site, Visitor, Written};
use crate::web::form::{Form, KEY, new_key};
use crate::web::now::{State, newest};
use crate::web::routes::{Asking, Shared, answered};
use crate::web::units::{Here, find, walk};

/// Every address of this kind begins so.
pub(crate) const BEGINS: &str = "/api/";
/// Alerts that ended are told for so long, days.
const DAYS: i64 = 30;
/// Free text beyond this is refused, bytes.
const LONGEST_TEXT: usize = 2_000;

/// A body, as the guard read it.
#[derive(Debug, Clone)]
pub(crate) struct Sent(pub(crate) Value);

/// The addresses, all below [`BEGINS`].
pub(crate) fn router() -> Router<Arc<Site>> {
    Router::new()
        .route(
            "/api/v1/places",
            get(async |s: Shared, v: Asking| look(s, v, places).await),
        )
        .route(
            "/api/v1/round",
            get(async |s: Shared, v: Asking| look(s, v, round).await),
        )
        .route(
            "/api/v1/units",
            get(async |s: Shared, v: Asking| look(s, v, units).await),
        )
        .route(
            "/api/v1/units/{unit}",
            get(async |s: Shared, v: Asking, Path(unit): Path<String>| {
                look(s, v, move |desk| one(desk, &unit)).await
            }),
        )
        .route(
            "/api/v1/units/{unit}/checks",
            post(
                async |s: Shared,
                       v: Asking,
                       Path(unit): Path<String>,
                       Extension(Sent(body)): Extension<Sent>| {
                    look(s, v, move |desk| record(desk, &unit, body)).await
                },
            ),
        )
        .route(
            "/api/v1/alerts",
            get(async |s: Shared, v: Asking| look(s, v, alerts).await),
        )
        .route("/api/{*other}", get(nowhere).post(nowhere))
}

async fn nowhere(Extension(visitor): Extension<Visitor>) -> Response {
    let told = "there is no such address";
    answered(&visitor, trouble(StatusCode::NOT_FOUND, told))
}

async fn look(
    site: Shared,
    Extension(visitor): Asking,
    work: impl FnOnce(&Desk) -> Result<Answer, StoreError> + Send + 'static,
) -> Response {
    let answer = site.at_desk(visitor.clone(), work).await;
    let answer = answer
        .unwrap_or_else(|told| trouble(StatusCode::SERVICE_UNAVAILABLE, &told));
    answered(&visitor, answer)
}

/// An answer that says why not.
pub(crate) fn trouble(status: StatusCode, told: &str) -> Answer {
    Answer::Data(status, json!({ "error": told }))
}

fn told(format: &str, name: &str, items: Vec<Value>) -> Answer {
    Answer::Data(StatusCode::OK, json!({ "format": format, name: items }))
}

fn places(desk: &Desk) -> Result<Answer, StoreError> {
    let series = desk.store.series()?;
    let place = |place: &Place| {
        let now: Vec<Value> = newest(desk, &series, place)
            .iter()
            .map(|(quantity, reading)| {
                let state = State::of(desk, place, *quantity, reading);
                json!({
                    "quantity": quantity.word(),
                    "unit": quantity.unit(),
                    "value": reading.value,
                    "at": reading.at,
                    "marks": reading.quality.words(),
                    "state": state.words(),
                })
            })
            .collect();
        json!({
            "place": place.name,
            "title": place.title,
            "newest": now,
        })
    };
    let all = desk.book().house.places.values().map(place).collect();
    Ok(told("vernalog-places/1", "places", all))
}

fn round(desk: &Desk) -> Result<Answer, StoreError> {
    let due = walk(desk)
        .into_iter()
        .filter(|stop| stop.due)
        .map(|stop| unit(desk, &stop.here))
        .collect();
    Ok(told("vernalog-round/1", "units", due))
}

fn units(desk: &Desk) -> Result<Answer, StoreError> {
    let all = desk
        .book()
        .trials
        .values()
        .flat_map(|trial| {
            trial.units.values().map(move |unit| Here { trial, unit })
        })
        .map(|here| unit(desk, &here))
        .collect();
    Ok(told("vernalog-units/1", "units", all))
}

fn one(desk: &Desk, text: &str) -> Result<Answer, StoreError> {
    Ok(match only(desk, text) {
        Ok(here) => {
            let mut value = unit(desk, &here);
            let looks = here.unit.looks.iter().map(looked).collect();
            value["format"] = "vernalog-unit/1".into();
            value["looks"] = Value::Array(looks);
            Answer::Data(StatusCode::OK, value)
        }
        Err(answer) => answer,
    })
}

/// The one unit that a text means.
fn only<'a>(desk: &'a Desk, text: &str) -> Result<Here<'a>, Answer> {
    let found = find(desk.book(), text);
    match found.as_slice() {
        [here] => Ok(*here),
        [] => Err(trouble(
            StatusCode::NOT_FOUND,
            "no unit has that label or name",
        )),
        _ => Err(trouble(
            StatusCode::CONFLICT,
            "several trials have a unit of that name; use its label",
        )),
    }
}

fn unit(desk: &Desk, here: &Here<'_>) -> Value {
    let unit = here.unit;
    let stay = unit.stay_at(desk.now);
    json!({
        "unit": unit.name,
        "label": unit.label,
        "trial": here.trial.name,
        "kind": unit.kind.word(),
        "place": stay.map(|stay| &stay.place),
        "position": stay.map(|stay| &stay.position),
        "seeds": unit.entered(),
        "germinated": unit.germinated(),
        "left": unit.left(),
        "closed": unit.closure.is_some(),
        "last_look": unit.looks.last().map(looked),
    })
}

fn looked(look: &Looked) -> Value {
    json!({
        "at": look.when.at,
        "date": look.when.date().map(|date| date.to_string()),
        "germinated": look.germinated,
        "germinated_total": look.total,
        "mouldy_now": look.mouldy_now,
        "removed_mould": look.removed_mould,
        "removed_other": look.removed_other,
        "left": look.left,
        "looked": word_of(&Look::WORDS, &look.looked),
        "note": look.note,
        "by": look.by,
    })
}

fn alerts(desk: &Desk) -> Result<Answer, StoreError> {
    let since = desk.now.plus_millis(-DAYS * MILLIS_PER_DAY);
    let all = desk.store.alerts(since)?.iter().map(alert).collect();
    Ok(told("vernalog-alerts/1", "alerts", all))
}

fn alert(alert: &AlertRow) -> Value {
    json!({
        "id": alert.id,
        "watch": alert.watch,
        "place": alert.place,
        "board": alert.board,
        "quantity": alert.quantity.map(|quantity| quantity.word()),
        "severity": alert.severity,
        "since": alert.since,
        "over": alert.cleared,
        "value": alert.value,
        "limit": alert.limit,
        "text": alert.text,
    })
}

/// A check as a program sends it.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Body {
    germinated: u32,
    #[serde(default)]
    mouldy_now: u32,
    #[serde(default)]
    removed_mould: u32,
    #[serde(default)]
    removed_other: u32,
    looked: String,
    #[serde(default)]
    note: String,
    #[serde(default)]
    by: String,
    /// When, as on the command line; now by default.
    at: Option<String>,
    /// 32 hex digits that make this request count once.
    key: Option<String>,
}

/// `POST /api/v1/units/…/checks`
fn record(desk: &Desk, text: &str, body: Value) -> Result<Answer, StoreError> {
    let here = match only(desk, text) {
        Ok(here) => here,
        Err(answer) => return Ok(answer),
    };
    let understood = serde_json::from_value::<Body>(body)
        .map_err(|error| ("", error.to_string()))
        .and_then(|body| understood(desk, here, body));
    let (draft, form) = match understood {
        Ok(understood) => understood,
        Err((field, told)) => return Ok(refused(field, &told)),
    };
    Ok(match desk.record(&[draft], &form)? {
        Written::Now(id) => Answer::Data(
            StatusCode::CREATED,
            json!({
                "format": "vernalog-recorded/1",
                "unit": here.unit.name,
                "entry": id.map(|id| id.0),
            }),
        ),
        Written::Before => Answer::Data(
            StatusCode::OK,
            json!({
                "format": "vernalog-recorded/1",
                "unit": here.unit.name,
                "before": true,
            }),
        ),
        Written::Refused(reasons) => {
            let reasons: Vec<_> =
                reasons.into_iter().map(|(_, told)| told).collect();
            refused("", &reasons.join("; "))
        }
    })
}

fn refused(field: &str, told: &str) -> Answer {
    let field = (!field.is_empty()).then_some(field);
    let value = json!({ "error": told, "field": field });
    Answer::Data(StatusCode::UNPROCESSABLE_ENTITY, value)
}

type Wrong = (&'static str, String);

fn understood(
    desk: &Desk,
    here: Here<'_>,
    body: Body,
) -> Result<(Draft, Form), Wrong> {
    for (field, text) in [("note", &body.note), ("by", &body.by)] {
        if text.len() > LONGEST_TEXT {
            let told = format!("longer than {LONGEST_TEXT} bytes");
            return Err((field, told));
        }
    }
    let looked = from_word(&Look::WORDS, &body.looked).map_err(|known| {
        let typed = shown(&body.looked);
        ("looked", format!("\"{typed}\" is none of: {known}"))
    })?;
    let numbers = Numbers {
        new: body.germinated,
        mouldy_now: body.mouldy_now,
        removed_mould: body.removed_mould,
        removed_other: body.removed_other,
    };
    let when = match &body.at {
        None => When::exactly(desk.now),
        Some(text) => {
            desk.zone().parse_when(text).map_err(|told| ("at", told))?
        }
    };
    // What was counted long ago is judged by the ledger alone.
    if body.at.is_none()
        && let Some((field, told)) =
            numbers.against(here.unit, here.unit.name.as_str())
    {
        let field = if field == COUNTS[0] { "germinated" } else { "" };
        return Err((field, told));
    }
    let form = Form::new(vec![
        (KEY.to_owned(), body.key.unwrap_or_else(new_key)),
        ("by".to_owned(), body.by),
    ]);
    form.key().map_err(|_| {
        ("key", "the key is not 32 hexadecimal digits".to_owned())
    })?;
    let statement = numbers.check(&here.unit.name, looked, body.note);
    Ok((Draft::new(Some(&here.trial.name), when, statement), form))
}
