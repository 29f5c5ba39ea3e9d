//! Counting blind: names, origin and treatments are hidden on this device, so
//! that what is expected cannot colour what is seen.
//!
//! A choice kept in a cookie. Pages that cannot hide them are shut meanwhile,
//! and any page is one of those unless it is named here. Each count made so
//! says it in its note, since that is what the ledger keeps and exports.

use axum::extract::Extension;
use axum::response::Response;
use maud::{Markup, html};

use crate::report::words::plain;
use crate::trial::entry::Statement;
use crate::web::desk::{Answer, Desk, Tab, Visitor};
use crate::web::form::Form;
use crate::web::frame::token;
use crate::web::routes::{see, set_cookie};
use crate::web::units;

/// Name of the cookie.
pub(crate) const COOKIE: &str = "blind";
/// How long the choice is remembered, s.
const SEASON: u32 = 180 * 86_400;
/// What a count made so says.
const NOTE: &str = "counted blind";

/// Pages that hide what is to be hidden, or have nothing to hide.
const OPEN: [&str; 15] = [
    "/",
    "/live",
    "/session",
    "/page.js",
    "/style.css",
    "/round",
    "/round/others",
    "/tally",
    "/find",
    "/place/",
    "/u/",
    "/alerts",
    "/who",
    "/health",
    "/login",
];

/// Whether a page may be looked at while counting blind.
pub(crate) fn is_open(path: &str) -> bool {
    OPEN.iter().any(|open| {
        path == *open
            || (open.len() > 1 && open.ends_with('/') && path.starts_with(open))
    })
}

/// In the place of a page that would tell.
pub(crate) fn shut(visitor: &Visitor) -> Answer {
    let body = html! {
        h1 { "Hidden while counting blind" }
        p { "This page tells names and treatments." }
        div.message {
            (switching(visitor, "0", "End counting blind"))
            a.button href="/round" { "Back to the round" }
        }
    };
    Answer::page("Hidden", Tab::Elsewhere, body)
}

/// What an entry says, without what would tell a treatment.
pub(crate) fn told_of(desk: &Desk, statement: &Statement) -> String {
    let tells = match statement {
        Statement::Check(_)
        | Statement::Stay { .. }
        | Statement::Mould { .. }
        | Statement::Closure(_) => false,
        _ => desk.visitor.blind,
    };
    if tells {
        statement.kind().to_owned()
    } else {
        plain(&units::told(statement))
    }
}

/// Words of rules and alerts, in which a unit has its name.
pub(crate) fn worded(desk: &Desk, text: &str) -> String {
    if !desk.visitor.blind {
        return text.to_owned();
    }
    let is_of_name = |c: char| c.is_ascii_alphanumeric() || c == '-';
    text.split_inclusive(|c: char| !is_of_name(c))
        .map(|part| {
            let end = part.trim_end_matches(|c| !is_of_name(c)).len();
            let (word, rest) = part.split_at(end);
            let mut trials = desk.book().trials.values();
            match trials.find_map(|trial| trial.units.get(word)) {
                Some(unit) => units::name_of(desk, unit) + rest,
                None => part.to_owned(),
            }
        })
        .collect()
}

/// `POST /blind`: switched on or off on this device.
pub(crate) async fn switch(Extension(form): Extension<Form>) -> Response {
    let mut response = see("/round");
    if form.text("blind") == "1" {
        set_cookie(&mut response, COOKIE, "1", SEASON);
    } else {
        set_cookie(&mut response, COOKIE, "0", 0);
    }
    response
}

/// A note with the word that it was counted blind, if it is.
pub(crate) fn noted(desk: &Desk, note: String) -> String {
    match (desk.visitor.blind, note.as_str()) {
        (false, _) => note,
        (true, "") => NOTE.to_owned(),
        (true, note) => format!("{note} · {NOTE}"),
    }
}

/// On top of a page: that something is hidden, and the way to see it.
pub(crate) fn told(desk: &Desk) -> Markup {
    html! {
        @if desk.visitor.blind {
            div.message role="status" {
                p { "Counting blind: names, lots and treatments are hidden; \
                    each count says so." }
                (switching(&desk.visitor, "0", "Show them"))
            }
        }
    }
}

/// At the end of the round: the offer to hide them.
pub(crate) fn offer(desk: &Desk) -> Markup {
    html! {
        @if !desk.visitor.blind {
            details {
                summary { "Count blind" }
                p { "Boxes are called by their label alone; names, lots and \
                    treatments are hidden on this device until you switch \
                    them on again, and each count says that it was made \
                    so." }
                (switching(&desk.visitor, "1", "Hide them"))
            }
        }
    }
}

fn switching(visitor: &Visitor, to: &str, button: &str) -> Markup {
    html! {
        form method="post" action="/blind" {
            (token(visitor))
            input type="hidden" name="blind" value=(to);
            button type="submit" { (button) }
        }
    }
}
