//! In and out: the password, and who counts on this device.
//!
//! Two things apart: the password lets a household in, the name only says
//! whose eyes counted.

use std::sync::Arc;

use axum::extract::{Extension, State};
use axum::http::StatusCode;
use axum::http::header::RETRY_AFTER;
use axum::response::Response;
use maud::{Markup, html};

use crate::web::desk::{Answer, Desk, Site, Tab, Visitor};
use crate::web::form::Form;
use crate::web::frame::{self, token};
use crate::web::password::Tried;
use crate::web::routes::{Asked, answered, see, set_session};
use crate::web::session::unhex;

/// `GET /login`
pub(crate) async fn page(
    State(site): State<Arc<Site>>,
    Extension(visitor): Extension<Visitor>,
    asked: Asked,
) -> Response {
    if site.password.is_none() || visitor.session.logged_in {
        return see("/");
    }
    let to = asked.text("to");
    answered(&visitor, asking(&visitor, to, None, StatusCode::OK))
}

fn asking(
    visitor: &Visitor,
    to: &str,
    wrong: Option<&str>,
    status: StatusCode,
) -> Answer {
    let body = html! {
        h1 { "Log in" }
        form.card method="post" action="/login" {
            (token(visitor))
            input type="hidden" name="to" value=(to);
            div.field.bad[wrong.is_some()] {
                label for="password" { "Password" }
                input id="password" name="password" type="password"
                    autocomplete="current-password" required maxlength="128"
                    aria-invalid=[wrong.map(|_| "true")]
                    aria-describedby=[wrong.map(|_| "password-wrong")];
                @if let Some(wrong) = wrong {
                    p.wrong id="password-wrong" role="alert" { (wrong) }
                }
            }
            button.main type="submit" { "Log in" }
        }
        p.soft {
            "It was set with " code { "vernalog password --web" }
            " on the computer that runs this."
        }
    };
    Answer::Page(status, "Log in".to_owned(), Tab::Elsewhere, body)
}

/// `POST /login`
pub(crate) async fn enter(
    State(site): State<Arc<Site>>,
    Extension(visitor): Extension<Visitor>,
    Extension(form): Extension<Form>,
) -> Response {
    let Some(password) = &site.password else { return see("/") };
    let to = form.text("to");
    match password.try_it(form.text("password").to_owned()).await {
        Tried::Right => {
            // A new id: one that was planted before leads nowhere.
            site.sessions.end(&visitor.session.id);
            let session = site.sessions.begin(true);
            let mut response = see(&safe_path(to));
            set_session(&mut response, &session.id);
            response
        }
        Tried::Wrong => {
            tracing::warn!("a wrong password was given for the pages");
            let told = "This is not the password.";
            let status = StatusCode::FORBIDDEN;
            answered(&visitor, asking(&visitor, to, Some(told), status))
        }
        Tried::TooSoon(wait) => {
            let seconds = wait.as_secs() + 1;
            let told = format!(
                "After several wrong passwords each try has to wait: try \
                 again in {seconds} s."
            );
            let status = StatusCode::TOO_MANY_REQUESTS;
            let answer = asking(&visitor, to, Some(&told), status);
            let mut response = answered(&visitor, answer);
            response.headers_mut().insert(RETRY_AFTER, seconds.into());
            response
        }
    }
}

/// Where to go after the log-in: a page of ours, or the start.
fn safe_path(hex: &str) -> String {
    unhex(hex)
        .filter(|path| {
            path.starts_with('/')
                && !path.starts_with("//")
                && !path.contains(['\\', '\r', '\n'])
        })
        .unwrap_or_else(|| "/".to_owned())
}

/// `POST /logout`
pub(crate) async fn leave(
    State(site): State<Arc<Site>>,
    Extension(visitor): Extension<Visitor>,
) -> Response {
    site.sessions.end(&visitor.session.id);
    see("/")
}

/// Who counts on this device.
pub(crate) fn who_page(desk: &Desk) -> Answer {
    Answer::page("Who counts", Tab::Elsewhere, who(&desk.visitor))
}

fn who(visitor: &Visitor) -> Markup {
    let field = frame::Field {
        section: "who",
        name: "by",
        label: "Name",
        value: &visitor.who,
        wrong: None,
    };
    html! {
        h1 { "Who counts" }
        p { "Each count keeps the name of who looked. It is remembered on \
             this device and is no log-in." }
        form.card method="post" action="/who" {
            (token(visitor))
            (field.text())
            button.main type="submit" { "Remember" }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::web::session::hex;

    #[test]
    fn a_log_in_leads_to_our_own_pages_only() {
        let to = |path: &str| safe_path(&hex(path.as_bytes()));
        assert_eq!(to("/u/BCDEFG?round=1"), "/u/BCDEFG?round=1");
        for elsewhere in [
            "//evil.example",
            "/\\evil.example",
            "http://evil.example",
            "a",
            "",
        ] {
            assert_eq!(to(elsewhere), "/", "{elsewhere}");
        }
    }
}
