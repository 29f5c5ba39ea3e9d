//! Every address of the pages, and the guard that each request passes: name,
//! origin, size, session, password, token, in this order.
//!
//! A page that changes something is given its form by the guard, so there is
//! no way round it.

use std::sync::Arc;

use axum::body::{Body, to_bytes};
use axum::extract::{Extension, FromRequest, Path, Query, Request, State};
use axum::http::header::{
    AUTHORIZATION, CACHE_CONTROL, CONTENT_SECURITY_POLICY, CONTENT_TYPE,
    COOKIE, HOST, HeaderMap, HeaderName, HeaderValue, LOCATION, ORIGIN,
    REFERRER_POLICY, RETRY_AFTER, SET_COOKIE, WWW_AUTHENTICATE,
    X_CONTENT_TYPE_OPTIONS, X_FRAME_OPTIONS,
};
use axum::http::{Method, StatusCode};
use axum::middleware::{Next, from_fn_with_state};
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use axum::{Form as Fields, Router};
use serde_json::json;

use crate::store::StoreError;
use crate::web::desk::{Answer, Desk, Site, Visitor};
use crate::web::form::{Form, TOKEN};
use crate::web::live::Live;
use crate::web::session::{self, hex, same, unhex};
use crate::web::tokens::{May, Shut};
use crate::web::{
    alert, alerts, api, blind, changes, count, frame, health, labels, login,
    now, place, remarks, reports, round, setup, tally, transfer, unit,
};

/// Nothing that is typed on a phone is larger.
const MOST_BYTES: usize = 64 * 1024;
/// A form that takes longer to arrive is let go.
const FORM_WITHIN: std::time::Duration = std::time::Duration::from_secs(20);

const CSP: &str = "default-src 'none'; script-src 'self'; \
                   connect-src 'self'; style-src 'self'; img-src 'self' \
                   data:; form-action 'self'; base-uri 'none'; \
                   frame-ancestors 'none'";

/// Name of the cookie that remembers who counts.
pub(crate) const WHO: &str = "who";
/// A year, s.
const YEAR: u32 = 31_536_000;

pub(crate) type Shared = State<Arc<Site>>;
pub(crate) type Asking = Extension<Visitor>;
pub(crate) type Typed = Extension<Form>;

/// Where the script asks how the session stands.
const SESSION: &str = "/session";
/// What is answered before a log-in.
const PUBLIC: [&str; 4] = ["/login", "/style.css", "/page.js", SESSION];

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

/// What each request passes.
async fn guard(
    State(site): Shared,
    mut request: Request,
    next: Next,
) -> Response {
    let for_program = request.uri().path().starts_with(api::BEGINS);
    let (mut visitor, fresh) = if for_program {
        (Visitor::nobody(), false)
    } else {
        visitor(&site, request.headers())
    };
    let admitted = if for_program {
        program(&site, &mut visitor, &mut request).await
    } else {
        admitted(&site, &visitor, &mut request).await
    };
    let asks_session = request.uri().path() == SESSION;
    let mut response = match admitted {
        Ok(()) => {
            request.extensions_mut().insert(visitor.clone());
            next.run(request).await
        }
        Err(refusal) => *refusal,
    };
    let sets_session =
        response.headers().get_all(SET_COOKIE).iter().any(|cookie| {
            cookie.as_bytes().starts_with(session::COOKIE.as_bytes())
        });
    let is_page = response
        .headers()
        .get(CONTENT_TYPE)
        .is_some_and(|kind| kind.as_bytes().starts_with(b"text/html"));
    if fresh && (is_page || asks_session) && !sets_session {
        set_session(&mut response, &visitor.session.id);
    }
    let headers = response.headers_mut();
    if site.door.is_tls() {
        only_encrypted(headers);
    }
    headers
        .entry(CONTENT_SECURITY_POLICY)
        .or_insert(HeaderValue::from_static(CSP));
    for (name, value) in [
        (X_CONTENT_TYPE_OPTIONS, "nosniff"),
        (X_FRAME_OPTIONS, "DENY"),
        (REFERRER_POLICY, "same-origin"),
        (HeaderName::from_static("cross-origin-opener-policy"), "same-origin"),
    ] {
        headers.insert(name, HeaderValue::from_static(value));
    }
    headers
        .entry(CACHE_CONTROL)
        .or_insert(HeaderValue::from_static("no-store"));
    response
}

