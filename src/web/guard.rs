//! The guard that each request passes: name, origin, size, session, password,
//! token, in this order.
//!
//! A page that changes something is given its form here, so there is no way
//! round it.

use axum::Form as Fields;
use axum::body::{Body, to_bytes};
use axum::extract::{FromRequest, Request, State};
use axum::http::header::{
    AUTHORIZATION, CACHE_CONTROL, CONTENT_SECURITY_POLICY, CONTENT_TYPE,
    COOKIE, HOST, HeaderMap, HeaderName, HeaderValue, ORIGIN, REFERRER_POLICY,
    RETRY_AFTER, SET_COOKIE, WWW_AUTHENTICATE, X_CONTENT_TYPE_OPTIONS,
    X_FRAME_OPTIONS,
};
use axum::http::{Method, StatusCode};
use axum::middleware::Next;
use axum::response::Response;

use crate::web::desk::{Site, Visitor};
use crate::web::form::{Form, TOKEN};
use crate::web::routes::{SESSION, Shared, WHO, answered, see, set_session};
use crate::web::session::{self, same, unhex};
use crate::web::tokens::{May, Shut};
use crate::web::{api, blind, frame};

/// Nothing that is typed on a phone is larger.
const MOST_BYTES: usize = 64 * 1024;
/// A form that takes longer to arrive is let go.
const FORM_WITHIN: std::time::Duration = std::time::Duration::from_secs(20);

const CSP: &str = "default-src 'none'; script-src 'self'; \
                   connect-src 'self'; style-src 'self'; img-src 'self' \
                   data:; form-action 'self'; base-uri 'none'; \
                   frame-ancestors 'none'";

/// What is answered before a log-in.
const PUBLIC: [&str; 4] = ["/login", "/style.css", "/page.js", SESSION];

/// What each request passes.
pub(crate) async fn guard(
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
        Ok(())
            if visitor.blind
                && matches!(*request.method(), Method::GET | Method::HEAD)
                && !blind::is_open(request.uri().path()) =>
        {
            answered(&visitor, blind::shut(&visitor))
        }
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
