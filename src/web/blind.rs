//! Counting blind: names, origin and treatments are hidden on the round and
//! on a unit's page, so that what is expected cannot colour what is seen.
//!
//! A choice of this device, kept in a cookie; each count made so says it in
//! its note, since that is what the ledger keeps and exports.

use axum::extract::Extension;
use axum::response::Response;
use maud::{Markup, html};

use crate::web::desk::{Desk, Visitor};
use crate::web::form::Form;
use crate::web::frame::token;
use crate::web::routes::{see, set_cookie};

/// Name of the cookie.
pub(crate) const COOKIE: &str = "blind";
/// How long the choice is remembered, s.
const SEASON: u32 = 180 * 86_400;
/// What a count made so says.
const NOTE: &str = "counted blind";

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
