//! Every address of the pages, and how an answer goes out.
//!
//! What a request must pass before it comes here is in `guard`.

use std::sync::Arc;

use axum::Router;
use axum::extract::{Extension, Path, Query, State};
use axum::http::StatusCode;
use axum::http::header::{
    CACHE_CONTROL, CONTENT_TYPE, HeaderValue, LOCATION, SET_COOKIE,
};
use axum::middleware::from_fn_with_state;
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use serde_json::json;

use crate::store::StoreError;
use crate::web::desk::{Answer, Desk, Site, Visitor};
use crate::web::form::Form;
use crate::web::guard::guard;
use crate::web::live::Live;
use crate::web::session::{self, hex};
use crate::web::{
    alert, alerts, api, blind, changes, count, frame, health, labels, login,
    now, place, remarks, reports, round, setup, tally, transfer, unit,
};

/// Name of the cookie that remembers who counts.
pub(crate) const WHO: &str = "who";
/// A year, s.
const YEAR: u32 = 31_536_000;

pub(crate) type Shared = State<Arc<Site>>;
pub(crate) type Asking = Extension<Visitor>;
pub(crate) type Typed = Extension<Form>;

/// Where the script asks how the session stands.
pub(crate) const SESSION: &str = "/session";

pub(crate) fn router(site: Arc<Site>, live: Live) -> Router {
    Router::new()
        .route("/live", get(async move || live.listen()))
        .route(SESSION, get(session_now))
        .route("/page.js", get(script))
        .route(
            "/",
            get(async |s: Shared, v: Asking| at_desk(s, v, now::page).await),
        )
        .route(
            "/alerts",
            get(async |s: Shared, v: Asking| at_desk(s, v, alerts::page).await),
        )
        .route(
            "/alert/{id}",
            get(async |s: Shared, v: Asking, p: Named| {
                at_desk(s, v, move |desk| alert::page(desk, &p)).await
            })
            .post(
                async |s: Shared, v: Asking, p: Named, f: Typed| {
                    act(s, v, f, move |desk, form| {
                        alert::answer(desk, &p, form)
                    })
                    .await
                },
            ),
        )
        .route(
            "/round",
            get(async |s: Shared, v: Asking, q: Asked| {
                at_desk(s, v, move |desk| round::page(desk, &q)).await
            }),
        )
        .route(
            "/round/others",
            get(async |s: Shared, v: Asking, q: Asked| {
                at_desk(s, v, move |desk| round::others(desk, &q)).await
            })
            .post(async |s: Shared, v: Asking, f: Typed| {
                act(s, v, f, round::record_others).await
            }),
        )
        .route(
            "/tally",
            get(async |s: Shared, v: Asking, q: Asked| {
                at_desk(s, v, move |desk| tally::page(desk, &q)).await
            })
            .post(async |s: Shared, v: Asking, f: Typed| {
                act(s, v, f, tally::record).await
            }),
        )
        .route(
            "/find",
            get(async |s: Shared, v: Asking, q: Asked| {
                at_desk(s, v, move |desk| unit::find(desk, &q)).await
            }),
        )
        .route(
            "/place/{name}",
            get(async |s: Shared, v: Asking, p: Named, q: Asked| {
                at_desk(s, v, move |desk| place::page(desk, &p, &q)).await
            }),
        )
        .route(
            "/u/{unit}",
            get(async |s: Shared, v: Asking, p: Named, q: Asked| {
                at_desk(s, v, move |desk| unit::page(desk, &p, &q)).await
            }),
        )
        .route(
            "/u/{unit}/{change}",
            post(async |s: Shared, v: Asking, p: Changed, f: Typed| {
                act(s, v, f, move |desk, form| {
                    let (unit, change) = &p.0;
                    match change.as_str() {
                        "count" => count::record(desk, unit, form),
                        "undo" => changes::undo(desk, unit, form),
                        "belongs" => changes::belongs(desk, unit, form),
                        "move" => changes::moved(desk, unit, form),
                        "mould" => changes::mould(desk, unit, form),
                        "close" => changes::close(desk, unit, form),
                        "transfer" => transfer::record(desk, unit, form),
                        "treat" => remarks::treat(desk, unit, form),
                        "note" => remarks::note(desk, unit, form),
                        "seedling" => remarks::seedling(desk, unit, form),
                        _ => Ok(frame::missing("There is no such page.")),
                    }
                })
                .await
            }),
        )
        .route(
            "/who",
            get(async |s: Shared, v: Asking| {
                at_desk(s, v, |desk| Ok(login::who_page(desk))).await
            })
            .post(async |s: Shared, v: Asking, f: Typed| {
                act(s, v, f, |_, _| Ok(Answer::See("/".to_owned()))).await
            }),
        )
        .route(
            "/labels",
            get(async |s: Shared, v: Asking, q: Asked| {
                at_desk(s, v, move |desk| labels::page(desk, &q)).await
            }),
        )
        .route("/blind", post(blind::switch))
        .route(
            "/health",
            get(async |s: Shared, v: Asking| at_desk(s, v, health::page).await),
        )
        .merge(reports::router())
        .merge(api::router())
        .route("/login", get(login::page).post(login::enter))
        .route("/logout", post(login::leave))
        .route("/style.css", get(style))
        .merge(setup::router())
        .fallback(async |v: Asking| {
            answered(&v, frame::missing("There is no such page."))
        })
        .layer(from_fn_with_state(Arc::clone(&site), guard))
        .with_state(site)
}