/// Cookies that came through TLS never go without.
fn only_encrypted(headers: &mut HeaderMap) {
    let cookies: Vec<HeaderValue> = headers
        .get_all(SET_COOKIE)
        .iter()
        .filter_map(|cookie| {
            let secure = [cookie.as_bytes(), b"; Secure"].concat();
            HeaderValue::from_bytes(&secure).ok()
        })
        .collect();
    headers.remove(SET_COOKIE);
    for cookie in cookies {
        headers.append(SET_COOKIE, cookie);
    }
}

/// Who is asking, and whether the browser is new to us.
fn visitor(site: &Site, headers: &HeaderMap) -> (Visitor, bool) {
    let found =
        cookie(headers, session::COOKIE).and_then(|id| site.sessions.find(id));
    let fresh = found.is_none();
    let session = found.unwrap_or_else(|| site.sessions.begin(false));
    let who = cookie(headers, WHO).and_then(unhex).unwrap_or_default();
    let blind = cookie(headers, blind::COOKIE) == Some("1");
    let may_leave = site.password.is_some() && session.logged_in;
    (Visitor { session, who, blind, may_leave }, fresh)
}

fn cookie<'a>(headers: &'a HeaderMap, name: &str) -> Option<&'a str> {
    headers
        .get_all(COOKIE)
        .iter()
        .filter_map(|value| value.to_str().ok())
        .flat_map(|line| line.split(';'))
        .filter_map(|pair| pair.trim().split_once('='))
        .find(|(known, _)| *known == name)
        .map(|(_, value)| value)
}

/// As [`admitted`], for a program: its token is all that counts, so no other
/// site can use the browser of somebody who has logged in.
async fn program(
    site: &Site,
    visitor: &mut Visitor,
    request: &mut Request,
) -> Result<(), Box<Response>> {
    let refuse = |(status, told): Refusal| {
        Box::new(answered(&Visitor::nobody(), api::trouble(status, told)))
    };
    named_right(site, request).map_err(refuse)?;
    let origin = header(request, ORIGIN);
    if !origin.is_empty() && !site.door.knows_origin(origin) {
        let told = "other sites are not answered";
        return Err(refuse((StatusCode::FORBIDDEN, told)));
    }
    let token = header(request, AUTHORIZATION).strip_prefix("Bearer ");
    let caller = site.tokens.admit(token.unwrap_or_default().trim());
    let caller = caller.map_err(|shut| match shut {
        Shut::Unknown => {
            let told = "send \"Authorization: Bearer\" with a token that \
                        `vernalog token NAME` made";
            let mut response = refuse((StatusCode::UNAUTHORIZED, told));
            let bearer = HeaderValue::from_static("Bearer");
            response.headers_mut().insert(WWW_AUTHENTICATE, bearer);
            response
        }
        Shut::TooMany(wait) => {
            let told = "too many requests: one a second, 60 at once";
            let mut response = refuse((StatusCode::TOO_MANY_REQUESTS, told));
            let seconds = wait.as_secs() + 1;
            response.headers_mut().insert(RETRY_AFTER, seconds.into());
            response
        }
    })?;
    caller.name.as_str().clone_into(&mut visitor.who);
    match *request.method() {
        Method::GET | Method::HEAD => return Ok(()),
        Method::POST if caller.may == May::Record => {}
        Method::POST => {
            let told = "this token may only read";
            return Err(refuse((StatusCode::FORBIDDEN, told)));
        }
        _ => {
            let told = "GET and POST are answered, nothing else";
            return Err(refuse((StatusCode::METHOD_NOT_ALLOWED, told)));
        }
    }
    let kind = header(request, CONTENT_TYPE);
    if kind.split(';').next().unwrap_or_default().trim() != "application/json" {
        let told = "send application/json";
        return Err(refuse((StatusCode::UNSUPPORTED_MEDIA_TYPE, told)));
    }
    let body = std::mem::take(request.body_mut());
    let bytes = whole(body).await.map_err(refuse)?;
    let value = serde_json::from_slice(&bytes).map_err(|error| {
        let told = format!("this is not JSON: {error}");
        Box::new(answered(
            &Visitor::nobody(),
            api::trouble(StatusCode::BAD_REQUEST, &told),
        ))
    })?;
    request.extensions_mut().insert(api::Sent(value));
    Ok(())
}

