//! What every page has around it, and the pieces that pages are made of:
//! fields with their label and their error, hidden keys, messages.
//!
//! Everything typed by people or said by boards goes through maud's
//! escaping; only figures of our own are set as they are.

use axum::http::StatusCode;
use maud::{DOCTYPE, Markup, html};

use crate::chart::colour::style_of_figures;
use crate::report::page::style::colours;
use crate::web::desk::{Answer, Tab, Visitor};
use crate::web::form::{KEY, TOKEN, Wrong, new_key};
use crate::web::session::hex;

const PAGE: &str = include_str!("page.css");

/// The one script of all pages; each works without it.
pub(crate) const SCRIPT: &str = concat!(
    include_str!("kept.js"),
    include_str!("live.js"),
    include_str!("again.js")
);

/// The one style sheet of all pages.
pub(crate) fn style_sheet() -> String {
    format!("{}{}\n{PAGE}", colours(), style_of_figures())
}

const TABS: [(Tab, &str, &str); 6] = [
    (Tab::Now, "/", "Now"),
    (Tab::Round, "/round", "Round"),
    (Tab::Tally, "/tally", "Tally"),
    (Tab::Alerts, "/alerts", "Alerts"),
    (Tab::Report, "/report", "Report"),
    (Tab::SetUp, "/setup", "Set up"),
];

/// A whole page.
pub(crate) fn whole(
    visitor: &Visitor,
    title: &str,
    here: Tab,
    body: &Markup,
) -> Markup {
    let style = concat!("/style.css?v=", env!("CARGO_PKG_VERSION"));
    let script = concat!("/page.js?v=", env!("CARGO_PKG_VERSION"));
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport"
                    content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                title { (title) " · vernalog" }
                link rel="stylesheet" href=(style);
                script src=(script) defer {}
                link rel="icon" href="data:,";
            }
            body {
                a.skip href="#main" { "To the content" }
                header {
                    nav aria-label="Pages" {
                        @for (tab, to, name) in TABS {
                            @if tab == here {
                                a href=(to) aria-current="page" { (name) }
                            } @else {
                                a href=(to) { (name) }
                            }
                        }
                    }
                }
                // Counts that wait on this phone; filled by the script.
                section.kept id="kept" role="status" hidden {}
                main id="main" { (body) }
                footer { (foot(visitor)) }
            }
        }
    }
}

fn foot(visitor: &Visitor) -> Markup {
    html! {
        p {
            @if visitor.who.is_empty() {
                a href="/who" { "Say who counts on this device" }
            } @else {
                "Counting as " strong { (visitor.who) } " · "
                a href="/who" { "change" }
            }
        }
        p { a href="/health" { "Health of the collecting" } }
        @if visitor.may_leave {
            form method="post" action="/logout" {
                (token(visitor))
                button.quiet type="submit" { "Log out" }
            }
        }
    }
}

/// The session's token, for a form.
pub(crate) fn token(visitor: &Visitor) -> Markup {
    html! { input type="hidden" name=(TOKEN) value=(visitor.session.token); }
}

/// Token and key, for a form that writes.
pub(crate) fn keys(visitor: &Visitor) -> Markup {
    html! {
        (token(visitor))
        input type="hidden" name=(KEY) value=(new_key());
    }
}

/// Asks once who counts on this device.
pub(crate) fn by_field(visitor: &Visitor, section: &str) -> Markup {
    let id = format!("{section}-by");
    html! {
        @if visitor.who.is_empty() {
            div.field {
                label for=(id) {
                    "Who counts " span.soft { "(asked once on this device)" }
                }
                input id=(id) name="by" type="text" maxlength="60"
                    autocomplete="name" autocapitalize="words";
            }
        }
    }
}

/// A field of a form.
pub(crate) struct Field<'a> {
    /// Makes the id of the field unique on the page.
    pub(crate) section: &'a str,
    pub(crate) name: &'a str,
    pub(crate) label: &'a str,
    pub(crate) value: &'a str,
    pub(crate) wrong: Option<&'a str>,
}

impl Field<'_> {
    fn id(&self) -> String {
        format!("{}-{}", self.section, self.name)
    }

    /// For a number of seeds.
    pub(crate) fn number(&self) -> Markup {
        self.input(&html! {}, Some("numeric"), "8")
    }

    /// For a line of text.
    pub(crate) fn text(&self) -> Markup {
        self.input(&html! {}, None, "2000")
    }

    /// For a line of text, with a remark below its label.
    pub(crate) fn text_with(&self, remark: &Markup) -> Markup {
        self.input(remark, None, "2000")
    }

    fn input(&self, remark: &Markup, mode: Option<&str>, most: &str) -> Markup {
        let id = self.id();
        let told = format!("{id}-wrong");
        html! {
            div.field.bad[self.wrong.is_some()] {
                label for=(id) { (self.label) (remark) }
                input id=(id) name=(self.name) type="text" inputmode=[mode]
                    maxlength=(most) autocomplete="off" value=(self.value)
                    aria-invalid=[self.wrong.map(|_| "true")]
                    aria-describedby=[self.wrong.map(|_| told.as_str())];
                @if let Some(wrong) = self.wrong {
                    p.wrong id=(told) { (wrong) }
                }
            }
        }
    }
}

/// One of a few, each a large target.
pub(crate) fn choices(
    section: &str,
    name: &str,
    legend: &str,
    options: &[(&str, &str)],
    chosen: &str,
    wrong: Option<&str>,
) -> Markup {
    html! {
        fieldset.choices {
            legend { (legend) }
            @for (value, words) in options {
                @let id = format!("{section}-{name}-{value}");
                div.choice {
                    input id=(id) type="radio" name=(name) value=(value)
                        checked[*value == chosen];
                    label for=(id) { (words) }
                }
            }
            @if let Some(wrong) = wrong { p.wrong { (wrong) } }
        }
    }
}

/// What is wrong with a form as a whole, read out at once.
pub(crate) fn wrongs(wrong: &Wrong) -> Markup {
    html! {
        @if !wrong.is_empty() {
            div.message.trouble role="alert" {
                p { strong { "Nothing was written." } " "
                    @match wrong.of("") {
                        Some(whole) => { (whole) }
                        None if wrong.len() == 1 => {
                            "One field below cannot be right."
                        }
                        None => {
                            (wrong.len()) " fields below cannot be right."
                        }
                    }
                }
            }
        }
    }
}

/// A page that is not there.
pub(crate) fn missing(told: &str) -> Answer {
    Answer::Page(
        StatusCode::NOT_FOUND,
        "Not found".to_owned(),
        Tab::Elsewhere,
        html! {
            h1 { "Not found" }
            p { (told) }
            p { a.button href="/round" { "To the round" } }
        },
    )
}

/// A request that may not be.
pub(crate) fn refused(status: StatusCode, told: &str) -> Answer {
    Answer::Page(
        status,
        "Refused".to_owned(),
        Tab::Elsewhere,
        html! {
            h1 { "Refused" }
            p { (told) }
            p { a.button href="/" { "To the start" } }
        },
    )
}

/// Something that is not the grower's fault.
pub(crate) fn trouble(told: &str) -> Answer {
    Answer::Page(
        StatusCode::SERVICE_UNAVAILABLE,
        "Trouble".to_owned(),
        Tab::Elsewhere,
        html! {
            h1 { "This did not work" }
            p { (told) }
            p { "The log of the daemon says more. What was typed was not \
                 written: go back and send it again." }
        },
    )
}

/// An address made safe to stand behind a question mark.
pub(crate) fn escaped_query(path: &str) -> String {
    hex(path.as_bytes())
}
