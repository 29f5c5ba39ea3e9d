//! The reports: the last one of each trial, shown as it was made, and a new
//! one made now.
//!
//! A report carries its style inside and the words of strangers, so it is
//! shown in a box of its own: without scripts, without forms, and as nobody
//! that these pages know.

use std::fs;
use std::sync::Arc;

use axum::Router;
use axum::extract::{Extension, Path, State};
use axum::http::StatusCode;
use axum::http::header::{CONTENT_SECURITY_POLICY, CONTENT_TYPE, HeaderValue};
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use maud::{Markup, html};

use crate::observation::Name;
use crate::report::words::plain;
use crate::store::StoreError;
use crate::trial::book::Trial;
use crate::units::Instant;
use crate::web::desk::{Answer, Desk, Site, Tab, Visitor};
use crate::web::form::Form;
use crate::web::frame::{self, token};
use crate::web::making::Standing;
use crate::web::routes::{Asking, Shared, Typed, act, answered, at_desk};
use crate::web::words::{ago, moment};

/// What a report may do: show itself.
const CSP: &str = "sandbox allow-downloads allow-popups; \
                   default-src 'none'; style-src 'unsafe-inline'; \
                   img-src data:; base-uri 'none'; form-action 'none'; \
                   frame-ancestors 'none'";

/// The addresses of this page.
pub(crate) fn router() -> Router<Arc<Site>> {
    Router::new()
        .route(
            "/report",
            get(async |s: Shared, v: Asking| at_desk(s, v, page).await),
        )
        .route(
            "/report/make",
            post(async |s: Shared, v: Asking, f: Typed| {
                act(s, v, f, make).await
            }),
        )
        .route("/report/{trial}/{*file}", get(file))
}

fn page(desk: &Desk) -> Result<Answer, StoreError> {
    Ok(Answer::page("Report", Tab::Report, drawn(desk, None)))
}

fn drawn(desk: &Desk, told: Option<&str>) -> Markup {
    let standing = desk.site().maker.standing();
    let busy = matches!(standing, Standing::Busy { .. });
    html! {
        h1 { "Report" }
        p { "What the seeds lived through, how many came up, and what may be \
             said about the link. Each report is one page that can be saved \
             and sent." }
        @if let Some(told) = told {
            div.message.trouble role="alert" { p { (told) } }
        }
        (stands(desk, &standing))
        @if desk.book().trials.is_empty() {
            p { "No trial is recorded yet." }
        }
        @for trial in desk.book().trials.values() {
            (of_trial(desk, trial, busy))
        }
    }
}

fn stands(desk: &Desk, standing: &Standing) -> Markup {
    html! {
        @match standing {
            Standing::Idle => {}
            Standing::Busy { trial, since, step: (done, of, doing) } => {
                div.message role="status" data-again="2" {
                    p {
                        "The report of " strong { (trial) }
                        " is being made since " (ago(desk.now, *since)) ": "
                        (plain(doing)) "."
                        progress max=(of) value=(done)
                            aria-label="Steps done" {}
                    }
                    a.button href="/report" { "Look again" }
                }
            }
            Standing::Failed { trial, told } => {
                div.message.trouble {
                    p { "The report of " strong { (trial) }
                        " could not be made: " (plain(told)) }
                }
            }
        }
    }
}

fn of_trial(desk: &Desk, trial: &Trial, busy: bool) -> Markup {
    let maker = &desk.site().maker;
    let made = made_at(&maker.folder(&trial.name));
    html! {
        section {
            h2 { (trial.name) }
            @if !trial.question.is_empty() { p { (plain(&trial.question)) } }
            @match made {
                None => { p.soft { "No report was made here yet." } }
                Some(at) => {
                    p {
                        a.button href={ "/report/" (trial.name) "/index.html" }
                            { "Read the report of " (trial.name) }
                    }
                    p.soft {
                        "Made " (moment(desk.zone(), desk.now, at)) " ("
                        (ago(desk.now, at)) "). Beside it: "
                        @for (i, file) in TABLES.iter().enumerate() {
                            @if i > 0 { ", " }
                            a.file href={ "/report/" (trial.name) "/" (file) }
                                download=(format!("{}-{file}", trial.name)) {
                                (file)
                            }
                        }
                    }
                }
            }
            @if maker.is_able() && !busy {
                form method="post" action="/report/make" {
                    (token(&desk.visitor))
                    input type="hidden" name="trial" value=(trial.name);
                    button.main[made.is_none()] type="submit" {
                        @if made.is_some() { "Make it anew" }
                        @else { "Make it now" }
                        " (" (trial.name) ")"
                    }
                }
            }
        }
    }
}

/// Files of a report beside its page.
const TABLES: [&str; 3] = ["results.json", "containers.csv", "places.csv"];

/// When the report in a folder was made, by the file's own date.
fn made_at(folder: &std::path::Path) -> Option<Instant> {
    let about = fs::metadata(folder.join("index.html")).ok()?;
    Some(chrono::DateTime::<chrono::Utc>::from(about.modified().ok()?).into())
}

/// `POST /report/make`
fn make(desk: &Desk, form: &Form) -> Result<Answer, StoreError> {
    let asked = form.text("trial");
    let known = desk.book().trials.get(asked);
    let told = match known {
        None => "There is no such trial; choose one below.",
        Some(trial) => {
            let maker = &desk.site().maker;
            if maker.begin(&trial.name, desk.now) {
                return Ok(Answer::See("/report".to_owned()));
            }
            "Another report is being made; wait until it is there."
        }
    };
    let body = drawn(desk, Some(told));
    Ok(Answer::wrong("Report", Tab::Report, body))
}

/// `GET /report/…`: a file of the last report, in its box.
async fn file(
    State(site): State<Arc<Site>>,
    Extension(visitor): Extension<Visitor>,
    Path((trial, file)): Path<(String, String)>,
) -> Response {
    let missing =
        || answered(&visitor, frame::missing("There is no such report."));
    let Ok(trial) = Name::new(&trial) else { return missing() };
    let Some(kind) = kind(&file) else { return missing() };
    let path = site.maker.folder(&trial).join(&file);
    let read = tokio::task::spawn_blocking(move || fs::read(path)).await;
    let Ok(Ok(bytes)) = read else { return missing() };
    let mut response = (StatusCode::OK, bytes).into_response();
    let headers = response.headers_mut();
    headers.insert(CONTENT_TYPE, HeaderValue::from_static(kind));
    headers.insert(CONTENT_SECURITY_POLICY, HeaderValue::from_static(CSP));
    response
}

/// The kind of a file that belongs to a report; nothing else is given out.
fn kind(file: &str) -> Option<&'static str> {
    match file {
        "index.html" => Some("text/html; charset=utf-8"),
        "results.json" => Some("application/json"),
        "containers.csv" | "places.csv" => Some("text/csv; charset=utf-8"),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_files_of_a_report_are_given_out() {
        for ours in ["index.html", "results.json", "places.csv"] {
            assert!(kind(ours).is_some(), "{ours}");
        }
        for other in [
            "",
            "index.html.12.new",
            "../vernalog.db",
            "figures/../../web.passwd",
            "figures/.svg/../a",
            "web.passwd",
            "/etc/passwd",
            "results.json/",
        ] {
            assert!(kind(other).is_none(), "{other}");
        }
    }
}