/// Whether a request may go on; a form is read and left beside it.
async fn admitted(
    site: &Site,
    visitor: &Visitor,
    request: &mut Request,
) -> Result<(), Box<Response>> {
    let refuse = |(status, told): Refusal| {
        Box::new(answered(visitor, frame::refused(status, told)))
    };
    let locked = site.is_locked(visitor);
    named_right(site, request).map_err(refuse)?;
    let public = PUBLIC.contains(&request.uri().path());
    if matches!(*request.method(), Method::GET | Method::HEAD) {
        if locked && !public {
            let asked = request.uri().path_and_query();
            let to = frame::escaped_query(asked.map_or("/", |p| p.as_str()));
            return Err(Box::new(see(&format!("/login?to={to}"))));
        }
        return Ok(());
    }
    sent_from_here(site, request).map_err(refuse)?;
    if locked && !public {
        return Err(refuse((
            StatusCode::FORBIDDEN,
            "You are not logged in (any more). Nothing was written. Log in, \
             then go back and send it again.",
        )));
    }
    let kind = request.headers().get(CONTENT_TYPE).cloned();
    let body = std::mem::take(request.body_mut());
    let form = form(body, kind).await.map_err(refuse)?;
    if !same(form.text(TOKEN), &visitor.session.token) {
        return Err(refuse((
            StatusCode::FORBIDDEN,
            "This page is older than your session: the program was started \
             again since, or you logged in anew. Nothing was written. Open \
             the page anew and send it again.",
        )));
    }
    request.extensions_mut().insert(form);
    Ok(())
}

/// Status and what to say.
type Refusal = (StatusCode, &'static str);

fn header(request: &Request, name: HeaderName) -> &str {
    let value = request.headers().get(name);
    value.and_then(|value| value.to_str().ok()).unwrap_or_default()
}

/// The request is meant for us, by exactly one name.
fn named_right(site: &Site, request: &Request) -> Result<(), Refusal> {
    let host = match request.uri().authority() {
        Some(authority) => authority.as_str(),
        None => header(request, HOST),
    };
    let names = request.headers().get_all(HOST).iter().count();
    if names == 1 && site.door.knows_host(host) {
        return Ok(());
    }
    Err((
        StatusCode::MISDIRECTED_REQUEST,
        "These pages do not answer to that name. Use the address of the \
         settings (base_url), or localhost.",
    ))
}

/// What changes something is a form of one of our own pages.
fn sent_from_here(site: &Site, request: &Request) -> Result<(), Refusal> {
    if *request.method() != Method::POST {
        return Err((
            StatusCode::METHOD_NOT_ALLOWED,
            "Pages are looked at, and forms are sent; nothing else.",
        ));
    }
    if !site.door.knows_origin(header(request, ORIGIN)) {
        return Err((
            StatusCode::FORBIDDEN,
            "This form was not sent from one of these pages. Nothing was \
             written.",
        ));
    }
    Ok(())
}

/// A body, when it comes in time and is not too large.
async fn whole(body: Body) -> Result<axum::body::Bytes, Refusal> {
    tokio::time::timeout(FORM_WITHIN, to_bytes(body, MOST_BYTES))
        .await
        .map_err(|_| {
            (StatusCode::REQUEST_TIMEOUT, "The form took too long to arrive.")
        })?
        .map_err(|_| {
            (
                StatusCode::PAYLOAD_TOO_LARGE,
                "This is more than a form may hold. Nothing was written.",
            )
        })
}

async fn form(body: Body, kind: Option<HeaderValue>) -> Result<Form, Refusal> {
    let bytes = whole(body).await?;
    let mut whole = Request::new(Body::from(bytes));
    *whole.method_mut() = Method::POST;
    whole.headers_mut().extend(kind.map(|kind| (CONTENT_TYPE, kind)));
    Fields::<Vec<(String, String)>>::from_request(whole, &())
        .await
        .map(|fields| Form::new(fields.0))
        .map_err(|_| {
            (
                StatusCode::BAD_REQUEST,
                "This is not a form that these pages send. Nothing was \
                 written.",
            )
        })
}