/// What stands behind the question mark of an address.
#[derive(Debug, Clone, Default)]
pub(crate) struct Asked(Form);

impl std::ops::Deref for Asked {
    type Target = Form;
    fn deref(&self) -> &Form {
        &self.0
    }
}

impl<S: Sync> axum::extract::FromRequestParts<S> for Asked {
    type Rejection = std::convert::Infallible;
    async fn from_request_parts(
        parts: &mut axum::http::request::Parts,
        _: &S,
    ) -> Result<Self, Self::Rejection> {
        let asked = Query::<Vec<(String, String)>>::try_from_uri(&parts.uri);
        Ok(Self(asked.map(|q| Form::new(q.0)).unwrap_or_default()))
    }
}

/// One name in an address; a text that cannot be decoded is no name.
pub(crate) type Named = Path<String>;
type Changed = Path<(String, String)>;

pub(crate) async fn at_desk(
    State(site): Shared,
    Extension(visitor): Asking,
    work: impl FnOnce(&Desk) -> Result<Answer, StoreError> + Send + 'static,
) -> Response {
    let answer = site.at_desk(visitor.clone(), work).await;
    answered(&visitor, answer.unwrap_or_else(|told| frame::trouble(&told)))
}

/// As [`at_desk`], for what changes something; remembers who counted.
pub(crate) async fn act(
    State(site): Shared,
    Extension(mut visitor): Asking,
    Extension(form): Typed,
    work: impl FnOnce(&Desk, &Form) -> Result<Answer, StoreError> + Send + 'static,
) -> Response {
    let (by_script, kept) =
        (form.by_script(), form.typed_ago_millis() != Ok(0));
    let typed: String = form.text("by").chars().take(60).collect();
    let answer =
        site.at_desk(visitor.clone(), move |desk| work(desk, &form)).await;
    if !typed.is_empty() {
        visitor.who.clone_from(&typed);
    }
    let answer = answer.unwrap_or_else(|told| frame::trouble(&told));
    let mut response = match answer {
        Answer::See(to) if by_script => json(&json!({ "to": to })),
        answer => answered(&visitor, answer),
    };
    // Who counted then need not be who counts now.
    if !typed.is_empty() && !kept {
        set_cookie(&mut response, WHO, &hex(typed.as_bytes()), YEAR);
    }
    response
}

/// An answer as it goes out.
pub(crate) fn answered(visitor: &Visitor, answer: Answer) -> Response {
    match answer {
        Answer::See(to) => see(&to),
        Answer::Data(status, value) => {
            let mut response = json(&value);
            *response.status_mut() = status;
            response
        }
        Answer::Page(status, title, tab, body) => {
            let page = frame::whole(visitor, &title, tab, &body);
            let html = HeaderValue::from_static("text/html; charset=utf-8");
            let mut response = (status, page.into_string()).into_response();
            response.headers_mut().insert(CONTENT_TYPE, html);
            response
        }
    }
}

/// "See other": the answer to a form that was taken.
pub(crate) fn see(to: &str) -> Response {
    let mut response = StatusCode::SEE_OTHER.into_response();
    let to = HeaderValue::from_str(to)
        .unwrap_or_else(|_| HeaderValue::from_static("/"));
    response.headers_mut().insert(LOCATION, to);
    response
}

pub(crate) fn set_cookie(
    response: &mut Response,
    name: &str,
    value: &str,
    seconds: u32,
) {
    let cookie = format!(
        "{name}={value}; Path=/; Max-Age={seconds}; HttpOnly; SameSite=Lax"
    );
    let cookie = HeaderValue::from_str(&cookie)
        .expect("names and hex digits are plain text");
    response.headers_mut().append(SET_COOKIE, cookie);
}

/// The session cookie ends with the browser's patience, not before ours.
pub(crate) fn set_session(response: &mut Response, id: &str) {
    set_cookie(response, session::COOKIE, id, 90 * 86_400);
}

async fn style() -> Response {
    for_a_day("text/css; charset=utf-8", frame::style_sheet())
}

async fn script() -> Response {
    let script = frame::SCRIPT.to_owned();
    for_a_day("text/javascript; charset=utf-8", script)
}

fn for_a_day(kind: &'static str, text: String) -> Response {
    let mut response = text.into_response();
    let headers = response.headers_mut();
    headers.insert(CONTENT_TYPE, HeaderValue::from_static(kind));
    let day = HeaderValue::from_static("max-age=86400");
    headers.insert(CACHE_CONTROL, day);
    response
}

fn json(value: &serde_json::Value) -> Response {
    let mut response = value.to_string().into_response();
    let kind = HeaderValue::from_static("application/json");
    response.headers_mut().insert(CONTENT_TYPE, kind);
    response
}

/// Whether forms are taken now, and the token they need: asked by the script
/// before it sends what a page kept from before a log-in or a new start.
/// Other sites can ask, but not read it.
async fn session_now(State(site): Shared, visitor: Asking) -> Response {
    let session = &visitor.session;
    if site.is_locked(&visitor) {
        return json(&json!({ "open": false }));
    }
    json(&json!({ "open": true, "token": session.token }))
}
